"""The marks that a tick and the policy's size must stay within: figures that are the same on every machine.

Instructions of the 32-bit build, about 100 to the microsecond of an RP2040; bench.py measures the same over a longer
drive and every scenario.
"""

import json
from pathlib import Path

import pytest
from policy.stories import STORIES, told

import loopwarden.policy
from bench.code_lines import folder_lines
from bench.drive import recorded
from micropython_runs.runners import run_wasm

POLICY = Path(loopwarden.policy.__file__).parent
FIRMWARE = POLICY.parents[1]
GUEST = Path(__file__).parents[1] / "policy" / "guest"
LIVE_MOST = 110_000
THREE_FAULTS_MOST = 130_000
WORST_MOST = 350_000
LINES_MOST = 1_499  # fewer than 1,500 are wanted


def cost(files, first, last):
    script = (GUEST / "tick_cost.py").read_text(encoding="utf-8")
    window = f"{first} {last}".encode()
    return json.loads(run_wasm(script, path=[FIRMWARE, GUEST], files={**files, "window.txt": window}).stdout)


@pytest.mark.parametrize(("faults", "most"), [(False, LIVE_MOST), (True, THREE_FAULTS_MOST)])
def test_the_mean_tick_of_a_drive(faults, most):
    """A minute of the published trace from its start, and the same with three faults that stand."""
    answer = cost(*recorded(60_000, faults=faults))
    assert answer["mean"] <= most
    assert answer["heap"] == 0


@pytest.mark.parametrize("name", STORIES)
def test_the_worst_tick_of_a_story(name):
    """Everything going bad at once among them."""
    build, ticks, _ = told(name)
    assert cost({"build.json": build, "ticks.bin": ticks}, 0, 0)["most"] <= WORST_MOST


def test_the_policy_can_be_read_in_one_sitting():
    """Without blank lines, comments and docstrings; the texts of the fault table stand in a file of their own."""
    assert folder_lines(POLICY) <= LINES_MOST
