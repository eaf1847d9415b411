"""S1 as a property: whatever is wrong together, since when and for however long a press, nothing closes.

What can be wrong is listed in test_start_checks.py, where each is wrong alone; here hypothesis chooses.
"""

import copy
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden.policy import start_checks as C

from .test_start_checks import NO_CONTACT, WRONG, ready_to_start

CLOSED = {"positive", "negative", "precharge"}


@cache
def ready(proven_by_contact):
    return ready_to_start(None if proven_by_contact else NO_CONTACT)


# A press must be let go of before a new one counts, so each of these is a fresh edge.
presses = st.lists(st.tuples(st.integers(1, 30), st.integers(1, 30)), min_size=1, max_size=3)
SINCE_MS = st.sampled_from((400, 700, 1_300, 5_000))
FAULT_MS = 1_300  # what only a fault refuses needs its set time


@pytest.mark.parametrize("name", WRONG)
@given(others=st.sets(st.sampled_from(sorted(WRONG)), max_size=2), since_ms=SINCE_MS, pressed=presses)
@settings(max_examples=max(settings().max_examples // 8, 1))
def test_with_anything_wrong_no_press_closes_anything(name, others, since_ms, pressed):
    names = {name, *others}
    rig = copy.deepcopy(ready(not any("proven" in name for name in names)))
    for name in sorted(names):
        WRONG[name][0](rig)
    rig.run(max(since_ms, FAULT_MS) if all(WRONG[name][1] == {C.BY_FAULT} for name in names) else since_ms)
    for held, between in pressed:
        rig.start = 1
        for tick in range(held + between):
            if tick == held:
                rig.start = 0
            rig.tick()
            assert not rig.commanded & CLOSED, (sorted(names), rig.story())
            assert not rig.memory.mark, (sorted(names), rig.story())


@given(pressed=presses, since_ms=SINCE_MS)
def test_with_nothing_wrong_the_first_press_starts(pressed, since_ms):
    """Otherwise the refusals above would prove nothing."""
    rig = copy.deepcopy(ready(True))
    rig.run(since_ms)
    rig.start = 1
    rig.run(20 * pressed[0][0])
    rig.start = 0
    rig.until(lambda r: r.commanded & CLOSED, 2_000)
