"""The fault table against what it must say, row by row.

The expectation below is written by hand from the trade's habits, not from the table: reactions, ends and caps are this
project's specification and, where nothing else is said, common practice. Codes: texts of SAE J2012 / ISO 15031-6 as two
public lists give them (see PUBLISHED_TEXTS); failure type bytes: two public lists of the SAE J2012-DA bytes, 2A in the
newer one only.
"""

import pytest

from loopwarden.policy import fault_table as T

# name, code, set time in ms, before start, standing, moving, end, then caps D (drive) and C (charge) in percent, lamp.
# "own": a code of our own. "at once": everything off in the same tick. fast: wind down on the fast ramp.
EXPECTED = """
LOOP_OPEN                 P0A0A-13 60    refuse  open    wind    key
HARD_LOOP_OPEN            own      0     refuse  at_once at_once key
LOOP_TO_GROUND            P0A0A-11 60    refuse  wind    wind    key
LOOP_TO_SUPPLY            P0A0A-12 60    refuse  wind    wind    key
LOOP_FLICKERS             P0A0A-1F 0     caution caution caution heals
PERMIT_WITHDRAWN          own      100   refuse  open    wind    key
ISOLATION_WARNING         own      5000  limit   limit   limit   heals D80
ISOLATION_FAULT           P0AA6-00 2000  refuse  wind    wind    key
ISOLATION_LOST            P0AA7-31 3000  refuse  limit   limit   key D50
ISOLATION_UNSETTLED       own      0     refuse  limit   limit   key D20
ISOLATION_DEVICE          P0AA7-29 1000  refuse  limit   limit   key D50
ISOLATION_IMPLAUSIBLE     P0AA7-64 1000  refuse  limit   limit   key D50
ISOLATION_DRIFTING        own      0     caution -       -       heals
PACK_WARM                 none     0     -       -       -       heals
PACK_HOT                  own      2000  caution limit   limit   heals
PACK_OVER_TEMPERATURE     P0A7E-00 1000  refuse  wind    wind    key
PACK_HEATS_FAST           own      3000  refuse  limit   limit   key D20 C20 stop
PACK_RUNAWAY              own      0     refuse  open    fast    lock
PACK_COLD                 own      1000  limit   limit   limit   heals C0
PACK_SPREAD               own      10000 caution caution caution heals
PACK_SENSOR_OPEN          P0A9B-13 200   caution limit   limit   key D50
PACK_SENSOR_SHORT         P0A9B-11 200   caution limit   limit   key D50
PACK_SENSOR_STUCK         P0A9B-2A 0     caution limit   limit   key D50
PACK_SENSOR_IMPLAUSIBLE   P0A9B-64 0     caution limit   limit   key D50
PACK_ZONES_LOST           own      5000  refuse  wind    wind    key
INVERTER_HOT              own      2000  caution limit   limit   heals
MOTOR_HOT                 own      2000  caution limit   limit   heals
INVERTER_OVER_TEMPERATURE P0A3C-00 1000  refuse  wind    wind    key
MOTOR_OVER_TEMPERATURE    P0A2F-00 1000  refuse  wind    wind    key
INVERTER_SENSOR_BAD       own      200   caution limit   limit   key D50
MOTOR_SENSOR_BAD          P0A2A-00 200   caution limit   limit   key D50
COOLANT_STOPPED           own      5000  caution limit   limit   heals D50
BUS_FALLING               none     0     -       -       -       heals
BUS_LIVE                  own      0     refuse  -       -       lock
PACK_VOLTAGE_BAD          own      200   refuse  limit   wind    key D20 C20
BUS_VOLTAGE_BAD           own      200   refuse  wind    fast    key
PACK_BUS_DISAGREE         own      200   refuse  open    fast    key D0 C0
CURRENT_BAD               own      200   refuse  limit   limit   key D50 C50
OVER_CURRENT              own      0     -       limit   limit   heals
PRECHARGE_FLAT            own      0     refuse  -       -       key
PRECHARGE_SLOW            P0C78-00 0     refuse  -       -       key
PRECHARGE_FAST            P0C77-00 0     refuse  -       -       key
PRECHARGE_RESISTOR_HOT    own      0     note    -       -       heals
NEGATIVE_WELDED           P0AA4-00 0     refuse  -       -       lock
POSITIVE_WELDED           P0AA1-00 0     refuse  -       -       lock
POSITIVE_UNPROVEN         own      0     refuse  -       -       acknowledged
PRECHARGE_WELDED          P0AE2-00 0     refuse  -       -       lock
POSITIVE_NOT_CLOSED       P0AA2-00 0     refuse  at_once at_once key
NEGATIVE_NOT_CLOSED       P0AA5-00 0     refuse  at_once at_once key
FEEDBACK_DISAGREES        own      100   refuse  limit   limit   key D50 C50 caution
CONTACTOR_DROPPED_OUT     own      100   refuse  at_once at_once key
OVER_VOLTAGE              P0AFB-00 100   refuse  wind    wind    key C0
UNDER_VOLTAGE             P0AFA-00 1000  refuse  wind    wind    key
DISCHARGE_SLOW            P0C76-00 0     refuse  -       -       lock
DISCHARGE_CREEPS_BACK     own      0     refuse  -       -       lock
DISCHARGE_RESISTOR_HOT    own      0     note    -       -       heals
OPENED_UNDER_LOAD         own      0     note    note    note    heals
SUPPLY_LOW                P0562-16 500   refuse  limit   limit   heals D50
SUPPLY_FAILING            P0562-00 100   refuse  fast    fast    key
SUPPLY_HIGH               P0563-00 500   refuse  caution caution heals
EMERGENCY_STOP            own      0     refuse  at_once at_once button_and_key
CRASH                     own      0     refuse  at_once at_once lock
SPEED_LOST                own      0     refuse  limit   limit   key D50
START_STUCK               own      0     refuse  -       -       heals
PLUG_WHILE_DRIVING        own      0     refuse  open    wind    key
COIL_DRIVER_FAULT         own      100   refuse  caution caution key
LAMP_DRIVER_FAULT         own      100   caution caution caution key
LOOP_OVERRAN              P0606-00 0     refuse  wind    wind    key
UNHANDLED_EXCEPTION       P0606-62 0     refuse  at_once at_once key
RESTARTED_WHILE_LIVE      own      0     refuse  -       -       acknowledged
HEAP_LOW                  P0604-00 1000  refuse  wind    wind    key
SELF_TEST_FAILED          own      500   refuse  wind    wind    key
STORE_FAILED              P062F-00 0     refuse  caution caution key
JOURNAL_NEARLY_FULL       own      1000  refuse  caution caution heals
RECORD_DAMAGED            P062F-41 0     caution -       -       heals
MEMORY_NEW                own      0     refuse  -       -       lock
BUILD_REJECTED            P0601-00 0     refuse  -       -       heals
INSTALL_INCOMPLETE        P0605-00 0     refuse  -       -       heals
PRECHARGE_FLAT_AGAIN      own      0     refuse  -       -       lock
CONTACTORS_DUE            own      0     caution caution caution acknowledged
COIL_TESTED               own      0     note    note    note    heals
"""

