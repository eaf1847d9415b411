"""Code records: status byte against an independent reading of ISO 14229-1, ages, freeze frames."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from udsoncan import Dtc

from loopwarden.memory import codes as K
from loopwarden.policy import fault_table as T

from .guest.bench_world import BenchWorld

DRIVE_ROW, ALWAYS_ROW, NO_LAMP_ROW = 44, 8, 57

histories = st.lists(st.sampled_from(["occurs", "gone", "ended", "cycle"]), max_size=40)


def told(history, row, drove=True):
    """A record after a history, and the power cycle it has come to."""
    record, cycle, world = K.new_record(row), 1, BenchWorld()
    for step in history:
        if step == "occurs":
            K.occurs(record, cycle, 1, world)
        elif step == "gone":
            record[K.FLAGS] &= ~K.FAILED
        elif step == "ended":
            record[K.FLAGS] = 0
        else:
            cycle += 1
            record[K.FLAGS] = 0
    return record, cycle


@pytest.mark.outside(
    subject="status of a code",
    source="computed apart, udsoncan's Dtc.Status; the rules of ISO 14229-1 seen in public code and pages that cite it",
    value="bits 0 to 7 after any history",
)
@given(histories, st.sampled_from([DRIVE_ROW, ALWAYS_ROW, NO_LAMP_ROW]), st.booleans())
def test_the_status_byte_reads_as_udsoncan_names_its_bits(history, row, drove):
    """Reference: udsoncan's `Dtc.Status`; the rules between the bits are ISO 14229-1's (from memory)."""
    record, cycle = told(history, row)
    read = Dtc.Status()
    read.set_byte(K.status(record, cycle, drove, drove))
    last_cycle = history[::-1].index("cycle") if "cycle" in history else len(history)
    this_cycle = history[len(history) - last_cycle :]
    last = next((step for step in reversed(this_cycle) if step in ("occurs", "gone", "ended")), None)
    assert read.test_failed is (last == "occurs")
    assert read.test_failed_this_operation_cycle is ("occurs" in this_cycle)
    assert read.confirmed is ("occurs" in history)
    assert read.test_failed_since_last_clear is ("occurs" in history)
    assert not (read.test_failed_this_operation_cycle and not read.pending)
    assert not (read.test_failed_this_operation_cycle and read.test_not_completed_this_operation_cycle)
    assert not (read.test_failed_since_last_clear and read.test_not_completed_since_last_clear)
    assert not (read.warning_indicator_requested and row == NO_LAMP_ROW)


@pytest.mark.outside(
    subject="status of a code",
    source="ISO 14229-1, seen in public code and pages that cite it",
    value="0x50 after clearing, 0x00 once the test has passed",
)
def test_a_code_never_seen_whose_test_has_not_run_reads_0x50():
    """ISO 14229-1: after clearing, bits 4 and 6 are set until the test has run."""
    assert K.status(K.new_record(DRIVE_ROW), 1, False, False) == 0x50
    assert K.status(K.new_record(DRIVE_ROW), 1, True, True) == 0x00


@pytest.mark.outside(
    subject="status of a code",
    source="ISO 14229-1, seen in public code and pages that cite it",
    value="confirmed and failing 0x2F, with the lamp 0xAF; then passing in the same cycle 0x2E; history 0x28",
)
@pytest.mark.parametrize(
    ("history", "row", "byte"),
    [
        (["occurs"], NO_LAMP_ROW, 0x2F),
        (["occurs"], ALWAYS_ROW, 0xAF),
        (["occurs", "ended"], ALWAYS_ROW, 0x2E),
        (["occurs", "ended", "cycle", "cycle"], ALWAYS_ROW, 0x28),
    ],
)
def test_a_code_reads_as_the_usual_worked_bytes(history, row, byte):
    record, cycle = told(history, row)
    assert K.status(record, cycle, True, True) == byte


@pytest.mark.outside(
    subject="status of a code",
    source="ISO 14229-1, seen in public code and pages that cite it",
    value="pending goes only at the end of a cycle that was tested and did not fail",
)
@pytest.mark.parametrize(("cycles", "pending"), [(0, True), (1, True), (2, False)])
def test_a_code_is_pending_until_a_whole_cycle_passed_without_it(cycles, pending):
    record, cycle = told(["occurs", *["cycle"] * cycles], ALWAYS_ROW)
    assert bool(K.status(record, cycle, True, True) & K.PENDING) is pending


@pytest.mark.outside(
    subject="status of a code",
    source="common practice, typical of ISO 14229-1",
    value="confirmed goes after 40 cycles without it; a failing one begins anew",
)
def test_a_code_ages_after_forty_cycles_without_it_but_not_while_it_stands():
    """Forty warm-up cycles: common practice of road vehicles' self-diagnosis."""
    record, cycle = told(["occurs", *["cycle"] * 40], ALWAYS_ROW)
    assert not K.has_aged(record, cycle)
    assert K.has_aged(record, cycle + 1)
    record[K.FLAGS] = K.LAMP
    assert not K.has_aged(record, cycle + 1)


