"""Fewer points, and still every peak and every gap: held for any column."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from loopwarden_report.thinning import Thinning, broken, thinning

READING = st.one_of(st.just(float("nan")), st.floats(-1e6, 1e6))
NONE = np.empty(0, np.int64)


@given(st.lists(READING, min_size=1, max_size=200), st.integers(2, 30))
def test_lowest_highest_and_missing_of_each_bucket_are_drawn(values, size):
    column = np.array(values)
    places = Thinning(size, NONE).places(column)
    assert (np.diff(places) > 0).all()
    assert places[0] == 0
    assert places[-1] == len(column) - 1
    for begin in range(0, len(column), size):
        bucket = column[begin : begin + size]
        drawn = column[places[(places >= begin) & (places < begin + size)]]
        assert np.isnan(bucket).any() == np.isnan(drawn).any()
        if np.isfinite(bucket).any():
            assert np.nanmin(drawn) == np.nanmin(bucket)
            assert np.nanmax(drawn) == np.nanmax(bucket)


@given(st.lists(READING, min_size=1, max_size=200), st.integers(2, 30))
def test_no_more_than_three_points_a_bucket_and_both_ends(values, size):
    places = Thinning(size, NONE).places(np.array(values))
    assert len(places) <= 3 * -(-len(values) // size) + 2


def test_a_short_drive_is_drawn_tick_by_tick():
    t_s = np.arange(100) * 0.02
    assert thinning(t_s, [], buckets=50).size == 1
    assert thinning(t_s, [], buckets=50).places(t_s).tolist() == list(range(100))


def test_near_a_code_every_tick_is_drawn():
    t_s = np.arange(100_000) * 0.02
    places = thinning(t_s, [1000.0]).places(np.zeros(100_000))
    drawn_s = t_s[places]
    near = drawn_s[(drawn_s >= 999.0) & (drawn_s < 1002.0)]
    assert len(near) == 150
    assert len(places) < 4000


def test_a_line_does_not_bridge_a_time_without_ticks():
    x, y = broken(np.array([0.0, 0.02, 5.0, 5.02]), np.array([1.0, 1.0, 2.0, 2.0]), 0.05)
    assert np.isnan(y).tolist() == [False, False, True, False, False]
    assert 0.02 < x[2] < 5.0