REACTION = {
    "-": T.NONE,
    "note": T.NOTE,
    "caution": T.CAUTION,
    "limit": T.LIMIT,
    "refuse": T.REFUSE,
    "wind": T.WIND,
    "fast": T.FAST,
    "open": T.DOWN,
    "at_once": T.CUT,
}
END = {"heals": T.HEALS, "key": T.KEYED, "lock": T.LOCK, "acknowledged": T.ACKED, "button_and_key": T.KEY_ACKED}
LAMP = {"stop": T.STOP_LAMP, "caution": T.CAUTION_LAMP}

# Texts of SAE J2012 / ISO 15031-6 (originals not seen) in short, from two public lists: Wal33D/dtc-database and AndrOBD
# codes.properties; P0C76, P0C77 and P0C78 in the first list only, confirmed by other public pages.
PUBLISHED_TEXTS = {
    "P0A0A": ("high voltage interlock circuit", ("LOOP_OPEN", "LOOP_TO_GROUND", "LOOP_TO_SUPPLY", "LOOP_FLICKERS")),
    "P0A2A": ("drive motor temperature sensor circuit", ("MOTOR_SENSOR_BAD",)),
    "P0A2F": ("drive motor over temperature", ("MOTOR_OVER_TEMPERATURE",)),
    "P0A3C": ("drive motor inverter A over temperature", ("INVERTER_OVER_TEMPERATURE",)),
    "P0A7E": ("battery pack over temperature", ("PACK_OVER_TEMPERATURE",)),
    "P0A9B": (
        "battery temperature sensor A circuit",
        ("PACK_SENSOR_OPEN", "PACK_SENSOR_SHORT", "PACK_SENSOR_STUCK", "PACK_SENSOR_IMPLAUSIBLE"),
    ),
    "P0AA1": ("battery positive contactor circuit stuck closed", ("POSITIVE_WELDED",)),
    "P0AA2": ("battery positive contactor circuit stuck open", ("POSITIVE_NOT_CLOSED",)),
    "P0AA4": ("battery negative contactor circuit stuck closed", ("NEGATIVE_WELDED",)),
    "P0AA5": ("battery negative contactor circuit stuck open", ("NEGATIVE_NOT_CLOSED",)),
    "P0AA6": ("battery voltage system isolation fault", ("ISOLATION_FAULT",)),
    "P0AA7": (
        "battery voltage isolation sensor circuit",
        ("ISOLATION_LOST", "ISOLATION_DEVICE", "ISOLATION_IMPLAUSIBLE"),
    ),
    "P0AE2": ("battery precharge contactor circuit stuck closed", ("PRECHARGE_WELDED",)),
    "P0AFA": ("battery system voltage low", ("UNDER_VOLTAGE",)),
    "P0AFB": ("battery system voltage high", ("OVER_VOLTAGE",)),
    "P0C76": ("battery system discharge time too long", ("DISCHARGE_SLOW",)),
    "P0C77": ("battery system precharge time too short", ("PRECHARGE_FAST",)),
    "P0C78": ("battery system precharge time too long", ("PRECHARGE_SLOW",)),
    "P0562": ("system voltage low", ("SUPPLY_LOW", "SUPPLY_FAILING")),
    "P0563": ("system voltage high", ("SUPPLY_HIGH",)),
    "P0601": ("control module memory checksum error", ("BUILD_REJECTED",)),
    "P0604": ("control module RAM error", ("HEAP_LOW",)),
    "P0605": ("control module ROM error", ("INSTALL_INCOMPLETE",)),
    "P0606": ("control module processor", ("LOOP_OVERRAN", "UNHANDLED_EXCEPTION")),
    "P062F": ("control module EEPROM error", ("STORE_FAILED", "RECORD_DAMAGED")),
}


