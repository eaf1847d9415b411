"""Counts of a resistance thermometer in a divider to tenths of a degree, by the build's table of counts.

The sensor lies to ground: a broken wire reads at the top rail, a short at ground. One zone is looked at per tick, in
turn: a temperature moves slowly, and the tick is short.
"""

from loopwarden.signals import OK, OPEN, RANGE, SHORT, STALE


class Zones:
    """All zones of a build.

    step(counts16)   writes temperature and state of the zone whose turn it is into the inputs that were bound, from
                     sixteenths of counts, one of each zone; returns the zone that is next. Heap: none.
    """

    def __init__(self, build):
        self.count = len(build.convert_zone_start)
        self.table = build.convert_zone_counts16
        self.start = build.convert_zone_start
        self.last = build.convert_zone_points - 1
        self.from_dc = build.convert_zone_from_dc
        self.step_dc = build.convert_zone_step_dc
        self.low = build.convert_zone_low_counts
        self.high = build.convert_zone_high_counts
        # By zone: where a good reading lies in its table, as counts from and to, counts and temperature at its point,
        # counts to the next point. A temperature moves slowly, so the next reading most likely lies there as well.
        self.part = []
        while len(self.part) < self.count:
            self.part.append([1, 0, 0, 0, 0])
        self.rising = False  # counts of the table in hand go up with the temperature

    def bind(self, inputs, zone=0):
        """Take the inputs that are written from now on, beginning with this zone."""
        steps = self._steps(zone, inputs, inputs.zone_dc, inputs.zone_state, self.part)
        next(steps)
        self.step = steps.send

    def _steps(self, zone, inputs, zone_dc, zone_state, parts):
        # A generator, as in loops.py.
        zones, step_dc = self.count, self.step_dc
        while True:
            counts16 = yield zone
            counts, part = counts16[zone], parts[zone]
            if counts and part[0] <= counts <= part[1]:
                zone_state[zone] = OK
                zone_dc[zone] = part[3] + step_dc * (counts - part[2]) // part[4]
            else:
                self._look_up(zone, counts, inputs)
            zone += 1
            if zone >= zones:
                zone = 0

    def _look_up(self, zone, counts, inputs):
        dc = None
        if counts is None:
            state = STALE
        elif counts < self.low[zone] << 4:
            state = SHORT
        elif counts > self.high[zone] << 4:
            state = OPEN
        else:
            dc = self.dc(zone, counts)
            state = RANGE if dc is None else OK
        if dc is None:
            self.part[zone][1] = 0
        inputs.zone_dc[zone] = dc
        inputs.zone_state[zone] = state

    def dc(self, zone, counts):
        """Temperature of `counts` by the table of a zone; None outside of it."""
        at = self.start[zone]
        if self._outside(at, counts):
            return None
        return self._between(zone, self._point(at, counts), counts)

    def _point(self, at, counts):
        # The last point of the table at or before `counts`. The points halve: counts rise or fall along a table, as the
        # sensor does.
        low = 0
        high = self.last
        self.rising = self.table[at] < self.table[at + high]
        while high - low > 1:
            middle = (low + high) >> 1
            if (self.table[at + middle] <= counts) == self.rising:
                low = middle
            else:
                high = middle
        return low

    def _outside(self, at, counts):
        first = self.table[at]
        last = self.table[at + self.last]
        return counts < min(first, last) or counts > max(first, last)

    def _between(self, zone, point, counts):
        part = self.part[zone]
        point += self.start[zone]
        here, there = self.table[point], self.table[point + 1]
        part[0] = min(here, there)
        part[1] = max(here, there)
        part[2] = here
        part[3] = (point - self.start[zone]) * self.step_dc + self.from_dc
        part[4] = there - here
        return self.step_dc * (counts - here) // part[4] + part[3]
