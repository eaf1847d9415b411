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
    """Attributes: moving (1 unless standing is proven), pulses (this tick), quiet_ms, last_mm_s, current_low.

    seen, granted: pulses, a limit since the contactors last closed. idle_ms: both limits 0 and the current below its
    threshold, as far as it is known.
    """

    def __init__(self, build, faults):
        super().__init__(build, faults)
        self.fitted = build.speed_fitted
        self.moving = 1
        self.quiet_ms = self.invalid_ms = self.undriven_ms = self.idle_ms = 0
        self.last_mm_s = self.steep = self.pulses = self.seen = self.granted = self.current_low = 0
        self.group = faults.add(((63, 0),))
        self.steady = 0

    def closing(self):
        """The contactors are about to close: proof of motion starts anew."""
        self.seen = self.granted = 0

    def step(self):
        """Judge one tick."""
        i = self.inputs
        known = self.build.current_fitted and i.current_state == S.OK and i.current_ma is not None
        self.current_low = 1 if known and abs(i.current_ma) < self.build.current_threshold_ma else 0
        if self.outputs.drive_limit_permille or self.outputs.charge_limit_permille:
            self.granted = 1
            self.idle_ms = 0
        elif self.current_low or not known:
            self.idle_ms = min(self.idle_ms + self.faults.dt, self.build.fallback_ms)
        else:
            self.idle_ms = 0
        if self.fitted:
            self._pulses(i)
        else:
            self.moving = 1 if self.idle_ms < self.build.fallback_ms else 0

    def _pulses(self, i):
        p = i.speed_pulses
        bad = 0
        if p is None or (i.speed_state != S.OK and i.speed_state != S.QUIET):
            self.pulses = 0
            self.invalid_ms = min(self.invalid_ms + self.faults.dt, _LOST_MS)
            bad = 1 if self.invalid_ms >= _LOST_MS else 0
            self.quiet_ms = 0  # no reading is not silence (S10)
        elif p:
            self._rolling(i, p)
        else:
            self.pulses = self.invalid_ms = 0
            self.quiet_ms = min(self.quiet_ms + self.faults.dt, _STAND_MS)
            if self.last_mm_s > _JUMP_MM_S and self.quiet_ms >= _LOST_MS:
                bad = 1
        if self._undriven(i):
            bad = 1
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        self._stand(bad)

    def _rolling(self, i, p):
        v = i.speed_mm_s
        self.pulses = p
        self.seen = 1
        self.invalid_ms = self.idle_ms = 0
        if v is not None:
            self.steep = 1 if self.last_mm_s - v > _BRAKE_MAX * (self.quiet_ms + self.faults.dt) else 0
            self.last_mm_s = v
        self.quiet_ms = 0

    def _undriven(self, i):
        if self.pulses or i.current_state != S.OK or i.current_ma is None or not self.outputs.inverter_enable:
            self.undriven_ms = 0
        elif i.current_ma >= self.build.current_threshold_ma:
            self.undriven_ms = min(self.undriven_ms + self.faults.dt, _UNDRIVEN_MS)
        else:
            self.undriven_ms = 0
        return self.undriven_ms >= _UNDRIVEN_MS

    def _stand(self, bad):
        if self.pulses:
            self.moving = 1
            return
        quiet = self.quiet_ms >= _STAND_MS and not bad and not self.steep and (self.seen or not self.granted)
        if quiet and (self.current_low or not self.build.current_fitted):
            self.moving = self.last_mm_s = 0
            return
        # Speed lost or not trusted: standing only after both limits were 0 for the fallback time.
        if self.idle_ms < self.build.fallback_ms:
            self.moving = 1
        else:
            self.moving = self.last_mm_s = self.steep = 0