def test_both_freeze_frames_are_kept_and_nothing_is_made_up():
    world = BenchWorld()
    record = K.new_record(ALWAYS_ROW)
    world.inputs.bus_mv = 379_000
    K.occurs(record, 3, 0b01, world)
    world.inputs.bus_mv, world.electrics.bus_ok, world.faults.clock_ms = 0, 0, 5_000
    world.inputs.speed_state = 3
    K.occurs(record, 5, 0b10, world)
    assert K.latest(record) == K.LATEST
    first, latest = K.frame_at(record, K.FIRST), K.frame_at(record, K.LATEST)
    assert (first["bus_mv"], latest["bus_mv"]) == (379_000, None)  # S10
    assert (first["t_ms"], latest["t_ms"]) == (0, 5_000)
    assert latest["speed_mm_s"] is None
    assert (record[K.COUNT], record[K.PLACES]) == (2, 0b11)
    assert (record[K.FIRST_CYCLE], record[K.LATEST_CYCLE]) == (3, 5)


def test_a_freeze_frame_holds_each_reading_under_its_own_name():
    """No two values are equal, so that none can stand in another one's place."""
    world = BenchWorld()
    i, o, t = world.inputs, world.outputs, world.thermal
    i.bus_mv, i.pack_mv, i.current_ma, i.isolation_ohm, i.speed_mm_s = 381_000, 382_000, -4_000, 5_000_000, 6_000
    o.drive_limit_permille, o.charge_limit_permille = 710, 820
    o.positive, o.negative, o.precharge, o.discharge = 0, 1, 0, 1
    t.hottest_dc, t.coldest_dc = 313, 131
    world.faults.clock_ms, world.faults.measured[ALWAYS_ROW] = 9_999, 77
    world.phases.phase, world.switches.word = 3, 0x30001
    record = K.new_record(ALWAYS_ROW)
    K.write_frame(record, K.LATEST, world, ALWAYS_ROW)
    assert K.frame_at(record, K.LATEST) == {
        "t_ms": 9_999,
        "phase": 3,
        "bus_mv": 381_000,
        "pack_mv": 382_000,
        "current_ma": -4_000,
        "isolation_ohm": 5_000_000,
        "hottest_dc": 313,
        "coldest_dc": 131,
        "speed_mm_s": 6_000,
        "drive_limit_permille": 710,
        "charge_limit_permille": 820,
        "commands": 0b1010,
        "switches": 0x30001,
        "measured": 77,
    }


@pytest.mark.parametrize(
    ("place", "field"),
    [("isolation", "isolation_ohm"), ("current", "current_ma"), ("speed", "speed_mm_s")],
)
def test_a_reading_with_a_bad_state_or_without_a_value_is_none_in_a_frame(place, field):
    """S10: each of the two alone is enough."""
    for state, value in ((3, 1_000), (0, None)):
        world = BenchWorld()
        setattr(world.inputs, f"{place}_state", state)
        setattr(world.inputs, field, value)
        record = K.new_record(ALWAYS_ROW)
        K.write_frame(record, K.FIRST, world, ALWAYS_ROW)
        frame = K.frame_at(record, K.FIRST)
        assert frame.pop(field) is None
        assert None not in frame.values()


@pytest.mark.parametrize(("ok", "field"), [("bus_ok", "bus_mv"), ("pack_ok", "pack_mv")])
def test_a_voltage_that_is_not_believed_or_not_there_is_none_in_a_frame(ok, field):
    for believed, value in ((0, 380_000), (1, None)):
        world = BenchWorld()
        setattr(world.electrics, ok, believed)
        setattr(world.inputs, field, value)
        record = K.new_record(ALWAYS_ROW)
        K.write_frame(record, K.FIRST, world, ALWAYS_ROW)
        frame = K.frame_at(record, K.FIRST)
        assert frame.pop(field) is None
        assert None not in frame.values()


def test_a_count_does_not_run_over():
    record = K.new_record(ALWAYS_ROW)
    record[K.COUNT] = 0xFFFF
    K.occurs(record, 1, 1, BenchWorld())
    assert record[K.COUNT] == 0xFFFF


def test_every_row_judged_by_a_drive_is_a_row():
    assert {row[T.ID] for row in T.TABLE} >= K._BY_DRIVE


