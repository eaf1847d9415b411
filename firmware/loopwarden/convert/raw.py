"""Raw: what the converters, counters and latches of the board hold at one tick. Decides nothing.

Written by the board, or by the simulator's sensors, in place; read by the edge.
"""

from micropython import const

from loopwarden.signals import LOOPS_MAX, ZONES_MAX

# What is slow is looked at in turns of four ticks: in the odd ones a zone, in one of the others supply and reference;
# at the first tick all of it.
ZONE = const(1)  # as a bit
SUPPLY = const(2)
ALL = const(4)
ALL_KNOWN = const((1 << 22) - 1)  # every two-state input of the signals word


class Raw:
    """One tick's raw values; every count is 12 bits wide, 0..4095, None where no conversion was made.

    turn, zone         set by the edge: what it looks at next, and which zone; the rest need not be sampled
    levels             pins, one bit each at the place the signals word gives it; a level or toggled loop as well
    known              a bit clear: that pin could not be read (an expander that does not answer)
    latched            STOP and level loops: a bit set where the bad level was seen since the last tick, however
                       shortly, once through the hardware filter
    crash_us           length so far of the longest crash pulse seen since the last tick, 0 for none
    loop_driven        level driven into the toggled loops when their echo in `levels` was sampled, 0 or 1
    zone_counts16      sixteenths of a count, the mean of four conversions, one per zone
    loop_counts        resistor loops
    isolation_fresh    1 if a whole period of the monitor's signal ended since the last tick
    isolation_high_us, isolation_low_us   its last whole period
    isolation_level    the monitor's good/bad line, 1 = good
    speed_pulses       new pulses since the last tick, None if the counter was lost
    speed_period_us    time between the last two pulses, 0 before there were two

    What a build has that reads isolation or speed from CAN frames: frames.fit.
    """

    def __init__(self):
        self.turn = ALL
        self.zone = 0
        self.pack_counts = None
        self.bus_counts = None
        self.current_counts = None
        self.supply_counts = None
        self.reference_counts = None
        self.zone_counts16 = [None] * ZONES_MAX
        self.levels = 0
        self.known = ALL_KNOWN
        self.latched = 0
        self.crash_us = 0
        self.loop_driven = 0
        self.loop_counts = [None] * LOOPS_MAX
        self.isolation_fresh = 0
        self.isolation_high_us = 0
        self.isolation_low_us = 0
        self.isolation_level = 0
        self.speed_pulses = None
        self.speed_period_us = 0
