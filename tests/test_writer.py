"""Moments as people write them. Reference: Python's own calendar."""

from datetime import UTC, datetime, timedelta

from hypothesis import example, given
from hypothesis import strategies as st

from loopwarden.writer import Writer

BEGIN = datetime(2020, 1, 1, tzinfo=UTC)


@given(st.integers(0, int((datetime(2099, 12, 31, tzinfo=UTC) - BEGIN).total_seconds())))
@example(59 * 86400)  # 29 February 2020
@example(366 * 86400 - 1)
def test_a_moment_is_that_of_the_calendar(seconds):
    writer = Writer(64)
    writer.moment(seconds)
    buffer = bytearray(64)
    size = writer.take(buffer)
    assert buffer[:size].decode() == f"{BEGIN + timedelta(seconds=seconds):%Y-%m-%d %H:%M} UTC"
