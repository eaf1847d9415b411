"""A tick takes nothing from the heap, on 32 and 64 bit, whatever happens in it.

`heap` counts bytes asked for, frames of functions included, given back or not; under the 32-bit build an integer of
2**30 or more on the way would count as well.
"""

import json
from pathlib import Path

import pytest

import loopwarden
from micropython_runs.runners import run_unix, run_wasm

from .stories import STORIES, told

GUEST = Path(__file__).parent / "guest"
FIRMWARE = Path(loopwarden.__file__).parents[1]
SCRIPT = (GUEST / "tick_cost.py").read_text(encoding="utf-8")


def cost(name, run):
    build, ticks, count = told(name)
    files = {"build.json": build, "ticks.bin": ticks, "window.txt": b"0 0"}
    answer = json.loads(run(SCRIPT, path=[FIRMWARE, GUEST], files=files))
    assert answer["ticks"] == count
    return answer


def on_wasm(script, **what):
    return run_wasm(script, **what).stdout


@pytest.mark.parametrize("run", [on_wasm, run_unix], ids=["32 bit", "64 bit"])
@pytest.mark.parametrize("name", STORIES)
def test_no_tick_takes_from_the_heap(name, run):
    """`heap_at` names tick, bytes and stage."""
    answer = cost(name, run)
    assert (answer["heap"], answer["heap_at"]) == (0, [])


@pytest.mark.parametrize("run", [on_wasm, run_unix], ids=["32 bit", "64 bit"])
def test_a_tick_that_takes_from_the_heap_is_seen(run):
    """The meter is wired in: a step that makes a list of two is charged for it."""
    build, ticks, _ = told("all bad from cold")
    leaky = SCRIPT.replace("sup.step(inputs, outputs, dt_ms)", "sup.step(inputs, outputs, dt_ms), [dt_ms, dt_ms]")
    assert leaky != SCRIPT
    files = {"build.json": build, "ticks.bin": ticks, "window.txt": b"0 0"}
    assert json.loads(run(leaky, path=[FIRMWARE, GUEST], files=files))["heap"] > 0
