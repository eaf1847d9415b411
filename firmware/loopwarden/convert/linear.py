"""Counts of a linear channel to millivolts or milliamperes, and whether they can be believed."""

from micropython import const

from loopwarden.signals import OK, OPEN, RANGE, SHORT, STALE

COUNTS_MAX = const(4095)
RAIL_LOW = const(16)  # a sound channel without a live zero never gets this close to ground
RAIL_HIGH = const(4079)  # nor this close to the converter's supply
NO_LOWEST = const(-(1 << 30) + 1)
_SLOPE_MAX = const(262142)  # times 4095 counts it stays below 2**30, rounding included
_FULL_MAX = const(1 << 28)
_FINE = const(12)


class Linear:
    """One channel. `state` tells of the last reading; the value is None unless it is OK (S10).

    line                (first, high, zero, slope, shift): from `first` to `high` counts the value is good, and is
                        (counts - zero) * slope >> shift; who is in haste reckons so and calls read for all others
    zero, full_counts   counts at 0 and at `full` (millivolt or milliampere)
    low, high           fewer counts are a broken wire (half of a live zero, or the rail), more are the upper rail
    lowest              a value below it cannot be; what lies between it and 0 is error and noise, and stays as it is
    """

    def __init__(self, zero, full_counts, full, low, high, lowest):
        self.zero = zero
        self.low = low
        self.high = high
        self.lowest = lowest
        self.state = STALE
        span = full_counts - zero
        self.shift = 0  # bits behind the point of the slope: as many as the product leaves room for
        while self.shift < _FINE and full << self.shift < _FULL_MAX and (full << self.shift) // span < _SLOPE_MAX >> 1:
            self.shift += 1
        self.slope = ((full << self.shift) + span // 2) // span
        self.line = self._line()

    def _line(self):
        first = self.low
        if self.lowest != NO_LOWEST:
            first = max(first, self.zero - (-self.lowest << self.shift) // self.slope)
        return first, self.high, self.zero, self.slope, self.shift

    def read(self, counts):
        """Return the value of `counts`, or None. Heap: none."""
        line = self.line
        if counts is None:
            self.state = STALE
        elif line[0] <= counts <= line[1]:
            self.state = OK
            return (counts - line[2]) * line[3] >> line[4]
        elif counts > line[1]:
            self.state = SHORT
        elif counts < self.low:
            self.state = OPEN
        else:
            self.state = RANGE
        return None
