"""The one fault table: what each fault is called, how long it must last, what it does and how it ends.

Decides nothing; nothing else in the project defines a fault. A row's id is a promise to every record already
written: never renumbered, never reused. Words for people (what it means, first checks)
stand in fault_texts.txt, read only when asked. Reaction columns: off (off, checking, precharging, discharging, locked out), standing, moving.
Codes: SAE J2012 texts where one fits, with the failure type byte; else P1A00 + id, a maker's range code of our own.
Set times marked common practice in the fault notes are defaults; a build may change them (build key `debounce`).
"""

from micropython import const

# Reactions, mild to hard. The policy obeys the hardest active one.
NONE = const(0)
NOTE = const(1)
CAUTION = const(2)
LIMIT = const(3)
REFUSE = const(4)
WIND = const(5)
FAST = const(6)  # wind down on the fast ramp, no crawl
DOWN = const(7)  # "open, standing": limits 0, inverter off, then the Down sequence at once
CUT = const(8)  # S3 and contactor dropped out: everything off in this tick

# How a fault ends.
HEALS = const(0)
KEYED = const(1)  # at the next key-on, with the condition gone
LOCK = const(2)  # cleared at the vehicle with the bus proven dead (S9)
ACKED = const(3)  # asked for over a link and acknowledged at the vehicle (S15)
KEY_ACKED = const(4)  # acknowledged at the vehicle with the condition gone, then the next key-on

# Lamp override; DEFAULT: caution and limit light caution; refuse, wind down and open light stop.
DEFAULT = const(0)
CAUTION_LAMP = const(1)
STOP_LAMP = const(2)

ID, NAME, CODE, FTB, SET_MS, OFF, STANDING, MOVING, ENDS, DRIVE, CHARGE, LAMP = range(12)
FULL = const(1000)  # no limit from this row


def _own(row_id):
    return 0x1A00 + row_id


