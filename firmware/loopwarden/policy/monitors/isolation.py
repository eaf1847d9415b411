"""Isolation resistance against the build's limits, in ohm for its highest working voltage. Judges, never acts.

A reading from before closing says nothing about the bus behind the contactors: after closing, the first settled
reading is awaited, and only a reading far below the limit counts before it.
"""

from micropython import const

from loopwarden.policy import signals as S

_WARN = const(1 << 0)
_FAULT = const(1 << 1)
_LOST = const(1 << 2)
_DEVICE = const(1 << 3)
_IMPLAUSIBLE = const(1 << 4)
_GROSS = const(1 << 5)
_UNKNOWN = const(15)
_GROSS_MS = const(5000)
_UNSETTLED_MS = const(30000)


class Isolation:
    """Attributes: good (valid and above the fault limit, now), settled (a reading counts since the last close)."""

    def __init__(self, build, faults):
        self.build = build
        self.faults = faults
        self.inputs = None
        self.good = 0
        self.settled = 1
        self.closed_ms = 0
        self.watching = 1  # set by the phases: 0 while plugged in and another monitor is in charge
        self.group = faults.add(((7, 0), (8, 0), (9, 0), (11, 0), (12, 0)))
        self.gross_group = faults.add(((8, 1),), _GROSS_MS)  # far below the limit: counts while still settling
        self.steady = 0
        self.gross_steady = 0

    def closing(self):
        """The contactors close: what was read before is history."""
        self.settled = 0
        self.closed_ms = 0

    def opened(self):
        """The contactors are open again."""
        self.settled = 1

    def step(self, dt):
        """Judge one turn; dt: ms since the last turn."""
        i = self.inputs
        if not self.settled:
            self._settle(i, dt)
        bad = 0
        gross = 0
        ohm = i.isolation_ohm
        if i.isolation_state == S.OK and ohm is not None:
            if ohm < self.build.iso_warn_ohm:
                bad = _WARN
            elif ohm < self.build.iso_warn_clear_ohm and self.faults.is_on(7):
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
        if state == S.DEVICE:
            return bad | _DEVICE
        if state == S.RANGE:
            return bad | _IMPLAUSIBLE
        return bad | _LOST

    def _settle(self, i, dt):
        self.closed_ms = min(self.closed_ms + dt, _UNSETTLED_MS)
        since = self.closed_ms - self.build.iso_settle_ms
        if since >= 0 and i.isolation_state == S.OK and i.isolation_age_ms <= since:
            self.settled = 1
        elif self.closed_ms >= _UNSETTLED_MS and self.watching:
            self.faults.trip(10, self.closed_ms)