def unpacked(code):
    """SAE J2012 two-byte packing, undone by arithmetic of its own."""
    letter, rest = divmod(code, 0x4000)
    return "PCBU"[letter] + format(rest, "04X")


def expected():
    for line in EXPECTED.strip().splitlines():
        name, code, set_ms, off, standing, moving, end, *rest = line.split()
        caps = {word[0]: int(word[1:]) * 10 for word in rest if word[0] in "DC"}
        lamp = next((LAMP[word] for word in rest if word in LAMP), T.DEFAULT)
        react = (REACTION[off], REACTION[standing], REACTION[moving])
        yield name, (code, int(set_ms), *react, END[end], caps.get("D", 1000), caps.get("C", 1000), lamp)


EXPECTED_ROWS = dict(expected())
ROW_OF = {row[T.NAME]: row for row in T.TABLE}


def test_the_table_has_these_rows_in_this_order():
    """An id is a promise to every record already written: a new row goes to the end, none goes away."""
    assert [row[T.NAME] for row in T.TABLE] == list(EXPECTED_ROWS)
    assert [row[T.ID] for row in T.TABLE] == list(range(1, len(EXPECTED_ROWS) + 1))


@pytest.mark.parametrize("name", EXPECTED_ROWS)
def test_row(name):
    """Code, set time, the three reactions, end, caps and lamp."""
    row = ROW_OF[name]
    shown = f"{unpacked(row[T.CODE])}-{row[T.FTB]:02X}"
    if row[T.CODE] == 0:
        shown = "none"
    elif shown == f"P1A{row[T.ID]:02X}-00":
        shown = "own"
    columns = (T.SET_MS, T.OFF, T.STANDING, T.MOVING, T.ENDS, T.DRIVE, T.CHARGE, T.LAMP)
    assert (shown, *(row[column] for column in columns)) == EXPECTED_ROWS[name]
    assert len(row) == T.COLUMNS