# A pack sensor that fails alone is a caution; a zone that no valid sensor covers any more is PACK_ZONES_LOST and refuses.
# DRIVE, CHARGE: permille cap while the row's reaction is LIMIT or harder in live; ramps are the limiters' business.
TABLE = (
    # id name code ftb set_ms off standing moving ends drive charge lamp
    (1, "LOOP_OPEN", 0x0A0A, 0x13, 60, REFUSE, DOWN, WIND, KEYED, FULL, FULL, DEFAULT),
    (2, "HARD_LOOP_OPEN", _own(2), 0x00, 0, REFUSE, CUT, CUT, KEYED, FULL, FULL, DEFAULT),  # S3
    (3, "LOOP_TO_GROUND", 0x0A0A, 0x11, 60, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (4, "LOOP_TO_SUPPLY", 0x0A0A, 0x12, 60, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (5, "LOOP_FLICKERS", 0x0A0A, 0x1F, 0, CAUTION, CAUTION, CAUTION, HEALS, FULL, FULL, DEFAULT),
    (6, "PERMIT_WITHDRAWN", _own(6), 0x00, 100, REFUSE, DOWN, WIND, KEYED, FULL, FULL, DEFAULT),
    (7, "ISOLATION_WARNING", _own(7), 0x00, 5000, LIMIT, LIMIT, LIMIT, HEALS, 800, FULL, DEFAULT),
    (8, "ISOLATION_FAULT", 0x0AA6, 0x00, 2000, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (9, "ISOLATION_LOST", 0x0AA7, 0x31, 3000, REFUSE, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (10, "ISOLATION_UNSETTLED", _own(10), 0x00, 0, REFUSE, LIMIT, LIMIT, KEYED, 200, FULL, DEFAULT),
    (11, "ISOLATION_DEVICE", 0x0AA7, 0x29, 1000, REFUSE, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (12, "ISOLATION_IMPLAUSIBLE", 0x0AA7, 0x64, 1000, REFUSE, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (13, "ISOLATION_DRIFTING", _own(13), 0x00, 0, CAUTION, NONE, NONE, HEALS, FULL, FULL, DEFAULT),
    (14, "PACK_WARM", 0, 0x00, 0, NONE, NONE, NONE, HEALS, FULL, FULL, DEFAULT),  # full cooling, no code
    (15, "PACK_HOT", _own(15), 0x00, 2000, CAUTION, LIMIT, LIMIT, HEALS, FULL, FULL, DEFAULT),  # ramp: limits.py
    (16, "PACK_OVER_TEMPERATURE", 0x0A7E, 0x00, 1000, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (17, "PACK_HEATS_FAST", _own(17), 0x00, 3000, REFUSE, LIMIT, LIMIT, KEYED, 200, 200, STOP_LAMP),
    (18, "PACK_RUNAWAY", _own(18), 0x00, 0, REFUSE, DOWN, FAST, LOCK, FULL, FULL, DEFAULT),
    (19, "PACK_COLD", _own(19), 0x00, 1000, LIMIT, LIMIT, LIMIT, HEALS, FULL, 0, DEFAULT),
    (20, "PACK_SPREAD", _own(20), 0x00, 10000, CAUTION, CAUTION, CAUTION, HEALS, FULL, FULL, DEFAULT),
    (21, "PACK_SENSOR_OPEN", 0x0A9B, 0x13, 200, CAUTION, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (22, "PACK_SENSOR_SHORT", 0x0A9B, 0x11, 200, CAUTION, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (23, "PACK_SENSOR_STUCK", 0x0A9B, 0x2A, 0, CAUTION, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (24, "PACK_SENSOR_IMPLAUSIBLE", 0x0A9B, 0x64, 0, CAUTION, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (25, "PACK_ZONES_LOST", _own(25), 0x00, 5000, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (26, "INVERTER_HOT", _own(26), 0x00, 2000, CAUTION, LIMIT, LIMIT, HEALS, FULL, FULL, DEFAULT),
    (27, "MOTOR_HOT", _own(27), 0x00, 2000, CAUTION, LIMIT, LIMIT, HEALS, FULL, FULL, DEFAULT),
    (28, "INVERTER_OVER_TEMPERATURE", 0x0A3C, 0x00, 1000, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (29, "MOTOR_OVER_TEMPERATURE", 0x0A2F, 0x00, 1000, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (30, "INVERTER_SENSOR_BAD", _own(30), 0x00, 200, CAUTION, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (31, "MOTOR_SENSOR_BAD", 0x0A2A, 0x00, 200, CAUTION, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (32, "COOLANT_STOPPED", _own(32), 0x00, 5000, CAUTION, LIMIT, LIMIT, HEALS, 500, FULL, DEFAULT),
    (33, "BUS_FALLING", 0, 0x00, 0, NONE, NONE, NONE, HEALS, FULL, FULL, DEFAULT),  # a wait, no code
    (34, "BUS_LIVE", _own(34), 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (35, "PACK_VOLTAGE_BAD", _own(35), 0x00, 200, REFUSE, LIMIT, WIND, KEYED, 200, 200, DEFAULT),
    (36, "BUS_VOLTAGE_BAD", _own(36), 0x00, 200, REFUSE, WIND, FAST, KEYED, FULL, FULL, DEFAULT),
    (37, "PACK_BUS_DISAGREE", _own(37), 0x00, 200, REFUSE, DOWN, FAST, KEYED, 0, 0, DEFAULT),
    (38, "CURRENT_BAD", _own(38), 0x00, 200, REFUSE, LIMIT, LIMIT, KEYED, 500, 500, DEFAULT),
    (39, "OVER_CURRENT", _own(39), 0x00, 0, NONE, LIMIT, LIMIT, HEALS, FULL, FULL, DEFAULT),  # ramp: limits.py
    (40, "PRECHARGE_FLAT", _own(40), 0x00, 0, REFUSE, NONE, NONE, KEYED, FULL, FULL, DEFAULT),
    (41, "PRECHARGE_SLOW", 0x0C78, 0x00, 0, REFUSE, NONE, NONE, KEYED, FULL, FULL, DEFAULT),
    (42, "PRECHARGE_FAST", 0x0C77, 0x00, 0, REFUSE, NONE, NONE, KEYED, FULL, FULL, DEFAULT),
    (43, "PRECHARGE_RESISTOR_HOT", _own(43), 0x00, 0, NOTE, NONE, NONE, HEALS, FULL, FULL, DEFAULT),  # a wait
    (44, "NEGATIVE_WELDED", 0x0AA4, 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (45, "POSITIVE_WELDED", 0x0AA1, 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (46, "POSITIVE_UNPROVEN", _own(46), 0x00, 0, REFUSE, NONE, NONE, ACKED, FULL, FULL, DEFAULT),
    (47, "PRECHARGE_WELDED", 0x0AE2, 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (48, "POSITIVE_NOT_CLOSED", 0x0AA2, 0x00, 0, REFUSE, CUT, CUT, KEYED, FULL, FULL, DEFAULT),
    (49, "NEGATIVE_NOT_CLOSED", 0x0AA5, 0x00, 0, REFUSE, CUT, CUT, KEYED, FULL, FULL, DEFAULT),
    (50, "FEEDBACK_DISAGREES", _own(50), 0x00, 100, REFUSE, LIMIT, LIMIT, KEYED, 500, 500, CAUTION_LAMP),
    (51, "CONTACTOR_DROPPED_OUT", _own(51), 0x00, 100, REFUSE, CUT, CUT, KEYED, FULL, FULL, DEFAULT),
    (52, "OVER_VOLTAGE", 0x0AFB, 0x00, 100, REFUSE, WIND, WIND, KEYED, FULL, 0, DEFAULT),
    (53, "UNDER_VOLTAGE", 0x0AFA, 0x00, 1000, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (54, "DISCHARGE_SLOW", 0x0C76, 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (55, "DISCHARGE_CREEPS_BACK", _own(55), 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (56, "DISCHARGE_RESISTOR_HOT", _own(56), 0x00, 0, NOTE, NONE, NONE, HEALS, FULL, FULL, DEFAULT),  # a wait
    (57, "OPENED_UNDER_LOAD", _own(57), 0x00, 0, NOTE, NOTE, NOTE, HEALS, FULL, FULL, DEFAULT),
    (58, "SUPPLY_LOW", 0x0562, 0x16, 500, REFUSE, LIMIT, LIMIT, HEALS, 500, FULL, DEFAULT),
    (59, "SUPPLY_FAILING", 0x0562, 0x00, 100, REFUSE, FAST, FAST, KEYED, FULL, FULL, DEFAULT),
    (60, "SUPPLY_HIGH", 0x0563, 0x00, 500, REFUSE, CAUTION, CAUTION, HEALS, FULL, FULL, DEFAULT),
    (61, "EMERGENCY_STOP", _own(61), 0x00, 0, REFUSE, CUT, CUT, KEY_ACKED, FULL, FULL, DEFAULT),  # S3
    (62, "CRASH", _own(62), 0x00, 0, REFUSE, CUT, CUT, LOCK, FULL, FULL, DEFAULT),  # S3
    (63, "SPEED_LOST", _own(63), 0x00, 0, REFUSE, LIMIT, LIMIT, KEYED, 500, FULL, DEFAULT),
    (64, "START_STUCK", _own(64), 0x00, 0, REFUSE, NONE, NONE, HEALS, FULL, FULL, DEFAULT),
    (65, "PLUG_WHILE_DRIVING", _own(65), 0x00, 0, REFUSE, DOWN, WIND, KEYED, 0, FULL, DEFAULT),
    (66, "COIL_DRIVER_FAULT", _own(66), 0x00, 100, REFUSE, CAUTION, CAUTION, KEYED, FULL, FULL, DEFAULT),
    (67, "LAMP_DRIVER_FAULT", _own(67), 0x00, 100, CAUTION, CAUTION, CAUTION, KEYED, FULL, FULL, DEFAULT),
    (68, "LOOP_OVERRAN", 0x0606, 0x00, 0, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (69, "UNHANDLED_EXCEPTION", 0x0606, 0x62, 0, REFUSE, CUT, CUT, KEYED, FULL, FULL, DEFAULT),  # S11
    (70, "RESTARTED_WHILE_LIVE", _own(70), 0x00, 0, REFUSE, NONE, NONE, ACKED, FULL, FULL, DEFAULT),
    (71, "HEAP_LOW", 0x0604, 0x00, 0, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (72, "SELF_TEST_FAILED", _own(72), 0x00, 500, REFUSE, WIND, WIND, KEYED, FULL, FULL, DEFAULT),
    (73, "STORE_FAILED", 0x062F, 0x00, 0, REFUSE, CAUTION, CAUTION, KEYED, FULL, FULL, DEFAULT),
    (74, "JOURNAL_NEARLY_FULL", _own(74), 0x00, 0, REFUSE, CAUTION, CAUTION, HEALS, FULL, FULL, DEFAULT),
    (75, "RECORD_DAMAGED", 0x062F, 0x41, 0, CAUTION, NONE, NONE, HEALS, FULL, FULL, DEFAULT),
    (76, "MEMORY_NEW", _own(76), 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (77, "BUILD_REJECTED", 0x0601, 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (78, "INSTALL_INCOMPLETE", 0x0605, 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),
    (79, "PRECHARGE_FLAT_AGAIN", _own(79), 0x00, 0, REFUSE, NONE, NONE, LOCK, FULL, FULL, DEFAULT),  # the third time
)
