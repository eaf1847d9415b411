"""Isolation resistance against the build's limits, in ohm for its highest working voltage. Judges, never acts.

A reading from before closing says nothing about the bus behind the contactors: after closing, the first settled
reading is awaited, and only a reading far below the limit counts before it.
"""

from loopwarden import signals as S
from loopwarden.policy.part import Part

_SLOTS = ((7, 0), (8, 0), (9, 0), (11, 0), (12, 0), (8, 1, 5000))
_WARN, _FAULT, _LOST, _DEVICE, _IMPLAUSIBLE, _GROSS = [1 << n for n in range(6)]  # gross: counts while settling
_UNSETTLED_MS = 30000


class Isolation(Part):
    """Attributes: good (valid and above the fault limit, now), settled (a reading counts since the last close).

    watching is set by the phases: 0 while plugged in and another monitor is in charge.
    """

    def __init__(self, build, faults):
        self.good = self.closed_ms = self.steady = 0
        self.settled = self.watching = 1
        self.group = faults.add(_SLOTS)

    def step(self, dt):
        """Judge one turn; dt: ms since the last turn."""
        i = self.inputs
        b = self.build
        ohm = i.isolation_ohm
        if not self.settled:
            self.closed_ms = min(self.closed_ms + dt, _UNSETTLED_MS) if self.closed_ms + 1 else 0
            if 0 <= i.isolation_age_ms <= self.closed_ms - b.iso_settle_ms and not (i.isolation_state or ohm is None):
                self.settled = 1
            elif self.closed_ms >= _UNSETTLED_MS and self.watching:
                self.faults.trip(10, self.closed_ms)
        self.good = not i.isolation_state and ohm is not None and ohm >= b.iso_fault_ohm
        if not self.watching:
            bad = (_WARN | _FAULT | _LOST | _DEVICE | _IMPLAUSIBLE | _GROSS) << 15
        elif i.isolation_state or ohm is None:
            bad = _DEVICE if i.isolation_state == S.DEVICE else _IMPLAUSIBLE if i.isolation_state == S.RANGE else _LOST
            bad |= (_WARN | _FAULT | _GROSS) << 15
        elif self.settled:
            bad = _WARN if ohm < (b.iso_warn_clear_ohm if self.faults.places[7] else b.iso_warn_ohm) else 0
            bad |= 0 if self.good else _FAULT
        else:
            bad = (_WARN | _FAULT) << 15 | (_GROSS if ohm * 2 < b.iso_fault_ohm else 0)
        if bad != self.steady:
            self.steady = self.faults.count(self.group, bad)