BY_DRIVE = {
    "PRECHARGE_FLAT",
    "PRECHARGE_SLOW",
    "PRECHARGE_FAST",
    "NEGATIVE_WELDED",
    "POSITIVE_WELDED",
    "POSITIVE_UNPROVEN",
    "PRECHARGE_WELDED",
    "POSITIVE_NOT_CLOSED",
    "NEGATIVE_NOT_CLOSED",
    "DISCHARGE_SLOW",
    "DISCHARGE_CREEPS_BACK",
    "PRECHARGE_FLAT_AGAIN",
}


@pytest.mark.parametrize("row", T.TABLE, ids=lambda row: row[T.NAME])
def test_a_test_that_only_a_drive_completes_is_not_completed_before_one(row):
    """Precharge, the poles and discharge: nobody can judge them without a way up and down."""
    record = K.new_record(row[T.ID])
    by_drive = row[T.NAME] in BY_DRIVE
    assert len(record) == 36
    assert list(record) == [row[T.ID]] + [0] * 35
    assert K.status(record, 5, False, False) == (0x50 if by_drive else 0)
    assert K.status(record, 5, True, True) == 0
    assert K.status(record, 5, False, True) == (0x40 if by_drive else 0)
    record[1], record[5] = 1, 3
    assert K.status(record, 5, False, False) == (0x68 if by_drive else 0x28)
    assert K.status(record, 5, True, True) == 0x28
    assert K.status(record, 4, False, False) == (0x6C if by_drive else 0x2C)
    assert K.status(record, 3, False, False) == 0x2E
    for flags, bits in ((1, 0x01), (2, 0x80), (3, 0x81)):
        record[3] = flags
        assert K.status(record, 3, False, False) == 0x2E | bits


def test_an_occurrence_counts_and_keeps_what_the_first_one_was():
    """Places in the record by their numbers, as in an image of the flash."""
    world, record = BenchWorld(), K.new_record(ALWAYS_ROW)
    for n in range(1, 4):
        world.faults.clock_ms = 100 * n
        world.faults.measured[ALWAYS_ROW] = 1_000 + n
        K.occurs(record, 10 + n, 1 << n, world, 5_000 + n)
        assert list(record[:6]) == [ALWAYS_ROW, n, (2 << n) - 2, 3, 11, 10 + n]
        latest = K.latest(record)
        assert latest == (6 if n == 1 else 20)  # until there is a second one the first is the latest as well
        assert (record[6], record[latest]) == (100, 100 * n)
        assert (record[19], record[latest + 13]) == (1_001, 1_000 + n)
        assert K.frame_at(record, latest)["measured"] == 1_000 + n
        if n == 1:
            assert list(record[20:34]) == [0] * 14
        assert list(record[34:]) == [5_001, 5_000 + n]
    K.occurs(record, 14, 1, world)
    assert list(record[34:]) == [5_001, 0]  # nobody has told the time


def test_a_count_stops_at_its_most():
    record = K.new_record(ALWAYS_ROW)
    record[1] = 65_534
    for _ in range(3):
        K.occurs(record, 1, 1, BenchWorld())
        assert record[1] == 65_535


def test_a_record_of_nothing_does_not_age():
    record = K.new_record(ALWAYS_ROW)
    assert K.has_aged(record, 100) is False
    record[1], record[5] = 1, 10
    for flags in (1, 2, 3):
        record[3] = flags
        assert not K.has_aged(record, 100)
    record[3] = 0
    assert K.has_aged(record, 51)
    assert not K.has_aged(record, 50)


@pytest.mark.parametrize(
    ("hottest_dc", "valid", "zones", "known"),
    [(-32_768, 1, 1, False), (-32_767, 1, 1, True), (300, 2, 1, False), (300, 3, 2, True), (300, 0, 1, False)],
)
def test_a_temperature_is_known_once_a_valid_zone_of_the_pack_was_looked_at(hottest_dc, valid, zones, known):
    """S10: a valid sensor of the motor is none of the pack's."""
    world, record = BenchWorld(), K.new_record(ALWAYS_ROW)
    t = world.thermal
    t.hottest_dc, t.coldest_dc, t.valid, t.pack_zones = hottest_dc, -123, valid, zones
    K.write_frame(record, K.LATEST, world, ALWAYS_ROW)
    frame = K.frame_at(record, K.LATEST)
    assert (frame["hottest_dc"], frame["coldest_dc"]) == ((hottest_dc, -123) if known else (None, None))


def test_each_command_has_its_bit():
    for n, output in enumerate(("positive", "negative", "precharge", "discharge")):
        world, record = BenchWorld(), K.new_record(ALWAYS_ROW)
        setattr(world.outputs, output, 1)
        K.write_frame(record, K.FIRST, world, ALWAYS_ROW)
        assert K.frame_at(record, K.FIRST)["commands"] == 1 << n
