"""Counts of a resistance thermometer in a divider to tenths of a degree, by a table of equally spaced points.

The sensor lies to ground: a broken wire reads at the top rail, a short at ground. One zone is looked at per tick, in
turn: a temperature moves slowly, and the tick is short.
"""

from loopwarden.policy.signals import OK, OPEN, SHORT, STALE


class Zones:
    """All zones of a build; `turn` is the zone that the next call looks at."""

    def __init__(self, build):
        self.count = len(build.convert_zone_offset)
        self.tables = build.convert_zone_tables
        self.offset = build.convert_zone_offset
        self.short = build.convert_zone_short
        self.open = build.convert_zone_open
        self.turn = 0

    def step(self, zone_counts, inputs):
        """Write the temperature and the state of the zone whose turn it is. Heap: none."""
        zone = self.turn
        counts = zone_counts[zone]
        inputs.zone_dc[zone] = None
        if counts is None:
            inputs.zone_state[zone] = STALE
        elif counts < self.short[zone]:
            inputs.zone_state[zone] = SHORT
        elif counts > self.open[zone]:
            inputs.zone_state[zone] = OPEN
        else:
            inputs.zone_state[zone] = OK
            inputs.zone_dc[zone] = self.dc(zone, counts)
        zone += 1
        self.turn = zone if zone < self.count else 0

    def dc(self, zone, counts):
        """Interpolate; `counts` 0..4095."""
        at = self.offset[zone] + (counts >> 5)
        left = self.tables[at]
        return left + ((self.tables[at + 1] - left) * (counts & 31) >> 5)
