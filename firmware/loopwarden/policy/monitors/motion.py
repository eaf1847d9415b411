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
        self.threshold_ma = build.current_threshold_ma if build.current_fitted else 0
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
        low = self._low(i)
        o = self.outputs
        if low == 0 and not (o.negative or o.positive or o.precharge):
            low = -1  # a current that cannot be is no reading
        if o.drive_limit_permille or o.charge_limit_permille:
            self.idle_ms = 0
            if low <= 0 and o.inverter_enable:
                self.granted = 1  # a drive that never took a current has not moved anything, nor has a charger
        elif low == 0:
            self.idle_ms = 0
        elif self.idle_ms < self.build.fallback_ms:
            self.idle_ms += self.faults.dt
        if not self.fitted:
            self.moving = 1 if self.idle_ms < self.build.fallback_ms else 0
        elif (
            self.moving
            or self.steady
            or low != 1
            or i.speed_pulses != 0
            or i.speed_state != S.QUIET
            or not self.quiet()
        ):
            self._still(i, low)

    def quiet(self):
        """True when no speed is fitted, or the line was read and gave no pulse for 2 s."""
        return not self.fitted or self.quiet_ms >= _STAND_MS

    def _low(self, i):
        # 1 when the current is known to be below its threshold, 0 when it is known not to be, -1 unknown.
        now = i.current_ma
        if not self.threshold_ma or i.current_state or now is None:
            return -1
        return 1 if -self.threshold_ma < now < self.threshold_ma else 0

    def known_current(self):
        """True when there is a current reading."""
        return self._low(self.inputs) >= 0

    def current_low(self):
        """True when the current is known to be below its threshold."""
        return self._low(self.inputs) == 1

    def _rolling(self, v):
        if v is not None:
            self.steep = self.last_mm_s - v > _BRAKE_MAX * (self.quiet_ms + self.faults.dt)
            self.last_mm_s = v
        if not self.pulses:
            self.pulses = self.seen = self.moving = self.granted = 1
            self.invalid_ms = self.idle_ms = self.quiet_ms = self.undriven_ms = 0

    def _still(self, i, low):
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
        if not p and low == 0 and self.outputs.inverter_enable:
            self.undriven_ms = min(self.undriven_ms + self.faults.dt, _UNDRIVEN_MS)
            if self.undriven_ms >= _UNDRIVEN_MS and i.current_ma > 0:
                bad = 1
        elif low:
            self.undriven_ms = 0
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        if not self.pulses:
            self._stand(bad, low)

    def _stand(self, bad, low):
        quiet = self.quiet() and not bad and not self.steep and (self.seen or not self.granted)
        if quiet and (low == 1 or not self.threshold_ma):
            self.moving = self.last_mm_s = 0
            return
        # Speed lost or not trusted: standing only after both limits were 0 for the fallback time.
        if self.idle_ms < self.build.fallback_ms:
            self.moving = 1
        else:
            self.moving = self.last_mm_s = self.steep = 0
