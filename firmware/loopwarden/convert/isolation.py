"""The isolation monitor's line, duty cycle or frequency to ohms, and whether they can be believed.

The points come from the monitor's data sheet, by way of the build file. Between two points the value is linear.
"""

from micropython import const

from loopwarden.signals import DEVICE, OK, RANGE, STALE

LINE = const(0)
DUTY = const(1)
FREQUENCY = const(2)
_AGE_MAX_MS = const(60000)  # older is no different, and the number stays small
_PERIOD_MAX_US = const(10000000)


class Isolation:
    """`ohm`, `state` and `age_ms` of the last reading; `ohm` is None unless the state is OK (S10)."""

    def __init__(self, build):
        self.kind = build.convert_iso_output
        self.x = build.convert_iso_points
        self.points_ohm = build.convert_iso_ohm
        self.fault_from = build.convert_iso_fault_low
        self.fault_to = build.convert_iso_fault_high
        self.stale_ms = build.convert_iso_stale_ms
        self.good_ohm = build.convert_iso_good_ohm
        self.bad_ohm = build.convert_iso_bad_ohm
        self.slope = _slopes(self.x, self.points_ohm)
        # The reading goes stale after three periods, so a third of that is the period that a duty cycle must have.
        self.period_min_us = self.stale_ms * 1000 // 15 * 4
        self.period_max_us = self.stale_ms * 1000 // 15 * 6
        if self.kind == FREQUENCY:
            self.period_min_us = 1
            self.period_max_us = _PERIOD_MAX_US
        # Just beyond an end of the table the end still holds: 1 % of duty, 2 % of the lowest frequency.
        self.margin = 100
        if self.kind == FREQUENCY:
            self.margin = self.x[0] // 50
        self.quick_ms = -1 if self.kind == LINE else self.stale_ms  # younger, and without a fresh one, nothing changes
        self.ohm = None
        self.state = STALE
        self.age_ms = _AGE_MAX_MS

    def step(self, raw, dt_ms):
        """Take this tick's raw values. Heap: none."""
        if self.kind == LINE:  # a broken wire reads as "bad", so it needs no proof of life
            self.ohm = self.good_ohm if raw.isolation_level else self.bad_ohm
            self.state = OK
            self.age_ms = 0
        elif raw.isolation_fresh:
            self.age_ms = 0
            self._period(raw.isolation_high_us, raw.isolation_low_us)
        else:
            age_ms = self.age_ms + dt_ms
            if age_ms > self.stale_ms:
                age_ms = min(age_ms, _AGE_MAX_MS)
                self.ohm = None
                self.state = STALE
            self.age_ms = age_ms

    def _period(self, high_us, low_us):
        period_us = high_us + low_us
        self.ohm = None
        self.state = RANGE
        if not self.period_min_us <= period_us <= self.period_max_us:
            return
        if self.kind == DUTY:
            while period_us >= 1 << 16:  # so that the product below stays a small integer
                period_us >>= 1
                high_us >>= 1
            self._point(high_us * 10000 // period_us)
        else:
            self._point(100000000 // period_us)

    def _point(self, x):
        if self.fault_from <= x <= self.fault_to:
            self.state = DEVICE
            return
        last = len(self.x) - 1
        if x < self.x[0] - self.margin or x > self.x[last] + self.margin:
            return
        self.state = OK
        if x <= self.x[0]:
            self.ohm = self.points_ohm[0]
        elif x >= self.x[last]:
            self.ohm = self.points_ohm[last]
        else:
            self.ohm = self._between(x)

    def _between(self, x):
        at = 0
        while x >= self.x[at + 1]:
            at += 1
        return self.points_ohm[at] + (self.slope[at] * (x - self.x[at]) >> 4)


def _slopes(x, ohm):
    """1/16 ohm per step of x, from each point to the next."""
    slopes = []
    at = 1
    while at < len(x):
        slopes.append(_slope(x, ohm, at))
        at += 1
    return slopes


def _slope(x, ohm, at):
    run = x[at] - x[at - 1]
    return (16 * (ohm[at] - ohm[at - 1]) + run // 2) // run
