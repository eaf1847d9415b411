"""Temperatures of pack, inverter and motor zones. Judges, never acts; one zone a turn, elapsed time counted exactly."""

from micropython import const

from loopwarden.policy import signals as S

PACK = const(0)
INVERTER = const(1)
MOTOR = const(2)

_HOT = const(1 << 0)
_TRIP = const(1 << 1)
_BAD = const(1 << 2)  # inverter, motor: any failure of the sensor
_OPEN = const(1 << 2)
_SHORT = const(1 << 3)
_FAST = const(1 << 4)
_COLD = const(1 << 5)
_JUMPED = const(1 << 6)
_STUCK = const(1 << 7)
_UNKNOWN = const(15)
_COUNTER = const(0x1FFFFFFF)
_RATE_WINDOW_MS = const(1000)
_RATE_DC = const(10)  # 1 K in a window of 1 s
_STEP_DC = const(50)  # no cell warms by 5 K from one turn to the next
_STUCK_MS = const(120000)
_OTHERS_DC = const(30)
_COLD_CLEAR_DC = const(20)
_DRIVE_CLEAR_DC = const(50)


class Thermal:
    """Attributes: hottest and coldest of the valid pack zones (dc), inverter_dc, motor_dc, good (start check)."""

    def __init__(self, build, faults):
        self.build = build
        self.faults = faults
        self.inputs = None
        self.electrics = None
        self.zones = len(build.zone_where)
        self.pack_zones = 0
        self.groups = []
        for z in range(self.zones):
            where = build.zone_where[z]
            if where == PACK:
                self.pack_zones |= 1 << z
                rows = (15, 16, 21, 22, 17, 19, 24, 23)
            elif where == INVERTER:
                rows = (26, 28, 30)
            else:
                rows = (27, 29, 31)
            self.groups.append(faults.add([(row, z) for row in rows]))
        self.overall = faults.add(((20, 0), (25, 0)))
        self.overall_steady = 0
        self.overall_at = 0
        n = self.zones
        self.steady = [0] * n
        self.at = [0] * n
        self.last_dc = [0] * n
        self.ref_dc = [0] * n
        self.ref_at = [0] * n
        self.still_ms = [0] * n
        self.others_dc = [0] * n
        self.flags = bytearray(n)  # bit 0: rate too high in the last window, 1: jumped, 2: seen before, 3: stuck
        self.now = 0
        self.turn = 0
        self.valid = 0  # mask of zones with a valid reading
        self.below_trip = 0  # mask of valid zones below their trip level
        self.hottest_dc = 0
        self.coldest_dc = 0
        self.inverter_dc = 0
        self.motor_dc = 0
        self.high = -32768
        self.low = 32767
        self.inverter_high = -32768
        self.motor_high = -32768
        self.ran_away = 0

    def good(self):
        """1 when every zone is valid or covered by a valid one, and all are below trip (S1, S10)."""
        z = self.zones
        while z:
            z -= 1
            if not self.valid >> z & 1 and not self.valid & self.build.zone_cover[z]:
                return 0
        return self.below_trip == self.valid and (not self.pack_zones or self.valid & self.pack_zones)

    def step(self, dt):
        """Judge one zone; dt: ms since the last step, whichever zone that was."""
        self.now = (self.now + dt) & _COUNTER
        z = self.turn
        if z < self.zones:
            elapsed = (self.now - self.at[z]) & _COUNTER
            self.at[z] = self.now
            self._zone(z, elapsed)
        self.turn = z + 1
        if self.turn >= self.zones:
            self.turn = 0
            self._round()

    def _zone(self, z, elapsed):
        dc = self.inputs.zone_dc[z]
        state = self.inputs.zone_state[z]
        ok = state == S.OK and dc is not None
        if not ok:
            self.valid &= ~(1 << z)
            self.below_trip &= ~(1 << z)
            self.flags[z] &= ~5
            bad = 0x7FF9 << _UNKNOWN & 0x3FFFFFFF
            bad |= _SHORT if state == S.SHORT and self.build.zone_where[z] == PACK else _OPEN
        else:
            self.valid |= 1 << z
            bad = self._pack(z, dc, elapsed) if self.build.zone_where[z] == PACK else self._drive(z, dc)
        if bad != self.steady[z]:
            z = self._update(z, bad, elapsed)

    def _update(self, z, bad, elapsed):
        f = self.faults
        dt = f.dt
        f.dt = elapsed  # S10: this zone's own time, not the tick's
        self.steady[z] = f.update(self.groups[z], bad)
        f.dt = dt
        if bad & _FAST and self.build.zone_where[z] == PACK and f.is_on(17):
            if bad & _TRIP or self.electrics.sagged():
                f.trip(18, self.last_dc[z])
        return z

    def _drive(self, z, dc):
        b = self.build
        if b.zone_where[z] == INVERTER:
            hot = b.inverter_hot_dc
            trip = b.inverter_trip_dc
            if dc > self.inverter_high:
                self.inverter_high = dc
        else:
            hot = b.motor_hot_dc
            trip = b.motor_trip_dc
            if dc > self.motor_high:
                self.motor_high = dc
        return self._levels(z, dc, hot, trip)

    def _levels(self, z, dc, hot, trip):
        held = self.steady[z]  # inside the band between clear and set the last finding stands
        bad = 0
        clear = self.build.pack_clear_dc if self.build.zone_where[z] == PACK else hot - _DRIVE_CLEAR_DC
        if dc >= hot or (dc >= clear and held > 0 and held & _HOT):
            bad = _HOT
        if dc >= trip or (dc >= clear and held > 0 and held & _TRIP):
            bad |= _TRIP
        if dc >= trip:
            self.below_trip &= ~(1 << z)
        else:
            self.below_trip |= 1 << z
        return bad

    def _pack(self, z, dc, elapsed):
        b = self.build
        bad = self._levels(z, dc, b.pack_hot_dc, b.pack_trip_dc)
        if dc < b.pack_cold_dc or (dc < b.pack_cold_dc + _COLD_CLEAR_DC and self.faults.is_on(19)):
            bad |= _COLD
        self._trend(z, dc, elapsed)
        flags = self.flags[z]
        if flags & 1:
            bad |= _FAST
        if flags & 2:
            bad |= _JUMPED
        if flags & 8:
            bad |= _STUCK
        if dc > self.high:
            self.high = dc
        if dc < self.low:
            self.low = dc
        return bad

    def _trend(self, z, dc, elapsed):
        last = self.last_dc[z]
        self.last_dc[z] = dc
        if not self.flags[z] & 4:  # first reading after none: no trend yet
            self._restart(z, dc)
            return
        if dc - last > _STEP_DC or last - dc > _STEP_DC:
            self.flags[z] = 6  # a step that no cell can make: the sensor, not the pack
            self._restart(z, dc)
            return
        self.flags[z] &= ~2
        last = dc - last
        self._still(z, last, elapsed)
        elapsed = (self.now - self.ref_at[z]) & _COUNTER
        if elapsed >= _RATE_WINDOW_MS:
            if (dc - self.ref_dc[z]) * 1000 >= _RATE_DC * elapsed:
                self.flags[z] |= 1
            else:
                self.flags[z] &= ~1
            self.ref_dc[z] = dc
            self.ref_at[z] = self.now

    def _restart(self, z, dc):
        self.flags[z] = (self.flags[z] | 4) & ~9
        self.ref_dc[z] = dc
        self.ref_at[z] = self.now
        self.still_ms[z] = 0

    def _still(self, z, moved, elapsed):
        # Stuck: unchanged under load although the others moved (hottest and coldest together stand for them).
        others = self.hottest_dc + self.coldest_dc
        if moved:
            self.flags[z] &= ~8
            self.still_ms[z] = 0
            return
        if not self.electrics.inverter_load():
            return
        if self.still_ms[z] == 0:
            self.others_dc[z] = others
        self.still_ms[z] = min(self.still_ms[z] + elapsed, _STUCK_MS)
        others -= self.others_dc[z]
        if self.still_ms[z] >= _STUCK_MS and (others >= _OTHERS_DC or others <= -_OTHERS_DC):
            self.flags[z] |= 8

    def _round(self):
        # After the last zone: what the zones say together.
        self.inverter_dc = self.inverter_high
        self.motor_dc = self.motor_high
        self.inverter_high = -32768
        self.motor_high = -32768
        bad = 0
        if self.valid & self.pack_zones:
            self.hottest_dc = self.high
            self.coldest_dc = self.low
            if self.high - self.low > self.build.pack_spread_dc:
                bad = 1
        else:
            bad = 1 << _UNKNOWN
        self.high = -32768
        self.low = 32767
        if self._uncovered():
            bad |= 2
        dt = self.faults.dt
        self.faults.dt = (self.now - self.overall_at) & _COUNTER
        self.overall_at = self.now
        if bad != self.overall_steady:
            self.overall_steady = self.faults.update(self.overall, bad)
        self.faults.dt = dt

    def _uncovered(self):
        # A pack zone that neither its own sensor nor a valid covering one watches.
        z = self.zones
        while z:
            z -= 1
            if self.pack_zones >> z & 1 and not self.valid >> z & 1 and not self.valid & self.build.zone_cover[z]:
                return 1
        return 0
