"""What the draft of the fault table says about each fault, as far as the promise monitor rests on it.

Written from the published reactions, not from the policy's table: the two are compared in tests. Caps in permille.
"""

# Faults that do not refuse a start. A pack sensor's row is judged on the readings: it depends on a covering zone.
START_ALLOWED = frozenset(
    {
        "COIL_TESTED",
        "CONTACTORS_DUE",
        "LOOP_FLICKERS",
        "ISOLATION_WARNING",
        "ISOLATION_DRIFTING",
        "PACK_WARM",
        "PACK_HOT",
        "PACK_COLD",  # refuses a charge
        "PACK_SPREAD",
        "PACK_SENSOR_OPEN",
        "PACK_SENSOR_SHORT",
        "PACK_SENSOR_STUCK",
        "PACK_SENSOR_IMPLAUSIBLE",
        "INVERTER_HOT",
        "MOTOR_HOT",
        "INVERTER_SENSOR_BAD",
        "MOTOR_SENSOR_BAD",
        "COOLANT_STOPPED",
        "OVER_CURRENT",
        "OPENED_UNDER_LOAD",
        "LAMP_DRIVER_FAULT",
        "RECORD_DAMAGED",
    }
)

# S4: what a contactor itself can do to be opened at speed.
CONTACTOR_FAILED = frozenset({"CONTACTOR_DROPPED_OUT", "POSITIVE_NOT_CLOSED", "NEGATIVE_NOT_CLOSED"})

# "Wind down" both standing and moving; rows that open when standing are left out, since they never wait there.
WINDS_DOWN = frozenset(
    {
        "LOOP_TO_GROUND",
        "LOOP_TO_SUPPLY",
        "ISOLATION_FAULT",
        "PACK_OVER_TEMPERATURE",
        "PACK_ZONES_LOST",
        "INVERTER_OVER_TEMPERATURE",
        "MOTOR_OVER_TEMPERATURE",
        "OVER_VOLTAGE",
        "UNDER_VOLTAGE",
        "LOOP_OVERRAN",
        "HEAP_LOW",
        "SELF_TEST_FAILED",
    }
)
WINDS_DOWN_FAST = frozenset({"PACK_RUNAWAY", "BUS_VOLTAGE_BAD", "PACK_BUS_DISAGREE", "SUPPLY_FAILING"})

DRIVE_CAP = {
    "ISOLATION_WARNING": 800,
    "ISOLATION_LOST": 500,
    "ISOLATION_UNSETTLED": 200,
    "ISOLATION_DEVICE": 500,
    "ISOLATION_IMPLAUSIBLE": 500,
    "PACK_HEATS_FAST": 200,
    "PACK_SENSOR_OPEN": 500,
    "PACK_SENSOR_SHORT": 500,
    "PACK_SENSOR_STUCK": 500,
    "PACK_SENSOR_IMPLAUSIBLE": 500,
    "INVERTER_SENSOR_BAD": 500,
    "MOTOR_SENSOR_BAD": 500,
    "COOLANT_STOPPED": 500,
    "PACK_BUS_DISAGREE": 0,
    "CURRENT_BAD": 500,
    "FEEDBACK_DISAGREES": 500,
    "SUPPLY_LOW": 500,
    "SPEED_LOST": 500,
}
CHARGE_CAP = {
    "PACK_HEATS_FAST": 200,
    "PACK_COLD": 0,
    "PACK_BUS_DISAGREE": 0,
    "CURRENT_BAD": 500,
    "FEEDBACK_DISAGREES": 500,
    "OVER_VOLTAGE": 0,
}

# Why a bus that stays live is left alone: the discharge failed, a weld feeds it, or nobody can read it.
DISCHARGE_GIVEN_UP = frozenset(
    {
        "DISCHARGE_SLOW",
        "DISCHARGE_CREEPS_BACK",
        "NEGATIVE_WELDED",
        "POSITIVE_WELDED",
        "PRECHARGE_WELDED",
        "BUS_LIVE",
        "BUS_VOLTAGE_BAD",
    }
)
