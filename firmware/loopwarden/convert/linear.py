"""Counts of a linear channel to millivolts or milliamperes, and whether they can be believed."""

from micropython import const

from loopwarden.policy.signals import OK, OPEN, RANGE, SHORT, STALE

RAIL_LOW = const(16)  # a sound channel without a live zero never gets this close to ground
RAIL_HIGH = const(4080)  # nor this close to the converter's supply


class Linear:
    """One channel. `state` tells of the last reading; the value is None unless it is OK (S10).

    zero         counts at 0
    slope        1/64 millivolt (or milliampere) per count, below 2**18 so that every product fits
    open_below   counts below which the wire is broken: half of a live zero, or the rail
    lowest       a value below this cannot be; what lies between it and 0 is error and noise, and stays as it is
    """

    def __init__(self, zero, slope, open_below, lowest):
        self.zero = zero
        self.slope = slope
        self.open_below = open_below
        self.lowest = lowest
        self.state = STALE

    def read(self, counts):
        """Return the value of `counts`, or None. Heap: none."""
        if counts is None:
            self.state = STALE
            return None
        if counts < self.open_below:
            self.state = OPEN
            return None
        if counts >= RAIL_HIGH:
            self.state = SHORT
            return None
        value = (counts - self.zero) * self.slope >> 6
        if value < self.lowest:
            self.state = RANGE
            return None
        self.state = OK
        return value