def test_every_code_with_its_type_byte_belongs_to_one_row():
    pairs = [(row[T.CODE], row[T.FTB]) for row in T.TABLE if row[T.CODE]]
    assert len(set(pairs)) == len(pairs)


@pytest.mark.outside(
    subject="trouble codes",
    source="SAE J2012 / ISO 15031-6 texts, seen in two public lists (P0C76 to P0C78 in one and in other "
    "pages); originals not seen",
    value="P0A0A, P0A2A, P0A2F, P0A3C, P0A7E, P0A9B, P0AA1, P0AA2, P0AA4 to P0AA7, P0AE2, P0AFA, P0AFB, "
    "P0C76 to P0C78, P0562, P0563, P0601, P0604 to P0606, P062F: each where its text fits",
)
def test_standard_codes_stand_where_their_published_text_fits():
    """Every code that is not our own is in the published list, on just the rows that its text covers."""
    used = {}
    for row in T.TABLE:
        if row[T.CODE] and not 0x1A00 <= row[T.CODE] < 0x1B00:
            used.setdefault(unpacked(row[T.CODE]), []).append(row[T.NAME])
    assert {code: tuple(sorted(names)) for code, names in used.items()} == {
        code: tuple(sorted(rows)) for code, (_, rows) in PUBLISHED_TEXTS.items()
    }


@pytest.mark.outside(
    subject="trouble codes",
    source="SAE J2012 texts, seen in two public lists; originals not seen",
    value="not to be confused: P0A3B is the generator's temperature (the inverter's is P0A3C), P0AE6 and P0AE7 are the "
    "precharge contactor's control, P0AC6 to P0ACB other temperature sensors, P0C73 and P0C74 the coolant pumps' own",
)
@pytest.mark.outside(
    subject="trouble codes",
    source="one public list only, not seen in another",
    value="P0C75, P0C79, P0DA8 and an interlock called P0D00 are in no two lists, so no row has them",
)
def test_codes_that_lists_mix_up_or_that_only_one_has_are_not_used():
    used = {unpacked(row[T.CODE]): row[T.NAME] for row in T.TABLE if row[T.CODE]}
    other = {"P0A3B", "P0AE6", "P0AE7", "P0C73", "P0C74", *(f"P0AC{digit}" for digit in "6789AB")}
    unsure = {"P0C75", "P0C79", "P0DA8", "P0D00"}
    assert not used.keys() & (other | unsure)
    assert used["P0A3C"] == "INVERTER_OVER_TEMPERATURE"
    assert used["P0AE2"] == "PRECHARGE_WELDED"


# Failure type bytes of SAE J2012-DA in short, and the rows that say just that.
PUBLISHED_TYPES = {
    0x11: ("short to ground", {"LOOP_TO_GROUND", "PACK_SENSOR_SHORT"}),
    0x12: ("short to supply", {"LOOP_TO_SUPPLY"}),
    0x13: ("open", {"LOOP_OPEN", "PACK_SENSOR_OPEN"}),
    0x16: ("voltage below", {"SUPPLY_LOW"}),
    0x1F: ("intermittent", {"LOOP_FLICKERS"}),
    0x29: ("invalid", {"ISOLATION_DEVICE"}),
    0x2A: ("stuck in range", {"PACK_SENSOR_STUCK"}),
    0x31: ("no signal", {"ISOLATION_LOST"}),
    0x41: ("checksum", {"RECORD_DAMAGED"}),
    0x64: ("implausible", {"ISOLATION_IMPLAUSIBLE", "PACK_SENSOR_IMPLAUSIBLE"}),
}


