"""Three kinds of loop: closed is believed only on proof, and a short is told from an open wire where it can be."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.convert.loops import LEVEL, RESISTOR, TOGGLED, Loops
from loopwarden.convert.raw import Raw
from loopwarden.signals import LOOP0


def loops(kind: int) -> Loops:
    """One loop of that kind; a resistor loop is closed from 1300 to 1480 counts, shorted below 300 and above 3800."""
    return Loops(
        SimpleNamespace(
            convert_loop_sense=[kind],
            convert_loop_ground_counts=[300],
            convert_loop_closed_low_counts=[1300],
            convert_loop_closed_high_counts=[1480],
            convert_loop_supply_counts=[3800],
        )
    )


def state(made: Loops) -> str:
    if made.unread:
        assert not made.closed, "unknown and closed at once"
        return "unread"
    found = [name for name in ("closed", "low", "high") if getattr(made, name)]
    assert len(found) <= 1
    return found[0] if found else "open"


def test_a_level_loop_is_closed_while_high() -> None:
    made, raw = loops(LEVEL), Raw()
    made.step(raw)
    assert state(made) == "open"
    raw.levels = LOOP0
    made.step(raw)
    assert state(made) == "closed"


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        (None, "unread"),
        (0, "low"),
        (299, "low"),
        (300, "open"),
        (1299, "open"),
        (1300, "closed"),
        (1480, "closed"),
        (1481, "open"),
        (3800, "open"),
        (3801, "high"),
        (4095, "high"),
    ],
)
def test_a_resistor_loop_at_both_sides_of_each_line(counts: int | None, expected: str) -> None:
    made, raw = loops(RESISTOR), Raw()
    raw.loop_counts[0] = counts  # type: ignore[call-overload]
    made.step(raw)
    assert state(made) == expected


def toggle(made: Loops, echoes: str) -> list[str]:
    """Step with the level changing each time; an echo is = (follows), ! (the opposite), 0 or 1."""
    raw, seen = Raw(), []
    for number, echo in enumerate(echoes):
        raw.loop_driven = number & 1
        level = {"=": raw.loop_driven, "!": 1 - raw.loop_driven, "0": 0, "1": 1}[echo]
        raw.levels = LOOP0 * level
        made.step(raw)
        seen.append(state(made))
    return seen


@pytest.mark.parametrize(
    ("echoes", "last"), [("======", "closed"), ("!!!!!!", "open"), ("000000", "low"), ("111111", "high")]
)
def test_a_toggled_loop_tells_all_four_states_apart(echoes: str, last: str) -> None:
    seen = toggle(loops(TOGGLED), echoes)
    assert seen[0] == "unread", "one sample proves nothing"
    assert seen[2:] == [last] * 4


@pytest.mark.parametrize("after", ["!", "0", "1"])
def test_a_toggled_loop_that_breaks_stops_reading_closed_within_two_ticks(after: str) -> None:
    assert "closed" not in toggle(loops(TOGGLED), "====" + after * 4)[5:]


def test_a_pattern_that_stands_still_proves_nothing() -> None:
    """A board that no longer drives the loop must not take the old level for an echo."""
    made, raw = loops(TOGGLED), Raw()
    toggle(made, "====")
    raw.loop_driven, raw.levels = 1, LOOP0
    made.step(raw)
    made.step(raw)
    assert state(made) == "unread"


@given(st.text(alphabet="=!01", min_size=2, max_size=40))
def test_closed_needs_two_right_echoes_in_a_row(echoes: str) -> None:
    seen = toggle(loops(TOGGLED), echoes)
    for number in range(1, len(echoes)):
        right = [echo in ("=", str(at & 1)) for at, echo in enumerate(echoes)]
        assert (seen[number] == "closed") == (right[number] and right[number - 1])
