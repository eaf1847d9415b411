"""The drive and the charge limit: every limiter proposes, the smallest wins and is named (S7).

Decides how much, never whether: a limit of 0 opens nothing. Falls at once or along the limiter's own ramp; rises no
faster than the build allows. No fault can raise a limit, as each only ever adds a proposal.
"""

from micropython import const

from loopwarden.policy import fault_table as T
from loopwarden.policy import phases as P

# Limiters, in the order in which a tie is named.
PHASE = const(0)  # not live, or the other use: nothing is granted
FAULT = const(1)  # caps of active fault rows
SOLID = const(2)  # the bus has not held for a second yet
WIND = const(3)
SETTLING = const(4)  # no settled isolation reading since closing
PACK_HOT = const(5)
INVERTER_HOT = const(6)
MOTOR_HOT = const(7)
CURRENT = const(8)
VOLTAGE = const(9)
LIMITERS = const(10)

_CRAWL_OF_HOT = const(200)  # the thermal ramps end here, at the trip level
_SOLID_DRIVE = const(50)
_SETTLING_DRIVE = const(200)
_OVER_STEP = const(20)  # permille per turn of 100 ms while over current
_TURN_MS = const(100)


class Limits:
    """Attributes drive_by, charge_by: the limiter in force; outputs carry the granted permille."""

    def __init__(self, build, faults):
        self.build = build
        self.faults = faults
        self.inputs = None
        self.outputs = None
        self.phases = None
        self.thermal = None
        self.electrics = None
        self.isolation = None
        self.drive = [T.FULL] * LIMITERS
        self.charge = [T.FULL] * LIMITERS
        self.dirty = 1
        self.drive_by = PHASE
        self.charge_by = PHASE
        self.drive_goal = 0
        self.charge_goal = 0
        self.rise_acc = 0
        self.turn_ms = 0

    def _set(self, i, drive, charge):
        if self.drive[i] != drive or self.charge[i] != charge:
            self.drive[i] = drive
            self.charge[i] = charge
            self.dirty = 1

    def step(self, dt):
        """One tick: the quick limiters always, the slow ones in turns of 100 ms."""
        p = self.phases
        if p.phase != P.LIVE and p.phase != P.WINDING:
            self._closed()
            return
        f = self.faults
        self._set(FAULT, f.drive_cap, f.charge_cap)
        if p.wind_cap != self.drive[WIND]:
            self._set(WIND, p.wind_cap, p.wind_cap)
        self.turn_ms += dt
        if self.turn_ms >= _TURN_MS:
            self.turn_ms -= _TURN_MS
            self._slow(p)
        if self.dirty:
            self._least()
        o = self.outputs
        if o.drive_limit_permille != self.drive_goal or o.charge_limit_permille != self.charge_goal:
            self._follow(o, dt)

    def _closed(self):
        # Nothing is granted outside live and winding down; the next live starts from its own floor.
        o = self.outputs
        o.drive_limit_permille = 0
        o.charge_limit_permille = 0
        self.drive_by = PHASE
        self.charge_by = PHASE
        if self.drive_goal or self.charge_goal or self.turn_ms != _TURN_MS:
            self.drive_goal = 0
            self.charge_goal = 0
            self.turn_ms = _TURN_MS  # all limiters speak in the first live tick
            self._set(CURRENT, T.FULL, T.FULL)

    def _slow(self, p):
        self._set(PHASE, 0 if p.charge else T.FULL, 0 if p.charge and not self.outputs.charger_enable else T.FULL)
        if p.solid:
            self._set(SOLID, T.FULL, T.FULL)
        else:
            self._set(SOLID, _SOLID_DRIVE, 0)
        waiting = not self.isolation.settled and self.isolation.watching
        self._set(SETTLING, _SETTLING_DRIVE if waiting else T.FULL, T.FULL)
        self._heat()
        self._current()
        self._voltage()

    def _heat(self):
        b = self.build
        t = self.thermal
        cap = self._ramp(t.hottest_dc, b.pack_hot_dc, b.pack_trip_dc, 15)
        self._set(PACK_HOT, cap, cap)
        self._set(INVERTER_HOT, self._ramp(t.inverter_dc, b.inverter_hot_dc, b.inverter_trip_dc, 26), T.FULL)
        self._set(MOTOR_HOT, self._ramp(t.motor_dc, b.motor_hot_dc, b.motor_trip_dc, 27), T.FULL)

    def _ramp(self, dc, hot, trip, row):
        # From full at hot down to a fifth at trip, once the row says that it is hot.
        if not self.faults.slots_on[row]:
            return T.FULL
        if dc <= hot:
            return T.FULL
        if dc >= trip:
            return _CRAWL_OF_HOT
        return T.FULL - (T.FULL - _CRAWL_OF_HOT) * (dc - hot) // (trip - hot)

    def _current(self):
        # While the row is active and the current still above its limit, its side comes down step by step.
        f = self.faults
        drive = self.drive[CURRENT]
        charge = self.charge[CURRENT]
        if not f.slots_on[39]:
            if drive != T.FULL or charge != T.FULL:
                self._set(CURRENT, min(drive + _OVER_STEP, T.FULL), min(charge + _OVER_STEP, T.FULL))
            return
        now = self.electrics.last_current_ma
        if now > self.build.drive_current_ma:
            self._set(CURRENT, max(min(drive, self.outputs.drive_limit_permille) - _OVER_STEP, 0), charge)
        elif -now > self.build.charge_current_ma:
            self._set(CURRENT, drive, max(min(charge, self.outputs.charge_limit_permille) - _OVER_STEP, 0))

    def _voltage(self):
        # From full at the derating level down to nothing at the under-voltage level, for driving only.
        b = self.build
        if not self.electrics.pack_ok:
            return
        mv = self.inputs.pack_mv
        if mv >= b.pack_derate_mv:
            drive = T.FULL
        elif mv <= b.pack_under_mv:
            drive = 0
        else:
            drive = (mv - b.pack_under_mv) // ((b.pack_derate_mv - b.pack_under_mv) // T.FULL + 1)
        self._set(VOLTAGE, drive, T.FULL if mv < b.charge_end_mv else 0)

    def _least(self):
        self.dirty = 0
        drive = T.FULL
        charge = T.FULL
        self.drive_by = LIMITERS  # nothing limits
        self.charge_by = LIMITERS
        i = 0
        while i < LIMITERS:
            if self.drive[i] < drive:
                drive = self.drive[i]
                self.drive_by = i
            if self.charge[i] < charge:
                charge = self.charge[i]
                self.charge_by = i
            i += 1
        self.drive_goal = drive
        self.charge_goal = charge

    def _follow(self, o, dt):
        self.rise_acc += self.build.rise_permille_s * dt
        step = self.rise_acc // 1000
        self.rise_acc -= step * 1000
        o.drive_limit_permille = min(self.drive_goal, o.drive_limit_permille + step)
        o.charge_limit_permille = min(self.charge_goal, o.charge_limit_permille + step)
