"""A linear channel: straight between its two points, and no number at all where a wire could be broken."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.convert.linear import COUNTS_MAX, NO_LOWEST, RAIL_HIGH, Linear
from loopwarden.signals import OK, OPEN, RANGE, SHORT, STALE

from .builds import build


def truck_bus() -> Linear:
    """400 counts at 0 V, 3900 at 500 V, broken below 200: half of the live zero."""
    return Linear(400, 3900, 500_000, 200, 3997, -6000)


def test_the_ends_of_the_scale() -> None:
    made = truck_bus()
    assert made.read(400) == 0
    assert made.read(3900) == pytest.approx(500_000, abs=40)
    assert made.read(2150) == pytest.approx(250_000, abs=40)
    assert made.state == OK


@pytest.mark.parametrize(
    ("counts", "state"),
    [(None, STALE), (0, OPEN), (199, OPEN), (200, RANGE), (350, RANGE), (3998, SHORT), (4095, SHORT)],
)
def test_what_no_sound_channel_gives_is_no_number(counts: int | None, state: int) -> None:
    """S10: a zero that a broken wire could give is no reading; 350 counts would be -7 V, more than any error."""
    made = truck_bus()
    made.read(1000)
    assert made.read(counts) is None
    assert made.state == state


def test_both_sides_of_each_line() -> None:
    made = truck_bus()
    assert made.read(3997) is not None
    assert made.read(359) is not None  # -5.9 V: twice the stated error and a little
    assert made.read(357) is None  # -6.1 V


@given(
    zero=st.integers(0, 2048),
    span=st.integers(50, 2000),
    full=st.integers(10, 1_500_000),
    counts=st.integers(0, COUNTS_MAX),
)
def test_every_channel_is_straight_monotone_and_small(zero: int, span: int, full: int, counts: int) -> None:
    """Against the line in fractions; every product fits 30 bits, and more counts never read less."""
    made = Linear(zero, zero + span, full, 0, COUNTS_MAX, NO_LOWEST)
    value = made.read(counts)
    assert value is not None
    assert value == pytest.approx((counts - zero) * full / span, abs=COUNTS_MAX / (2 << made.shift) + 1)
    assert abs((counts - zero) * made.slope) < 2**30
    if counts < COUNTS_MAX:
        assert made.read(counts + 1) >= value


@given(st.one_of(st.none(), st.integers(0, COUNTS_MAX)))
def test_unknown_never_becomes_a_number(counts: int | None) -> None:
    made = truck_bus()
    value = made.read(counts)
    assert (value is None) == (made.state != OK)
    assert counts is not None or made.state == STALE


def test_a_small_scale_is_not_rounded_away() -> None:
    """A 1.5 V reference on a 3.3 V converter: one count is 0.8 mV, and the reading is within that."""
    made = Linear(0, COUNTS_MAX, 3300, 0, RAIL_HIGH, 0)
    for counts in range(0, RAIL_HIGH, 7):
        assert made.read(counts) == pytest.approx(counts * 3300 / 4095, abs=1.5)


def test_a_rail_is_never_believed_without_a_live_zero() -> None:
    """The supply channel has no live zero: near ground it is broken, as the board itself runs from that supply."""
    made = Linear(0, build().convert_supply_full_counts, build().convert_supply_full_mv, 16, RAIL_HIGH, 0)
    assert made.read(15) is None
    assert made.read(RAIL_HIGH + 1) is None
    assert made.read(2760) == pytest.approx(13_800, abs=5)
