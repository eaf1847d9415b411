"""Isolation resistance against the build's limits, in ohm for its highest working voltage. Judges, never acts.

A reading from before closing says nothing about the bus behind the contactors: after closing, the first settled
reading is awaited, and only a reading far below the limit counts before it.
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_WARN, _FAULT, _LOST, _DEVICE, _IMPLAUSIBLE = [1 << n for n in range(5)]
_UNKNOWN = const(15)
_GROSS_MS = const(5000)
_UNSETTLED_MS = const(30000)


class Isolation(Part):
    """Attributes: good (valid and above the fault limit, now), settled (a reading counts since the last close).

    watching is set by the phases: 0 while plugged in and another monitor is in charge.
    """

    def __init__(self, build, faults):
        super().__init__(build, faults)
        self.good = self.closed_ms = self.steady = self.gross_steady = 0
        self.settled = self.watching = 1
        self.group = faults.add([(row, 0) for row in (7, 8, 9, 11, 12)])
        self.gross_group = faults.add(((8, 1),), _GROSS_MS)  # far below the limit: counts while still settling

    def closing(self):
        """The contactors close: what was read before is history."""
        self.settled = self.closed_ms = 0

    def opened(self):
        """The contactors are open again."""
        self.settled = 1

    def step(self, dt):
        """Judge one turn; dt: ms since the last turn."""
        i = self.inputs
        if not self.settled:
            self._settle(i, dt)
        bad = gross = 0
        ohm = i.isolation_ohm
        if i.isolation_state == S.OK and ohm is not None:
            if ohm < (self.build.iso_warn_clear_ohm if self.faults.slots_on[7] else self.build.iso_warn_ohm):
                bad = _WARN
            if ohm < self.build.iso_fault_ohm:
                bad |= _FAULT
                if ohm * 2 < self.build.iso_fault_ohm and not self.settled:
                    gross = 1
            self.good = not bad & _FAULT
            if not self.settled:
                bad = (_WARN | _FAULT) << _UNKNOWN
        else:
            self.good = 0
            bad = self._no_reading(i.isolation_state)
            gross = 1 << _UNKNOWN
        if not self.watching:
            bad = (_WARN | _FAULT | _LOST | _DEVICE | _IMPLAUSIBLE) << _UNKNOWN
            gross = 1 << _UNKNOWN
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        if gross != self.gross_steady:
            self.gross_steady = self.faults.update(self.gross_group, gross)

    def _no_reading(self, state):
        bad = (_WARN | _FAULT) << _UNKNOWN
        return bad | (_DEVICE if state == S.DEVICE else _IMPLAUSIBLE if state == S.RANGE else _LOST)

    def _settle(self, i, dt):
        self.closed_ms = min(self.closed_ms + dt, _UNSETTLED_MS)
        since = self.closed_ms - self.build.iso_settle_ms
        if since >= 0 and i.isolation_state == S.OK and i.isolation_age_ms <= since:
            self.settled = 1
        elif self.closed_ms >= _UNSETTLED_MS and self.watching:
            self.faults.trip(10, self.closed_ms)
