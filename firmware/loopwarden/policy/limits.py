"""The drive and the charge limit: every limiter proposes, the smallest wins and is named (S7).

Decides how much, never whether: a limit of 0 opens nothing. Falls at once or along the limiter's own ramp; rises no
faster than the build allows. No fault can raise a limit, as each only ever adds a proposal.
"""

from micropython import const

from loopwarden.policy import fault_table as T
from loopwarden.policy import phases as P
from loopwarden.policy.part import Part

# Limiters, in the order in which a tie is named: not live, or the other use; caps of active fault rows; the bus has not
# held for a second yet; winding down; no settled isolation reading since closing; then the ramps.
PHASE, FAULT, SOLID, WIND, SETTLING, PACK_HOT, INVERTER_HOT, MOTOR_HOT, CURRENT, VOLTAGE, LIMITERS = range(11)
_AT_TRIP = const(200)  # the thermal ramps end here, at the trip level
_SOLID_DRIVE = const(50)
_SETTLING_DRIVE = const(200)
_OVER_STEP = const(20)  # permille per slow turn while over current


class Limits(Part):
    """Attributes drive_by, charge_by: the limiter in force; outputs carry the granted permille."""

    uses = ("electrics", "isolation", "phases", "thermal")

    def __init__(self, build, faults):
        self.drive, self.charge = [T.FULL] * LIMITERS, [T.FULL] * LIMITERS
        self.dirty = 1
        self.drive_by = self.charge_by = PHASE
        self.drive_goal = self.charge_goal = self.rise_acc = self.busy = 0
        self.drive_since_ms = self.charge_since_ms = self.ramping = self.turned = 0

    def _set(self, i, drive, charge):
        if self.drive[i] != drive or self.charge[i] != charge:
            self.drive[i] = drive
            self.charge[i] = charge
            self.dirty = 1

    def step(self, dt):
        """One tick; needed while not calm, while busy, and after every judgement."""
        p = self.phases
        if not self.electrics.live or p.phase == P.OPENING:
            self._closed()
            return
        f = self.faults
        self._set(FAULT, f.drive >> 8, f.charge >> 8)
        self._set(WIND, p.wind_cap, p.wind_cap)
        if not self.turned:
            self._opening(p, self.isolation)
        if self.dirty:
            self._least()
        o = self.outputs
        if o.drive_limit_permille != self.drive_goal or o.charge_limit_permille != self.charge_goal:
            self._follow(o, dt)
        self.busy = o.drive_limit_permille != self.drive_goal or o.charge_limit_permille != self.charge_goal

    def _closed(self):
        # Nothing is granted outside live and winding down; the next live starts anew.
        o = self.outputs
        o.drive_limit_permille = o.charge_limit_permille = 0
        if self.turned:
            self.drive_goal = self.charge_goal = self.turned = 0
            self.drive_by = self.charge_by = PHASE
            self.drive[CURRENT] = self.charge[CURRENT] = T.FULL
            self.dirty = 1

    def look(self, dt):
        """One slow turn; dt: ms since the last one."""
        if not self.electrics.live:
            return
        i = self.isolation
        if self.drive[SOLID] != T.FULL or self.drive[SETTLING] != T.FULL or not i.settled or self.phases.charge:
            self._opening(self.phases, i)
        if self.faults.actives or self.ramping:
            self._ramps(self.build, self.thermal)
        if self.electrics.pack_ok:
            self._voltage(self.build, self.inputs.pack_mv)
        self.busy |= self.dirty

    def _opening(self, p, i):
        # What holds a drive back until bus and isolation have settled; a charge grants no drive.
        self.turned = 1
        self._set(PHASE, 0 if p.charge else T.FULL, 0 if p.charge and not self.outputs.charger_enable else T.FULL)
        self._set(SOLID, T.FULL if p.solid else _SOLID_DRIVE, T.FULL if p.solid else 0)
        self._set(SETTLING, _SETTLING_DRIVE if i.watching and not i.settled else T.FULL, T.FULL)

    def _ramps(self, b, t):
        # The limiters that follow an active row: most of the time none is active, and all have come back.
        pack = self._ramp(t.hottest_dc - b.pack_hot_dc, b.pack_trip_dc - b.pack_hot_dc, 15)
        self._set(PACK_HOT, pack, pack)
        pack = self._ramp(t.inverter_dc - b.inverter_hot_dc, b.inverter_trip_dc - b.inverter_hot_dc, 26)
        self._set(INVERTER_HOT, pack, T.FULL)
        pack = self._ramp(t.motor_dc - b.motor_hot_dc, b.motor_trip_dc - b.motor_hot_dc, 27)
        self._set(MOTOR_HOT, pack, T.FULL)
        self._current(self.electrics.last_current_ma)
        b = self.drive
        pack = min(b[PACK_HOT], b[INVERTER_HOT])
        self.ramping = min(pack, b[MOTOR_HOT]) < T.FULL or min(b[CURRENT], self.charge[CURRENT]) < T.FULL

    def _ramp(self, above, span, row):
        # From full at hot down to a fifth at trip, once the row says that it is hot.
        if above <= 0 or not self.faults.places[row]:
            return T.FULL
        return T.FULL - (T.FULL - _AT_TRIP) * min(above, span) // span

    def _current(self, now):
        # While the row is active and the current still above its limit, its side comes down step by step.
        drive = self.drive[CURRENT]
        charge = self.charge[CURRENT]
        if not self.faults.places[39]:
            drive = min(drive + _OVER_STEP, T.FULL)
            charge = min(charge + _OVER_STEP, T.FULL)
        elif now > self.build.drive_current_ma:
            drive = max(min(drive, self.outputs.drive_limit_permille) - _OVER_STEP, 0)
        elif -now > self.build.charge_current_ma:
            charge = max(min(charge, self.outputs.charge_limit_permille) - _OVER_STEP, 0)
        self._set(CURRENT, drive, charge)

    def _voltage(self, b, mv):
        # Driving falls from full at the derating level to nothing at the under-voltage level; giving back falls to
        # nothing at the end of charge, over as much as lies above it. A charge ends by itself and needs no ramp.
        drive = charge = T.FULL
        if mv < b.pack_derate_mv:
            drive = max(mv - b.pack_under_mv, 0) // max((b.pack_derate_mv - b.pack_under_mv) // T.FULL, 1)
        elif not self.phases.charge:
            charge = max(b.charge_end_mv - mv, 0) // max((b.pack_over_mv - b.charge_end_mv) // T.FULL, 1)
            charge = min(charge, T.FULL)
        self._set(VOLTAGE, min(drive, T.FULL), charge)

    def _least(self):
        self.dirty = 0
        drive = min(self.drive)
        charge = min(self.charge)
        self.drive_by = self.drive.index(drive) if drive < T.FULL else LIMITERS  # LIMITERS: nothing limits
        self.charge_by = self.charge.index(charge) if charge < T.FULL else LIMITERS
        if drive != self.drive_goal:
            self.drive_goal = drive
            self.drive_since_ms = self.faults.clock_ms
        if charge != self.charge_goal:
            self.charge_goal = charge
            self.charge_since_ms = self.faults.clock_ms

    def _follow(self, o, dt):
        self.rise_acc += self.build.rise_permille_s * dt
        step = self.rise_acc // 1000
        self.rise_acc -= step * 1000
        if self.phases.phase == P.WINDING:
            step = 0  # on the way down nothing rises
        o.drive_limit_permille = min(self.drive_goal, o.drive_limit_permille + step)
        o.charge_limit_permille = min(self.charge_goal, o.charge_limit_permille + step)
