"""Temperatures of pack, inverter and motor zones. Judges, never acts; one zone a turn, elapsed time counted exactly."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_ROWS_OF = ((15, 16, 21, 22, 17, 19, 24, 23), (26, 28, 30), (27, 29, 31))  # pack, inverter, motor zones
# Findings of a zone by bit; an inverter or motor zone has the first three, and its sensor's any failure is _OPEN.
_HOT, _TRIP, _OPEN, _SHORT, _FAST, _COLD, _JUMPED, _STUCK = [1 << n for n in range(8)]
_UNREAD = 0x3FF3 << 15  # all but the sensor's state is unknown while there is no reading
_COUNTER = const(0x1FFFFFFF)
_RATE_WINDOW_MS, _RATE_DC = 1000, 10  # 1 K in a window of 1 s
_STUCK_MS, _OTHERS_DC = 120000, 30
_STEP_DC = const(50)  # no cell warms by 5 K from one turn to the next
_COLD_CLEAR_DC, _DRIVE_CLEAR_DC, _LOWEST_DC = 20, 50, -32768


class Zone:
    """One sensor. Attributes: where (0 pack, 1 inverter, 2 motor), dc (last valid), held (levels it has reached)."""

    def __init__(self, build, faults, number):
        self.where = build.zone_where[number]
        self.cover = build.zone_cover[number] | 1 << number
        self.group = faults.add([(row, number) for row in _ROWS_OF[self.where]])
        self.hot_dc = (build.pack_hot_dc, build.inverter_hot_dc, build.motor_hot_dc)[self.where]
        self.trip_dc = (build.pack_trip_dc, build.inverter_trip_dc, build.motor_trip_dc)[self.where]
        self.clear_dc = self.hot_dc - _DRIVE_CLEAR_DC if self.where else build.pack_clear_dc
        self.cold_dc = _LOWEST_DC if self.where else build.pack_cold_dc
        self.at = self.dc = self.held = self.steady = self.seen = self.moved = 0
        self.trend = self.ref_dc = self.window_ms = self.still_ms = self.others_dc = 0

    def judge(self, dc):
        """A reading that differs from the last: its step, and the levels it has reached."""
        if not self.seen or not -_STEP_DC <= dc - self.dc <= _STEP_DC:
            # No trend yet, or a step that no cell can make: then it is the sensor, not the pack.
            self.trend = _JUMPED if self.seen and self.where == 0 else 0
            self.window_ms = self.still_ms = 0
            self.ref_dc = dc
            self.seen = 1
        self.dc = dc
        self.moved = 1
        if dc >= self.trip_dc:
            self.held = _HOT | _TRIP
        elif dc >= self.hot_dc:
            self.held = self.held & _TRIP | _HOT
        elif dc < self.cold_dc:
            self.held = _COLD
        elif dc < self.clear_dc:  # inside the bands between clear and set the last finding stands
            self.held = self.held & _COLD if dc < self.cold_dc + _COLD_CLEAR_DC else 0

    def window(self, pack):
        """A second is over: how much it warmed, and whether it is stuck: unchanged under load although others moved."""
        rise = self.dc - self.ref_dc
        fast = _FAST if rise * 1000 >= _RATE_DC * self.window_ms else 0
        if self.moved:  # also there and back within the window
            self.trend = self.still_ms = 0
        elif pack.electrics.inverter_load():
            others_dc = pack.hottest_dc + pack.coldest_dc
            if self.still_ms == 0:
                self.others_dc = others_dc
            self.still_ms = min(self.still_ms + self.window_ms, _STUCK_MS)
            if self.still_ms >= _STUCK_MS and abs(others_dc - self.others_dc) >= _OTHERS_DC:
                self.trend |= _STUCK
        self.trend = self.trend & ~_FAST | fast
        self.ref_dc = self.dc
        self.window_ms = self.moved = 0


class Thermal(Part):
    """Attributes: hottest_dc and coldest_dc of the valid pack zones, inverter_dc, motor_dc, valid (mask of zones)."""

    uses = ("electrics",)

    def __init__(self, build, faults):
        self.zones = [Zone(build, faults, n) for n in range(len(build.zone_where))]
        self.pack_zones = sum([1 << n for n in range(len(self.zones)) if self.zones[n].where == 0])
        self.overall = faults.add(((20, 0), (25, 0)))
        self.steady = self.round_ms = self.turn = self.valid = 0
        self.hottest_dc = self.coldest_dc = self.inverter_dc = self.motor_dc = _LOWEST_DC  # until the first round
        self.highs, self.lows = [_LOWEST_DC] * 3, [-_LOWEST_DC] * 3  # of this round, by where

    def good(self, i):
        """True when every zone is valid or covered by a valid one, in this tick, and all are below trip (S1, S10)."""
        n = len(self.zones)
        while n:
            n -= 1
            dc = i.zone_dc[n]
            if dc is None or i.zone_state[n]:
                self.valid &= ~(1 << n)
            elif dc >= self.zones[n].trip_dc:
                return False
        return not self._uncovered(self.valid, 2)

    def _uncovered(self, valid, last):
        # A zone, up to that kind, that neither its own sensor nor a valid covering one watches.
        for zone in self.zones:
            if zone.where <= last and not valid & zone.cover:
                return 2
        return 0

    def step(self, dt):
        """Judge one zone, or after the last all of them together; dt: ms since the last step."""
        self.round_ms += dt
        n = self.turn
        if n == len(self.zones):
            self._round(self.highs)
            return
        self.turn += 1
        zone = self.zones[n]
        f = self.faults
        f.dt = (f.now - zone.at) & _COUNTER  # S10: this zone's own time, not the tick's
        zone.at = f.now
        dc = self.inputs.zone_dc[n]
        bad = self.inputs.zone_state[n]
        zone.trend &= ~_JUMPED
        if bad or dc is None:
            self.valid &= ~(1 << n)
            zone.seen = 0
            zone.trend &= ~_FAST
            bad = _UNREAD | (_SHORT if bad == S.SHORT and zone.where == 0 else _OPEN)
        else:
            self.valid |= 1 << n
            if zone.where == 0:
                zone.window_ms += f.dt
            if dc != zone.dc or not zone.seen:
                zone.judge(dc)
            if zone.window_ms >= _RATE_WINDOW_MS:
                zone.window(self)
            bad = zone.held | zone.trend
        if zone.seen or zone.held:  # a hot zone that nobody can read keeps its last heat: no limit rises by that (S7)
            self.highs[zone.where] = max(self.highs[zone.where], zone.dc)
            self.lows[zone.where] = min(self.lows[zone.where], zone.dc)
        if bad != zone.steady:
            zone.steady = f.count(zone.group, bad)
        if f.quota > 0 and bad & _FAST and f.places[17] and (bad & _TRIP or self.electrics.sagged()):
            f.trip(18, zone.dc)

    def _round(self, highs):
        # After the last zone: what the zones say together.
        bad = 1 << 15
        if self.valid & self.pack_zones:
            self.hottest_dc = highs[0]
            self.coldest_dc = self.lows[0]
            bad = 1 if highs[0] - self.lows[0] > self.build.pack_spread_dc else 0
        self.inverter_dc = highs[1]
        self.motor_dc = highs[2]
        highs[0] = highs[1] = highs[2] = _LOWEST_DC
        self.lows[0] = -_LOWEST_DC
        bad |= self._uncovered(self.valid, 0)
        self.faults.dt = self.round_ms
        self.round_ms = self.turn = 0
        if bad != self.steady:
            self.steady = self.faults.count(self.overall, bad)
