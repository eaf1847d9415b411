"""Motion: standing, moving, or not known; unknown counts as moving (S4). Judges, never acts."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_STAND_MS = const(2000)  # no pulse for so long
_BRAKE_MAX = const(10)  # mm/s per ms: no wheel that rolls slows faster than 10 m/s2
_JUMP_MM_S = const(1389)  # 5 km/h
_LOST_MS = const(500)
_UNDRIVEN_MS = const(2000)  # drive current for so long without a pulse


class Motion(Part):
    """Attributes: moving (1 unless standing is proven), pulses (this tick), quiet_ms, last_mm_s.

    seen, granted: pulses, a limit since the contactors last closed. idle_ms: both limits 0 and the current below its
    threshold, as far as it is known.
    """

    def __init__(self, build, faults):
        super().__init__(build, faults)
        self.fitted = build.speed_fitted
        self.moving = 1
        self.quiet_ms = self.invalid_ms = self.undriven_ms = self.idle_ms = 0
        self.last_mm_s = self.steep = self.pulses = self.seen = self.granted = 0
        self.group = faults.add(((63, 0),))
        self.steady = 0

    def closing(self):
        """The contactors are about to close: proof of motion starts anew."""
        self.seen = self.granted = 0

    def step(self):
        """Judge one tick."""
        i = self.inputs
        if self.fitted:
            if i.speed_pulses and not i.speed_state and not self.steady:
                self._rolling(i.speed_mm_s)
                return
            self.pulses = 0
        o = self.outputs
        known = self.known_current()
        low = known and self.current_low()
        granted = o.drive_limit_permille or o.charge_limit_permille
        if granted and not low:
            self.granted = 1  # a drive that never took a current has not moved anything
        if granted or (known and not low):
            self.idle_ms = 0
        else:
            self.idle_ms = min(self.idle_ms + self.faults.dt, self.build.fallback_ms)
        if self.fitted:
            self._still(i, known)
        else:
            self.moving = 1 if self.idle_ms < self.build.fallback_ms else 0

    def known_current(self):
        """True when there is a current reading."""
        i = self.inputs
        return self.build.current_fitted and not i.current_state and i.current_ma is not None

    def current_low(self):
        """True when the current is known to be below its threshold."""
        return self.known_current() and abs(self.inputs.current_ma) < self.build.current_threshold_ma

    def _rolling(self, v):
        if v is not None:
            self.steep = self.last_mm_s - v > _BRAKE_MAX * (self.quiet_ms + self.faults.dt)
            self.last_mm_s = v
        if not self.pulses:
            self.pulses = self.seen = self.moving = self.granted = 1
            self.invalid_ms = self.idle_ms = self.quiet_ms = self.undriven_ms = 0

    def _still(self, i, known):
        p = i.speed_pulses
        bad = 0
        if p is None or (i.speed_state != S.OK and i.speed_state != S.QUIET):
            self.invalid_ms = min(self.invalid_ms + self.faults.dt, _LOST_MS)
            bad = 1 if self.invalid_ms >= _LOST_MS else 0
            self.quiet_ms = 0  # no reading is not silence (S10)
        elif p:
            self._rolling(i.speed_mm_s)
        else:
            self.invalid_ms = 0
            self.quiet_ms = min(self.quiet_ms + self.faults.dt, _STAND_MS)
            if self.last_mm_s > _JUMP_MM_S and self.quiet_ms >= _LOST_MS:
                bad = 1
        if known and not p and self._undriven(i):
            bad = 1
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        if not self.pulses:
            self._stand(bad)

    def _undriven(self, i):
        if self.outputs.inverter_enable and i.current_ma >= self.build.current_threshold_ma:
            self.undriven_ms = min(self.undriven_ms + self.faults.dt, _UNDRIVEN_MS)
        else:
            self.undriven_ms = 0
        return self.undriven_ms >= _UNDRIVEN_MS

    def _stand(self, bad):
        quiet = self.quiet_ms >= _STAND_MS and not bad and not self.steep and (self.seen or not self.granted)
        if quiet and (not self.build.current_fitted or self.current_low()):
            self.moving = self.last_mm_s = 0
            return
        # Speed lost or not trusted: standing only after both limits were 0 for the fallback time.
        if self.idle_ms < self.build.fallback_ms:
            self.moving = 1
        else:
            self.moving = self.last_mm_s = self.steep = 0
