"""Temperatures of pack, inverter and motor zones. Judges, never acts; one zone a turn, elapsed time counted exactly."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_ROWS_OF = ((15, 16, 21, 22, 17, 19, 24, 23), (26, 28, 30), (27, 29, 31))  # pack, inverter, motor zones
# Findings of a zone by bit; an inverter or motor zone has the first three, and its sensor's any failure is _OPEN.
_HOT, _TRIP, _OPEN, _SHORT, _FAST, _COLD, _JUMPED, _STUCK = [1 << n for n in range(8)]
_SEEN = const(1)  # flags of a zone: seen before, moved in this window; _FAST, _JUMPED, _STUCK as the trend found them
_MOVED = const(2)
_ALL_BUT_SENSOR = const(0x3FF3 << 15)  # unknown while there is no reading
_COUNTER = const(0x1FFFFFFF)
_RATE_WINDOW_MS = const(1000)
_RATE_DC = const(10)  # 1 K in a window of 1 s
_STEP_DC = const(50)  # no cell warms by 5 K from one turn to the next
_STUCK_MS = const(120000)
_OTHERS_DC = const(30)
_COLD_CLEAR_DC = const(20)
_DRIVE_CLEAR_DC = const(50)
_LOWEST_DC = const(-32768)


class Thermal(Part):
    """Attributes: hottest_dc and coldest_dc of the valid pack zones, inverter_dc, motor_dc, valid (mask of zones)."""

    uses = ("electrics",)

    def __init__(self, build, faults):
        super().__init__(build, faults)
        n = len(build.zone_where)
        self.zones = n
        self.pack_zones = sum([1 << z for z in range(n) if build.zone_where[z] == 0])
        self.groups = [faults.add([(row, z) for row in _ROWS_OF[build.zone_where[z]]]) for z in range(n)]
        self.overall = faults.add(((20, 0), (25, 0)))
        self.steady, self.at, self.last_dc, self.ref_dc, self.ref_at, self.still_ms, self.others_dc, self.held = [
            [0] * n for _ in range(8)
        ]
        self.flags = bytearray(n)
        b = build
        clear_of = (b.pack_clear_dc, b.inverter_hot_dc - _DRIVE_CLEAR_DC, b.motor_hot_dc - _DRIVE_CLEAR_DC)
        self.calm_high = [clear_of[where] for where in build.zone_where]
        self.calm_low = [b.pack_cold_dc + _COLD_CLEAR_DC if where == 0 else _LOWEST_DC for where in build.zone_where]
        self.overall_steady = self.overall_at = self.now = self.turn = self.valid = self.below_trip = 0
        self.hottest_dc = self.coldest_dc = self.inverter_dc = self.motor_dc = 0
        self.highs = [_LOWEST_DC] * 3  # of this round, by where
        self.low = -_LOWEST_DC

    def good(self):
        """True when every zone is valid or covered by a valid one, in this tick, and all are below trip (S1, S10)."""
        for z in range(self.zones):
            if self.inputs.zone_state[z] or self.inputs.zone_dc[z] is None:
                self.valid &= ~(1 << z)
                self.below_trip &= ~(1 << z)
        return self.below_trip == self.valid and not self._uncovered((1 << self.zones) - 1)

    def _uncovered(self, zones):
        # A zone that neither its own sensor nor a valid covering one watches.
        z = 0 if self.valid & zones == zones else self.zones
        while z:
            z -= 1
            if zones >> z & 1 and not self.valid >> z & 1 and not self.valid & self.build.zone_cover[z]:
                return 1
        return 0

    def step(self, dt):
        """Judge one zone; dt: ms since the last step, whichever zone that was."""
        self.now = (self.now + dt) & _COUNTER
        z = self.turn
        if z < self.zones:
            self._zone(z)
        self.turn = z + 1
        if self.turn >= self.zones:
            self.turn = 0
            self._round()

    def _zone(self, z):
        dc = self.inputs.zone_dc[z]
        if self.inputs.zone_state[z] or dc is None:
            self._judge(z, self._invalid(z))
        elif self.steady[z] or not self._quiet(z, dc):
            dc = self._valid(z, dc)
            self._judge(z, dc)
        self.at[z] = self.now

    def _quiet(self, z, dc):
        # The short way for a zone far from every level, with nothing active or counting: true when it was enough.
        flags = self.flags[z]
        last = self.last_dc[z]
        if not self.calm_low[z] < dc < self.calm_high[z] or flags & ~_MOVED != _SEEN:
            return 0
        if not -_STEP_DC <= dc - last <= _STEP_DC or (self.now - self.ref_at[z]) & _COUNTER >= _RATE_WINDOW_MS:
            return 0
        if dc != last:
            self.last_dc[z] = dc
            self.flags[z] = _SEEN | _MOVED
        self._extremes(self.build.zone_where[z], dc)
        return 1

    def _extremes(self, where, dc):
        if dc > self.highs[where]:
            self.highs[where] = dc
        if where == 0 and dc < self.low:
            self.low = dc

    def _judge(self, z, bad):
        f = self.faults
        if bad != self.steady[z]:
            tick = f.dt
            f.dt = (self.now - self.at[z]) & _COUNTER  # S10: this zone's own time, not the tick's
            self.steady[z] = f.update(self.groups[z], bad)
            f.dt = tick
        if bad & _FAST and f.slots_on[17] and (bad & _TRIP or self.electrics.sagged()):
            f.trip(18, self.last_dc[z])

    def _invalid(self, z):
        if self.held[
            z
        ]:  # a zone that was hot keeps its last heat while nobody can read it: no limit rises by that (S7)
            self._extremes(self.build.zone_where[z], self.last_dc[z])
        self.valid &= ~(1 << z)
        self.below_trip &= ~(1 << z)
        self.flags[z] &= ~(_FAST | _SEEN)
        if self.inputs.zone_state[z] == S.SHORT and self.build.zone_where[z] == 0:
            return _ALL_BUT_SENSOR | _SHORT
        return _ALL_BUT_SENSOR | _OPEN

    def _valid(self, z, dc):
        self.valid |= 1 << z
        b = self.build
        where = b.zone_where[z]
        self._extremes(where, dc)
        if where == 1:
            return self._levels(z, dc, b.inverter_hot_dc, b.inverter_trip_dc)
        if where == 2:
            return self._levels(z, dc, b.motor_hot_dc, b.motor_trip_dc)
        self._trend(z, dc)
        return self._levels(z, dc, b.pack_hot_dc, b.pack_trip_dc) | self._pack(z, dc)

    def _levels(self, z, dc, hot, trip):
        held = self.held[z]  # inside the band between clear and set the last finding stands
        if dc < (hot - _DRIVE_CLEAR_DC if self.build.zone_where[z] else self.build.pack_clear_dc):
            held = 0
        if dc >= trip:
            self.below_trip &= ~(1 << z)
            held = _HOT | _TRIP
        else:
            self.below_trip |= 1 << z
            held = held & (_HOT | _TRIP) | (_HOT if dc >= hot else 0)
        self.held[z] = held
        return held

    def _pack(self, z, dc):
        cold = self.build.pack_cold_dc
        bad = _COLD if dc < (cold + _COLD_CLEAR_DC if self.faults.slots_on[19] else cold) else 0
        return bad | self.flags[z] & (_FAST | _JUMPED | _STUCK)

    def _trend(self, z, dc):
        moved = dc - self.last_dc[z]
        self.last_dc[z] = dc
        flags = self.flags[z] & ~_JUMPED
        if flags & _SEEN and -_STEP_DC <= moved <= _STEP_DC:
            self.flags[z] = flags | _MOVED if moved else flags
            moved = (self.now - self.ref_at[z]) & _COUNTER
            if moved < _RATE_WINDOW_MS:
                return
            self._window(z, dc - self.ref_dc[z], moved)
        else:
            # No trend yet, or a step that no cell can make: then it is the sensor, not the pack.
            self.flags[z] = _SEEN | _JUMPED if flags & _SEEN else _SEEN
            self.still_ms[z] = 0
        self.ref_dc[z] = dc
        self.ref_at[z] = self.now

    def _window(self, z, rise, elapsed):
        flags = self.flags[z]
        self.flags[z] = flags & ~(_FAST | _MOVED) | (_FAST if rise * 1000 >= _RATE_DC * elapsed else 0)
        if flags & _MOVED:
            self.flags[z] &= ~_STUCK
            self.still_ms[z] = 0
        elif self.electrics.inverter_load():
            # Stuck: unchanged under load although the others moved (hottest and coldest together stand for them).
            if self.still_ms[z] == 0:
                self.others_dc[z] = self.hottest_dc + self.coldest_dc
            self.still_ms[z] = min(self.still_ms[z] + elapsed, _STUCK_MS)
            rise = abs(self.hottest_dc + self.coldest_dc - self.others_dc[z])
            if self.still_ms[z] >= _STUCK_MS and rise >= _OTHERS_DC:
                self.flags[z] |= _STUCK

    def _round(self):
        # After the last zone: what the zones say together.
        highs = self.highs
        bad = 1 << 15
        if self.valid & self.pack_zones:
            self.hottest_dc = highs[0]
            self.coldest_dc = self.low
            bad = 1 if highs[0] - self.low > self.build.pack_spread_dc else 0
        self.inverter_dc = highs[1]
        self.motor_dc = highs[2]
        highs[0] = highs[1] = highs[2] = _LOWEST_DC
        self.low = -_LOWEST_DC
        if self._uncovered(self.pack_zones):
            bad |= 2
        f = self.faults
        tick = f.dt
        f.dt = (self.now - self.overall_at) & _COUNTER
        self.overall_at = self.now
        if bad != self.overall_steady:
            self.overall_steady = f.update(self.overall, bad)
        f.dt = tick
