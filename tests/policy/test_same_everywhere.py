"""S14: the same inputs give bit-identical outputs under CPython, 64-bit MicroPython and 32-bit MicroPython."""

from pathlib import Path

import micropython
import pytest

import loopwarden
from loopwarden_sim.scenario import load_scenario
from micropython_runs.runners import run_cpython, run_unix, run_wasm

from .recordings import record
from .stories import STORIES, told

GUEST = Path(__file__).parent / "guest"
FIRMWARE = Path(loopwarden.__file__).parents[1]
STAND_IN = Path(micropython.__file__).parent
SCENARIOS = Path(__file__).parents[2] / "host_sim" / "scenarios"
# Physics instead of an ideal circuit, converters with noise, power cuts, resets, links' requests, a new memory.
REPLAYED = [
    "start_drive_stop",
    "emergency_stop_at_speed",
    "positive_main_welded",
    "key_turned_again_and_again",
    "board_reset_at_speed",
    "supply_cut_again_and_again_while_precharging",
    "pack_hot_ramps_the_limits",
    "isolation_warning_limits_and_heals",
    "charge_to_the_end_voltage",
    "cart_after_an_emergency_stop",
    "memory_new_truck",
]
SCRIPT = (GUEST / "digest.py").read_text(encoding="utf-8")


def everywhere(build, ticks):
    """What each of the three prints for a recording."""
    files = {"build.json": build, "ticks.bin": ticks}
    path = [FIRMWARE, GUEST]
    return {
        "CPython": run_cpython(SCRIPT, path=[*path, STAND_IN], files=files),
        "64 bit": run_unix(SCRIPT, path=path, files=files),
        "32 bit": run_wasm(SCRIPT, path=path, files=files).stdout,
    }


@pytest.mark.parametrize("name", STORIES)
def test_three_interpreters_decide_alike(name):
    """Digest over every output of every tick; active faults, stored codes and freeze frames at the end."""
    build, ticks, count = told(name)
    answers = everywhere(build, ticks)
    assert answers["CPython"].split()[1] == str(count)
    assert answers["64 bit"] == answers["CPython"]
    assert answers["32 bit"] == answers["CPython"]


@pytest.mark.parametrize("name", REPLAYED)
def test_three_interpreters_decide_alike_in_a_scenario(name):
    """And as the run of the scenario itself did: the replay ends with the same stored codes."""
    outcome, build, ticks, count = record(load_scenario(SCENARIOS / f"{name}.toml"))
    answers = everywhere(build, ticks)
    lines = answers["CPython"].splitlines()
    assert lines[0].split()[1] == str(count)
    assert len(lines) - 2 == len(outcome.codes)
    assert answers["64 bit"] == answers["CPython"]
    assert answers["32 bit"] == answers["CPython"]


def test_one_other_reading_is_another_digest():
    """The digest is wired in: a story with its end cut off, and another story, do not pass for it."""
    one = everywhere(*told("cart, all bad")[:2])["CPython"]
    other = everywhere(*told("cart, blind")[:2])["CPython"]
    assert one.split()[0] != other.split()[0]
