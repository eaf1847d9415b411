"""The drive and the charge limit: every limiter proposes, the smallest wins and is named (S7).

Decides how much, never whether: a limit of 0 opens nothing. Falls at once or along the limiter's own ramp; rises no
faster than the build allows. No fault can raise a limit, as each only ever adds a proposal.
"""

from loopwarden.policy import fault_table as T
from loopwarden.policy.part import Part

# Limiters, in the order in which a tie is named: not live, or the other use; caps of active fault rows; the bus has not
# held for a second yet; winding down; no settled isolation reading since closing; then the ramps.
# A proposal is permille * 16 + its limiter, so the least of all of them names its limiter as well.
PHASE, FAULT, SOLID, WIND, SETTLING, PACK_HOT, INVERTER_HOT, MOTOR_HOT, CURRENT, VOLTAGE, LIMITERS = range(11)
_WINDING, _OPENING = 4, 5  # phases
_HOT_ROWS = bytes((15, 26, 27))  # of PACK_HOT, INVERTER_HOT, MOTOR_HOT
# Permille: where the thermal ramps end, at the trip level; while the bus, the isolation reading settles; a step down at
# each slow turn while over current.
_AT_TRIP, _SOLID_DRIVE, _SETTLING_DRIVE, _OVER_STEP = 200, 50, 200, 20


class Limits(Part):
    """Attributes drive_goal, charge_goal: the least proposal; outputs carry the granted permille."""

    uses = ("electrics", "isolation", "phases", "thermal")

    def __init__(self, build, faults):
        self.drive, self.charge = [[T.FULL << 4 | i for i in range(LIMITERS)] for _ in range(2)]
        self.drive_goal = self.charge_goal = self.drive_since_ms = self.charge_since_ms = self.rise_acc = self.busy = 0
        self.turned = 0  # 1 while the bus and the isolation monitor settle after closing, 2 from then on
        trip_dc = (build.pack_trip_dc, build.inverter_trip_dc, build.motor_trip_dc)
        self.hot_dc = (build.pack_hot_dc, build.inverter_hot_dc, build.motor_hot_dc)
        self.span_dc = [trip_dc[k] - self.hot_dc[k] for k in range(3)]
        # One permille of the voltage ramps: driving falls from full at the derating level to nothing at under-voltage,
        # giving back to nothing at the end of charge, over as much as lies above it. A charge ends by itself.
        self.drive_step_mv = max((build.pack_derate_mv - build.pack_under_mv) // T.FULL, 1)
        self.charge_step_mv = max((build.pack_over_mv - build.charge_end_mv) // T.FULL, 1)

    def _set(self, i, drive, charge):
        self.drive[i] = drive << 4 | i
        self.charge[i] = charge << 4 | i

    def step(self, dt):
        """One tick; needed while live or not closed yet, unless calm, and after every judgement."""
        o = self.outputs
        if not self.electrics.live or self.phases.phase == _OPENING:
            # Nothing is granted outside live and winding down; the next live starts anew.
            o.drive_limit_permille = o.charge_limit_permille = self.drive_goal = self.charge_goal = self.turned = 0
            self._set(CURRENT, T.FULL, T.FULL)
            return
        self._set(FAULT, self.faults.drive >> 8, self.faults.charge >> 8)
        self._set(WIND, self.phases.wind_cap, self.phases.wind_cap)
        if not self.turned:
            self._opening(self.phases, self.isolation)
        self._least(min(self.drive), min(self.charge))
        self.busy = o.drive_limit_permille != self.drive_goal >> 4 or o.charge_limit_permille != self.charge_goal >> 4
        if self.busy:
            self._follow(o, self.drive_goal >> 4, self.charge_goal >> 4, dt)

    def look(self, dt):
        """One slow turn: the limiters that follow a measurement; most of the time none of them limits."""
        if self.electrics.live:
            if self.turned < 2:
                self._opening(self.phases, self.isolation)
            if self.electrics.pack_ok:
                self._voltage(self.inputs.pack_mv)
            k = 3
            while k:
                k -= 1
                if self.faults.places[_HOT_ROWS[k]] or self.drive[PACK_HOT + k] >> 4 < T.FULL:
                    self._ramp(k, self.thermal)
            self._current(self.electrics.last_current_ma, self.drive[CURRENT] >> 4, self.charge[CURRENT] >> 4)
            self.busy = self.busy or min(self.drive) != self.drive_goal or min(self.charge) != self.charge_goal

    def _opening(self, p, i):
        # What holds a drive back until bus and isolation have settled; a charge grants no drive.
        self._set(PHASE, 0 if p.charge else T.FULL, 0 if p.charge and not self.outputs.charger_enable else T.FULL)
        self._set(SOLID, T.FULL if p.solid else _SOLID_DRIVE, T.FULL if p.solid else 0)
        self._set(SETTLING, _SETTLING_DRIVE if i.watching and not i.settled else T.FULL, T.FULL)
        self.turned = 2 if p.solid and (i.settled or not i.watching) else 1

    def _ramp(self, k, t):
        # From full at hot down to a fifth at trip, once the row says that it is hot; the pack's limits both sides.
        dc = (t.motor_dc if k == 2 else t.inverter_dc if k else t.hottest_dc) - self.hot_dc[k]
        dc = min(dc, self.span_dc[k]) if dc > 0 and self.faults.places[_HOT_ROWS[k]] else 0
        dc = T.FULL - (T.FULL - _AT_TRIP) * dc // self.span_dc[k]
        self._set(PACK_HOT + k, dc, T.FULL if k else dc)

    def _current(self, now, drive, charge):
        # While the row is active and the current still above its limit, its side comes down step by step.
        if not self.faults.places[39]:
            drive = min(drive + _OVER_STEP, T.FULL)
            charge = min(charge + _OVER_STEP, T.FULL)
        elif now > self.build.drive_current_ma:
            drive = max(min(drive, self.outputs.drive_limit_permille) - _OVER_STEP, 0)
        elif -now > self.build.charge_current_ma:
            charge = max(min(charge, self.outputs.charge_limit_permille) - _OVER_STEP, 0)
        self._set(CURRENT, drive, charge)

    def _voltage(self, mv):
        drive = max(mv - self.build.pack_under_mv, 0) // self.drive_step_mv
        charge = max(self.build.charge_end_mv - mv, 0) // self.charge_step_mv
        self._set(VOLTAGE, min(drive, T.FULL), T.FULL if self.phases.charge else min(charge, T.FULL))

    def _least(self, drive, charge):
        if drive != self.drive_goal:
            self.drive_goal = drive
            self.drive_since_ms = self.faults.clock_ms
        if charge != self.charge_goal:
            self.charge_goal = charge
            self.charge_since_ms = self.faults.clock_ms

    def _follow(self, o, drive, charge, dt):
        self.rise_acc += self.build.rise_permille_s * dt
        step = self.rise_acc // 1000
        self.rise_acc -= step * 1000
        if self.phases.phase == _WINDING:
            step = 0  # on the way down nothing rises
        o.drive_limit_permille = min(drive, o.drive_limit_permille + step)
        o.charge_limit_permille = min(charge, o.charge_limit_permille + step)
