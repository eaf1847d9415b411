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
        self.stale_ms = build.convert_iso_stale_ms
        self.good_ohm = build.convert_iso_good_ohm
        self.bad_ohm = build.convert_iso_bad_ohm
        self.quick_ms = -1 if self.kind == LINE else self.stale_ms  # younger, and without a fresh one, nothing changes
        self.ohm = None
        self.state = STALE
        self.age_ms = _AGE_MAX_MS
        if build.convert_iso_points:
            reads = self._reads(build, build.convert_iso_points, build.convert_iso_ohm)
            next(reads)
            self.read = reads.send

    def step(self, raw, dt_ms):
        """Take this tick's raw values. Heap: none."""
        if self.kind == LINE:  # a broken wire reads as "bad", so it needs no proof of life
            self.ohm = self.good_ohm if raw.isolation_level else self.bad_ohm
            self.state = OK
            self.age_ms = 0
        elif raw.isolation_fresh:
            self.age_ms = 0
            ohm = self.read(raw)
            self.ohm = ohm if ohm >= 0 else None
            self.state = OK if ohm >= 0 else -ohm
        else:
            age_ms = self.age_ms + dt_ms
            if age_ms > self.stale_ms:
                age_ms = min(age_ms, _AGE_MAX_MS)
                self.ohm = None
                self.state = STALE
            self.age_ms = age_ms

    def _reads(self, build, points, points_ohm):
        # A generator, as in loops.py: gets a raw with a fresh period, gives ohms, or below 0 a state that is not OK.
        duty = self.kind == DUTY
        slope = _slopes(points, points_ohm)
        fault_from, fault_to = build.convert_iso_fault_low, build.convert_iso_fault_high
        # The reading goes stale after three periods, so a third of that is the period that a duty cycle must have.
        period_min_us = self.stale_ms * 1000 // 15 * 4 if duty else 1
        period_max_us = self.stale_ms * 1000 // 15 * 6 if duty else _PERIOD_MAX_US
        # Just beyond an end of the table the end still holds: 1 % of duty, 2 % of the lowest frequency.
        margin = 100 if duty else points[0] // 50
        first, last = points[0], points[-1]
        ohm = at = 0
        while True:
            raw = yield ohm
            high_us = raw.isolation_high_us
            period_us = high_us + raw.isolation_low_us
            ohm = -RANGE
            if period_min_us <= period_us <= period_max_us:
                if duty:
                    while period_us >= 1 << 16:  # so that the product below stays a small integer
                        period_us >>= 1
                        high_us >>= 1
                    x = high_us * 10000 // period_us
                else:
                    x = 100000000 // period_us
                if fault_from <= x <= fault_to:
                    ohm = -DEVICE
                elif first - margin <= x <= last + margin:
                    if x <= first:
                        ohm = points_ohm[0]
                    elif x >= last:
                        ohm = points_ohm[-1]
                    else:
                        while x < points[at]:  # from where the last one was found
                            at -= 1
                        while x >= points[at + 1]:
                            at += 1
                        ohm = points_ohm[at] + (slope[at] * (x - points[at]) >> 4)


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
