"""S1 as a property: whatever is wrong together, since when and for however long a press, nothing closes.

What can be wrong is listed in test_start_checks.py, where each is wrong alone; here hypothesis chooses.
"""

import copy
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden import signals as S
from loopwarden.policy import start_checks as C

from .test_start_checks import NO_CONTACT, WRONG, hold, ready_to_start

CLOSED = {"positive", "negative", "precharge"}


@cache
def ready(proven_by_contact):
    return ready_to_start(None if proven_by_contact else NO_CONTACT)


def accepted(rig):
    """Whether a start was: even one that is given up before anything closes."""
    return rig.commanded & CLOSED or rig.memory.mark or rig.phase == "precharging"


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
            assert not accepted(rig), (sorted(names), rig.story())


# Judged in the tick of the press itself; the rest of them refuses by a fault, which has to last.
LASTING = {"loop to ground", "loop to supply", "journal nearly full", "known voltage off", "known voltage unreadable"}
LASTING |= {"heap low", "coil driver fault", "coil driver unreadable", "rolling"}
AT_ONCE = {name: wrong for name, (wrong, _) in WRONG.items() if name not in LASTING}
AT_ONCE |= {"a pulse of the wheel": hold(speed_pulses=1, speed_mm_s=1_000, speed_state=S.OK)}


def healed_by(rig, wrongs):
    """Have them strike; what undoes them."""
    parts = (rig, rig.memory, rig.plant, rig.sup.resistors)
    was = [{k: v for k, v in vars(part).items() if v is None or isinstance(v, int | float)} for part in parts]
    for wrong in wrongs:
        wrong(rig)
    changed = [
        (part, name, value)
        for part, before in zip(parts, was, strict=True)
        for name, value in before.items()
        if getattr(part, name) != value
    ]

    def heal():
        rig.held.clear()
        for part, name, value in changed:
            setattr(part, name, value)

    return heal


@pytest.mark.parametrize("name", AT_ONCE)
@given(
    others=st.sets(st.sampled_from(sorted(AT_ONCE)), max_size=2),
    before=st.sampled_from((0, 0, 1, 2, 5)),
    pressed=st.integers(1, 20),
)
@settings(max_examples=max(settings().max_examples // 8, 1))
def test_what_is_wrong_in_the_tick_of_the_press_alone_refuses_it(name, others, before, pressed):
    """Too short for any fault, and good again at once: it takes a fresh press."""
    names = sorted({name, *others})
    rig = copy.deepcopy(ready(not any("proven" in name for name in names)))
    heal = healed_by(rig, [AT_ONCE[name] for name in names])
    for _ in range(before):
        rig.tick()
    rig.start = 1
    rig.tick()
    heal()
    for tick in range(pressed + 60):
        if tick == pressed:
            rig.start = 0
        rig.tick()
        assert not accepted(rig), (names, rig.story())


@given(pressed=presses, since_ms=SINCE_MS)
def test_with_nothing_wrong_the_first_press_starts(pressed, since_ms):
    """Otherwise the refusals above would prove nothing."""
    rig = copy.deepcopy(ready(True))
    rig.run(since_ms)
    rig.start = 1
    rig.run(20 * pressed[0][0])
    rig.start = 0
    rig.until(lambda r: r.commanded & CLOSED, 2_000)
