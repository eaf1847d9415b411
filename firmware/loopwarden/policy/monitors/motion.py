"""Motion: standing, moving, or not known; unknown counts as moving (S4). Judges, never acts."""

from micropython import const

from loopwarden.policy.part import Part

_QUIET = const(6)  # signals.QUIET
_STAND_MS = const(2000)  # no pulse for so long
_BRAKE_MAX = const(10)  # mm/s per ms: no wheel that rolls slows faster than 10 m/s2
_JUMP_MM_S, _LOST_MS = 1389, 500  # from above 5 km/h to nothing
_UNDRIVEN_MS = const(2000)  # drive current for so long without a pulse


class Motion(Part):
    """Attributes: moving (1 unless standing is proven), pulses (this tick), quiet_ms, last_mm_s.

    seen, granted: pulses, a limit since the contactors last closed. idle_ms: both limits 0 and the current below its
    threshold, as far as it is known.
    """

    uses = ("electrics",)

    def __init__(self, build, faults):
        self.fitted, self.fallback_ms = build.speed_fitted, build.fallback_ms
        self.moving = 1
        self.quiet_ms = self.idle_ms = self.undriven_ms = self.last_mm_s = 0
        self.steep = self.pulses = self.seen = self.granted = self.steady = 0
        self.group = faults.add(((63, 0, _LOST_MS), (63, 1, 0), (63, 2, 0)))

    def step(self):
        """Judge one tick."""
        i = self.inputs
        if i.speed_pulses and not i.speed_state and not self.steady and self.fitted:
            self._rolling(i.speed_mm_s)
            return
        low = self.electrics.low
        o = self.outputs
        if o.drive_limit_permille or o.charge_limit_permille:
            self.idle_ms = 0
            if low <= 0 and o.inverter_enable:
                self.granted = 1  # a drive that never took a current has not moved anything, nor has a charger
        elif low == 0 or (low == 1 and self.quiet_ms >= _STAND_MS and not (self.moving or self.steady)):
            self.idle_ms = 0  # it stands on: the fallback, should the speed be lost, starts from here (S4)
        elif self.idle_ms < self.fallback_ms:
            self.idle_ms += self.faults.dt
        self.pulses = 0
        bad = self._lost(i, low) if self.fitted else -1
        if self.pulses:
            return
        # Speed lost, not trusted or not fitted: standing only after both limits were 0 for the fallback time.
        quiet = not bad and self.quiet_ms >= _STAND_MS and not self.steep and (self.seen or not self.granted)
        if (quiet and (low == 1 or not self.build.current_fitted)) or self.idle_ms >= self.fallback_ms:
            self.moving = self.last_mm_s = self.steep = 0
        else:
            self.moving = 1

    def quiet(self):
        """True when no speed is fitted, or the line was read and gave no pulse for 2 s."""
        return not self.fitted or self.quiet_ms >= _STAND_MS

    def _rolling(self, v):
        if v is not None:
            self.steep = self.last_mm_s - v > _BRAKE_MAX * (self.quiet_ms + self.faults.dt)
            self.last_mm_s = v
        if not self.pulses:
            self.pulses = self.seen = self.moving = self.granted = 1
            self.idle_ms = self.quiet_ms = self.undriven_ms = 0

    def _lost(self, i, low):
        # Why the speed is lost: 1 no reading, 2 a jump to nothing, 4 driven without a pulse.
        bad = 0
        if i.speed_pulses is None or (i.speed_state and i.speed_state != _QUIET):
            self.quiet_ms = 0  # no reading is not silence (S10)
            bad = 1
        elif i.speed_pulses:
            self._rolling(i.speed_mm_s)
        else:
            if self.quiet_ms < _STAND_MS:
                self.quiet_ms += self.faults.dt
            if self.last_mm_s > _JUMP_MM_S and self.quiet_ms >= _LOST_MS:
                bad = 2
        if low or self.pulses:
            self.undriven_ms = 0
        elif self.outputs.inverter_enable:
            self.undriven_ms = min(self.undriven_ms + self.faults.dt, _UNDRIVEN_MS)
            if self.undriven_ms >= _UNDRIVEN_MS and i.current_ma > 0:
                bad |= 4
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        return bad
