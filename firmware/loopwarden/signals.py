"""What crosses the edge of the policy: one tick's readings in, one tick's commands out.

Decides nothing. A reading that is not known is `None` beside a state that says why; it never becomes 0 (S10).
"""

from micropython import const

# Validity of a reading. OK is the only state in which the value may be used.
OK = const(0)
OPEN = const(1)  # converter at the rail that a broken wire gives, or no live zero
SHORT = const(2)  # converter at the other rail
STALE = const(3)  # no fresh reading: no edges, no frame, conversion stopped
RANGE = const(4)  # a value that the physical quantity cannot have, or two signs that contradict each other
DEVICE = const(5)  # the measuring device reports its own fault
QUIET = const(6)  # speed only: no pulses; standing still and a cut wire look the same

# Two-state inputs, one bit each in `bits`, `known` and `latch`.
KEY = const(1 << 0)
START = const(1 << 1)  # start request pressed
ACK = const(1 << 2)  # wired acknowledge button pressed
PLUG = const(1 << 3)  # charge plug present
SERVICE = const(1 << 4)  # service jumper fitted
STOP = const(1 << 5)  # emergency stop demanded
CRASH = const(1 << 6)  # crash signal present, pulse length already judged by the edge latch
CHARGED = const(1 << 7)  # charger says: done
AUX_POSITIVE = const(1 << 8)  # feedback contact: positive main reported closed
AUX_NEGATIVE = const(1 << 9)  # feedback contact: negative main reported closed
COOLANT = const(1 << 10)  # coolant or pump feedback: moving
COIL_FAULT = const(1 << 11)  # a coil driver's feedback differs from its command
LAMP_FAULT = const(1 << 12)  # a lamp driver's feedback differs from its command
LOOP0 = const(1 << 16)  # loop n is LOOP0 << n, 1 = reads closed
LOOPS_MAX = const(6)
LOOPS = const(0x3F << 16)
ZONES_MAX = const(10)


class Inputs:
    """One tick's readings, written in place by the edge before each step.

    bits, known, latch   int   two-state inputs; known has a bit clear where the input could not be read; latch has
                               a bit set where STOP, CRASH or the opening of a loop was seen since the last tick
    loop_low, loop_high  int   bit n: loop n reads shorted to ground / to supply
    *_mv, *_ma, *_dc     int or None, with *_state: one of the validity constants above
    current_ma           int   positive drives (leaves the pack), negative charges
    isolation_ohm        int   as the monitor means it (build: parallel or worse pole), isolation_age_ms its age
    speed_mm_s           int   from the last pulse period; speed_pulses: new pulses since the last tick, None if lost
    late_ms              int   by how much the last tick missed its deadline (0 in time); heap_free: bytes
    """

    def __init__(self):
        self.bits = 0
        self.known = 0
        self.latch = 0
        self.loop_low = 0
        self.loop_high = 0
        self.pack_mv = None
        self.pack_state = STALE
        self.bus_mv = None
        self.bus_state = STALE
        self.current_ma = None
        self.current_state = STALE
        self.supply_mv = None
        self.supply_state = STALE
        self.reference_mv = None
        self.reference_state = STALE
        self.isolation_ohm = None
        self.isolation_state = STALE
        self.isolation_age_ms = 0
        self.speed_mm_s = None
        self.speed_state = STALE
        self.speed_pulses = None
        self.zone_dc = [None] * ZONES_MAX
        self.zone_state = [STALE] * ZONES_MAX
        self.late_ms = 0
        self.heap_free = 1 << 20


class Outputs:
    """One tick's commands, 0 or 1 unless the unit says otherwise. The constructor's values are the off state (S11).

    lamp_hv drives both high-voltage lamps; it is born lit because an unproven bus is a live one (S5).
    heartbeat changes level at every completed step (S11). heat_share: valve that lets motor heat warm the pack.
    """

    def __init__(self):
        self.positive = 0
        self.negative = 0
        self.precharge = 0
        self.discharge = 0
        self.inverter_enable = 0
        self.charger_enable = 0
        self.hv_loads_enable = 0
        self.hold = 0
        self.drive_limit_permille = 0
        self.charge_limit_permille = 0
        self.pump_permille = 0
        self.fan_permille = 0
        self.heater = 0
        self.chiller = 0
        self.chill_valve = 0
        self.heat_share = 0
        self.lamp_ready = 0
        self.lamp_caution = 0
        self.lamp_stop = 0
        self.lamp_hv = 1
        self.heartbeat = 0

    def off(self):
        """Everything to the off state at once: contactors, enables, limits (S3, S11). Lamps, cooling and hold stay."""
        self.positive = 0
        self.negative = 0
        self.precharge = 0
        self.discharge = 0
        self.inverter_enable = 0
        self.charger_enable = 0
        self.hv_loads_enable = 0
        self.drive_limit_permille = 0
        self.charge_limit_permille = 0
