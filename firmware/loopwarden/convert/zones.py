"""Counts of a resistance thermometer in a divider to tenths of a degree, by the build's table of counts.

The sensor lies to ground: a broken wire reads at the top rail, a short at ground. One zone is looked at per tick, in
turn: a temperature moves slowly, and the tick is short.
"""

from loopwarden.signals import OK, OPEN, RANGE, SHORT, STALE


class Zones:
    """All zones of a build; `turn` is the zone that the next call looks at."""

    def __init__(self, build):
        self.count = len(build.convert_zone_start)
        self.table = build.convert_zone_counts16
        self.start = build.convert_zone_start
        self.last = build.convert_zone_points - 1
        self.from_dc = build.convert_zone_from_dc
        self.step_dc = build.convert_zone_step_dc
        self.low = build.convert_zone_low_counts
        self.high = build.convert_zone_high_counts
        self.turn = 0
        self.rising = False  # counts of the table in hand go up with the temperature

    def step(self, counts16, inputs):
        """Write temperature and state of the zone whose turn it is, from sixteenths of counts. Heap: none."""
        zone = self.turn
        counts = counts16[zone]
        dc = None
        if counts is None:
            state = STALE
        elif counts < self.low[zone] << 4:
            state = SHORT
        elif counts > self.high[zone] << 4:
            state = OPEN
        else:
            dc = self.dc(self.start[zone], counts)
            state = RANGE if dc is None else OK
        inputs.zone_dc[zone] = dc
        inputs.zone_state[zone] = state
        zone += 1
        self.turn = zone if zone < self.count else 0

    def dc(self, at, counts):
        """Temperature of `counts` by the table that begins at `at`; None outside of it.

        The points halve: counts rise or fall along a table, as the sensor does.
        """
        low = 0
        high = self.last
        if self._outside(at, counts):
            return None
        self.rising = self.table[at] < self.table[at + high]
        while high - low > 1:
            middle = (low + high) >> 1
            if (self.table[at + middle] <= counts) == self.rising:
                low = middle
            else:
                high = middle
        return self._between(at + low, low, counts)

    def _outside(self, at, counts):
        first = self.table[at]
        last = self.table[at + self.last]
        return counts < min(first, last) or counts > max(first, last)

    def _between(self, at, point, counts):
        left = self.table[at]
        part = self.step_dc * (counts - left) // (self.table[at + 1] - left)
        return self.from_dc + self.step_dc * point + part
