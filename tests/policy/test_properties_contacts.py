"""Welds and pole proofs as properties, with any pack, any step of time, and a weld at any moment of the day.

What has welded is known to the plant only. From the published sequences: the negative main is proven on the way up,
by a bus that stays down with the precharge contactor alone; the positive main on the way down; the precharge contactor
in either. A weld is a lock of its own name (S9), which survives a power cut, and "why" gives the bus as it was (S13).
S1: a positive main that was not proven open, by the last opening or by a contact that is closed while the main is open
and surely read, is not closed onto.
"""

import copy
import re
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden import signals as S
from loopwarden.words import why

from .rig import Rig, device_build
from .test_properties_pairs import examples
from .test_start_checks import ready_to_start

BUILDS = ("orchard_truck", "bench_cart")
CLOSED = {"positive", "negative", "precharge"}
STEPS_MS = st.sampled_from((10, 20, 20, 33, 40))


@cache
def driven(name):
    """Live and driven, standing again."""
    return Rig(device_build(name)).drive().stand()


@cache
def awake(name):
    """Without feedback contacts, which would refuse before anything is tested."""
    return Rig(device_build(name, feedback=0)).wake()


def start(rig, ticks):
    """Key on and a press; after so many ticks the story ends. What was ever commanded together, as names."""
    rig.turn_key().start = 1
    seen = set()
    for tick in range(ticks):
        rig.start = 1 if tick < 5 else 0
        rig.tick()
        seen.add(frozenset(rig.commanded & CLOSED))
    return seen


def stays_a_lock(rig, names):
    """One of these rows is there, tells the bus that it saw, and is there after a power cut."""
    found = rig.faults & names
    assert found, rig.story()
    for name in found:
        told = why(rig.sup, name)
        volts = [float(figure) for figure in re.findall(r"bus \D*?(\d+\.?\d*) V", told)]
        assert volts, told
        assert all(0 <= volt <= 1.1 * rig.plant.pack_v for volt in volts), told
    rig.key = 0
    rig.cut_power()
    rig.run(400)
    assert found <= rig.faults, rig.story()
    assert not {closed for closed in start(rig, 60) if closed}, rig.story()


@pytest.mark.parametrize("name", BUILDS)
@examples(8)
@given(low=st.integers(0, 100), dt=STEPS_MS)
def test_a_welded_negative_main_is_found_by_the_precharge_contactor_alone(name, low, dt):
    """Nothing is closed after that, and least of all the positive main, without a resistor between."""
    rig = copy.deepcopy(awake(name))
    b = rig.build
    rig.plant.pack_v = (b.pack_derate_mv + (b.charge_end_mv - b.pack_derate_mv) * low // 100) / 1000
    rig.plant.negative.welded = True
    rig.dt = dt
    seen = start(rig, 3_000 // dt)
    assert seen <= {frozenset(), frozenset({"precharge"})}, seen
    stays_a_lock(rig, {"NEGATIVE_WELDED"})


@pytest.mark.parametrize("name", BUILDS)
@examples(8)
@given(low=st.integers(0, 100), dt=STEPS_MS)
def test_a_welded_precharge_contactor_is_found_by_the_negative_main_alone(name, low, dt):
    rig = copy.deepcopy(awake(name))
    b = rig.build
    rig.plant.pack_v = (b.pack_derate_mv + (b.charge_end_mv - b.pack_derate_mv) * low // 100) / 1000
    rig.plant.precharge.welded = True
    rig.dt = dt
    seen = start(rig, 3_000 // dt)
    assert seen <= {frozenset(), frozenset({"precharge"}), frozenset({"negative"})}, seen
    stays_a_lock(rig, {"PRECHARGE_WELDED"})


@pytest.mark.parametrize("name", BUILDS)
@examples(10)
@given(wait=st.integers(0, 50))
def test_a_main_that_welds_in_a_drive_is_found_at_its_end(name, wait):
    rig = copy.deepcopy(driven(name))
    rig.plant.positive.welded = True
    for _ in range(wait):
        rig.tick()
    rig.key = 0
    rig.until(lambda r: "POSITIVE_WELDED" in r.faults, 60_000)
    stays_a_lock(rig, {"POSITIVE_WELDED"})


def pressed(rig, word, known, ticks):
    """A start press during which the positive main's contact reads so, for less than any set time."""
    rig.start = 1
    begun = False
    for tick in range(60):
        rig.held.clear()
        if tick < ticks:
            rig.fill()
            rig.held["bits"] = rig.inputs.bits & ~S.AUX_POSITIVE | word * S.AUX_POSITIVE
            rig.held["known"] = rig.inputs.known & ~S.AUX_POSITIVE | known * S.AUX_POSITIVE
        rig.start = 1 if tick < 5 else 0
        rig.tick()
        begun = begun or bool(rig.commanded & CLOSED)
    return begun


@examples(2)
@given(
    feedback=st.sampled_from((0, 1, 2)),
    proven=st.booleans(),
    reports_closed=st.booleans(),
    known=st.booleans(),
    wait=st.integers(0, 20),
)
def test_a_start_needs_a_positive_main_that_is_proven_open(feedback, proven, reports_closed, known, wait):
    """By the last opening, or by a contact that closes when the main opens (feedback 2) and reads open, surely."""
    rig = copy.deepcopy(ready(feedback))
    for _ in range(wait):
        rig.tick()
    rig.memory.positive_proven = proven
    by_contact = feedback == 2 and known and not reports_closed
    assert pressed(rig, reports_closed, known, 4) == (proven or by_contact), rig.story()


@cache
def ready(feedback):
    return ready_to_start(device_build(feedback=feedback))