@pytest.mark.outside(
    subject="trouble codes",
    source="failure type bytes, seen in two public lists (2A in the newer one only); original not seen",
    value="11 short to ground, 12 short to supply, 13 open, 16 voltage below, 1F intermittent, 29 invalid, 2A stuck in "
    "range, 31 no signal, 41 checksum, 64 implausible",
)
def test_a_failure_type_stands_on_the_rows_that_it_describes():
    found = {}
    for row in T.TABLE:
        found.setdefault(row[T.FTB], set()).add(row[T.NAME])
    assert {number: found[number] for number in PUBLISHED_TYPES} == {
        number: names for number, (_, names) in PUBLISHED_TYPES.items()
    }


def test_set_times_are_whole_ms_and_not_longer_than_a_minute():
    for row in T.TABLE:
        assert type(row[T.SET_MS]) is int, row[T.NAME]
        assert 0 <= row[T.SET_MS] <= 60_000, row[T.NAME]


def test_a_fault_that_ends_a_drive_refuses_the_next_one():
    """What winds down or opens and does not heal still refuses a start."""
    for row in T.TABLE:
        if max(row[T.STANDING], row[T.MOVING]) >= T.WIND:
            assert row[T.OFF] == T.REFUSE, row[T.NAME]
            assert row[T.ENDS] != T.HEALS, row[T.NAME]


def test_while_moving_only_what_s4_allows_opens_the_contactors():
    """S4: S3 (stop, crash, hard loop), S11 (exception) and a proven failure of a contactor."""
    assert {row[T.NAME] for row in T.TABLE if row[T.MOVING] in (T.DOWN, T.CUT)} == {
        "HARD_LOOP_OPEN",
        "EMERGENCY_STOP",
        "CRASH",
        "UNHANDLED_EXCEPTION",
        "POSITIVE_NOT_CLOSED",
        "NEGATIVE_NOT_CLOSED",
        "CONTACTOR_DROPPED_OUT",
    }


def test_no_driving_fault_is_milder_standing_than_a_limit_when_it_winds_down_moving():
    """Coming to a stand must not give power back: what winds down while moving at least limits while standing."""
    for row in T.TABLE:
        if row[T.MOVING] >= T.WIND:
            assert row[T.STANDING] >= T.LIMIT, row[T.NAME]
            if row[T.STANDING] == T.LIMIT:
                assert row[T.DRIVE] < T.FULL, row[T.NAME]
                assert row[T.CHARGE] < T.FULL, row[T.NAME]


def test_caps_are_permille_and_only_where_the_row_limits():
    for row in T.TABLE:
        for cap in (row[T.DRIVE], row[T.CHARGE]):
            assert 0 <= cap <= T.FULL, row[T.NAME]
            if cap < T.FULL:
                assert max(row[T.STANDING], row[T.MOVING]) >= T.LIMIT, row[T.NAME]


def test_a_lock_refuses():
    for row in T.TABLE:
        if row[T.ENDS] in (T.LOCK, T.ACKED, T.KEY_ACKED) and row[T.NAME] != "CONTACTORS_DUE":  # an inspection can wait
            assert row[T.OFF] == T.REFUSE, row[T.NAME]


def test_every_reaction_leaves_a_code():
    """S8: a row without a code is a state that asks for nothing."""
    for row in T.TABLE:
        if not row[T.CODE]:
            assert (row[T.OFF], row[T.STANDING], row[T.MOVING]) == (T.NONE, T.NONE, T.NONE), row[T.NAME]
