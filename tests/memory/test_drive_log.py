"""The strip of the seconds before a hard reaction and the summary line: what is kept of a drive, in what range."""

import pytest

from loopwarden.memory import drive_log as D
from loopwarden.policy import fault_table as T

from .guest.bench_world import BenchWorld

BUS, PACK, CURRENT, SPEED, LIMIT, PHASE, ISOLATION = range(D.FIELDS)


def drive():
    """A log that looks on, and a world that is live."""
    world = BenchWorld()
    world.live()
    world.faults.column = 1
    return D.DriveLog(), world


def run(log, world, ms):
    """Look at so many ms of ticks."""
    for _ in range(ms // world.faults.dt):
        world.faults.clock_ms += world.faults.dt
        log.step(world)


def hard_reaction(log, world):
    """The drive has to wind down in this tick; the latest sample, all fields of it."""
    world.faults.clock_ms += world.faults.dt
    world.faults.worst = T.WIND
    assert log.step(world)
    last = D.samples(log.strip) - 1
    return [D.sample_at(log.strip, last, field) for field in range(D.FIELDS)]


def test_a_sample_in_its_units():
    """Tenths of a volt and an ampere, cm/s, permille, kohm; the latest sample is that of the reaction's own tick."""
    log, world = drive()
    i, o = world.inputs, world.outputs
    i.bus_mv, i.pack_mv, i.current_ma, i.speed_mm_s, i.isolation_ohm = 389_950, 390_049, -12_345, 13_889, 2_000_999
    o.drive_limit_permille = 640
    assert hard_reaction(log, world) == [3_899, 3_900, -124, 1_388, 640, 3, 2_000]


def test_an_isolation_above_what_a_sample_holds_reads_as_the_most_it_holds():
    """16 bits with a sign: 32,767 kohm; a monitor may well say 50 Mohm."""
    log, world = drive()
    world.inputs.isolation_ohm = 50_000_000
    assert hard_reaction(log, world)[ISOLATION] == 32_767


def test_a_reading_that_is_not_valid_is_none_in_a_sample():
    """S10."""
    log, world = drive()
    world.electrics.bus_ok = world.electrics.pack_ok = 0
    world.inputs.current_state = world.inputs.speed_state = world.inputs.isolation_state = 3
    sample = hard_reaction(log, world)
    assert [sample[field] for field in (BUS, PACK, CURRENT, SPEED, ISOLATION)] == [None] * 5


def test_a_strip_has_twelve_samples_half_a_second_apart_the_oldest_first():
    log, world = drive()
    for k in range(30):
        world.outputs.drive_limit_permille = k
        run(log, world, D.SAMPLE_MS)
    world.outputs.drive_limit_permille = 99
    hard_reaction(log, world)
    limits = [D.sample_at(log.strip, n, LIMIT) for n in range(D.samples(log.strip))]
    assert len(limits) == 12
    assert limits == [*range(19, 30), 99]


def test_places_of_samples_that_were_never_taken_are_told_from_taken_ones():
    log, world = drive()
    run(log, world, 3 * D.SAMPLE_MS)
    hard_reaction(log, world)
    assert [D.is_taken(log.strip, n) for n in range(12)] == [False] * 8 + [True] * 4


def test_a_reaction_outside_of_a_drive_keeps_no_strip():
    """A refusal in the morning must not push out what was kept of a drive. The tenth tick after it is over."""
    log, world = drive()
    run(log, world, 1_000)
    world.faults.column = 0
    run(log, world, 9 * world.faults.dt)
    world.faults.worst = T.CUT
    assert not log.step(world)
    log, world = drive()
    run(log, world, 1_000)
    world.faults.column = 0
    run(log, world, 8 * world.faults.dt)
    world.faults.worst = T.CUT
    assert log.step(world)


def test_a_milder_reaction_than_winding_down_keeps_no_strip_and_a_harder_one_a_new_one():
    log, world = drive()
    run(log, world, 1_000)
    for worst, kept in ((T.LIMIT, False), (T.WIND, True), (T.REFUSE, False), (T.FAST, True), (T.FAST, False)):
        world.faults.worst = worst
        assert bool(log.step(world)) == kept, worst


def test_the_summary_keeps_the_lowest_isolation_and_the_highest_temperatures():
    log, world = drive()
    for ohm, hottest, inverter, motor in ((900_000, 310, 400, 500), (700_000, 330, 390, 510), (800_000, 320, 410, 490)):
        world.inputs.isolation_ohm = ohm
        t = world.thermal
        t.hottest_dc, t.inverter_dc, t.motor_dc = hottest, inverter, motor
        run(log, world, D.SAMPLE_MS)
    found = [log.line[place] for place in (D.LOWEST_OHM, D.HOTTEST_DC, D.INVERTER_DC, D.MOTOR_DC)]
    assert found == [700_000, 330, 410, 510]


def test_isolation_has_drifted_when_it_halved_within_five_drives():
    """Half is enough; the drive five before the last one is the one that counts, and days without a drive do not."""
    assert not D.has_drifted(lines(1000, 1000, 1000, 1000, 1000, 501))
    assert D.has_drifted(lines(1000, 1000, 1000, 1000, 1000, 500))
    assert D.has_drifted(lines(10, 1000, 1000, 1000, 1000, 1000, 500))
    assert not D.has_drifted(lines(1000, 1000, 1000, 1000, 500))
    still = lines(1)
    still[0][D.FLAGS] = 0
    assert not D.has_drifted([*lines(1000, 1000, 1000, 1000, 1000, 600), *still])


def lines(*ohms):
    """Summary lines of drives with these lowest isolations."""
    found = []
    for ohm in ohms:
        line = D.DriveLog().line
        line[D.FLAGS], line[D.LOWEST_OHM] = D.DROVE, ohm
        found.append(line)
    return found


def test_rows_of_a_power_cycle_are_noted_one_by_one_and_counted():
    log = D.DriveLog()
    rows = (1, 27, 28, 29, 56, len(T.TABLE))
    for row in rows:
        log.note(row)
    assert [row for row in range(len(T.TABLE) + 1) if D.noted(log.line, row)] == list(rows)
    assert D.count(log.line) == len(rows)


def test_a_drive_counts_once_the_bus_is_proven_dead_after_it():
    """Back from that proof to discharging, as the bus came up again, it is not over."""
    log, world = drive()
    run(log, world, 100)
    for stage, drove in ((16, False), (17, False), (18, False), (16, False), (17, False), (18, False), (0, True)):
        world.phases.stage = stage
        run(log, world, 100)
        assert log.drove == drove, stage
    assert log.line[D.FLAGS] & D.DROVE


def test_how_long_precharge_and_discharge_took_stands_in_the_line():
    """From the stage's first tick to the next stage's; what was aborted or came back is no figure."""
    log, world = drive()
    run(log, world, 100)
    for stage, ms in ((3, 200), (6, 240), (7, 100), (8, 100), (16, 1_400), (17, 300), (18, 100), (17, 300)):
        world.phases.stage = stage
        run(log, world, ms)
    assert (log.line[D.PRECHARGE_MS], log.line[D.DISCHARGE_MS]) == (240, 1_400)
    for stage, ms in ((6, 500), (15, 100), (16, 700)):
        world.phases.stage = stage
        run(log, world, ms)
    assert (log.line[D.PRECHARGE_MS], log.line[D.DISCHARGE_MS]) == (240, 1_400)


def test_a_log_to_begin_with_has_measured_nothing():
    """S10: numbers that no measurement gives."""
    log = D.DriveLog()
    assert list(log.line) == [0, 0, 536_870_912, -32_768, -32_768, -32_768, 0, 0, 0, 0, 0]
    assert [D.value(log.line, place) for place in (2, 3, 4, 5)] == [None] * 4
    assert log.strip == bytes(168)
    assert (log.changed, log.drove, log.drove_since_clear) == (False, False, False)
    assert D.count(log.line) == 0
    log.line[:6] = type(log.line)("i", [1, 1, 536_870_911, -32_767, 536_870_912, 0])
    assert [D.value(log.line, place) for place in (2, 3, 4, 5)] == [536_870_911, -32_767, 536_870_912, 0]


@pytest.mark.parametrize(
    ("field", "of", "name"),
    [
        (BUS, "inputs", "bus_mv"),
        (PACK, "inputs", "pack_mv"),
        (CURRENT, "inputs", "current_ma"),
        (SPEED, "inputs", "speed_mm_s"),
        (ISOLATION, "inputs", "isolation_ohm"),
        (BUS, "electrics", "bus_ok"),
        (PACK, "electrics", "pack_ok"),
        (CURRENT, "inputs", "current_state"),
        (SPEED, "inputs", "speed_state"),
        (ISOLATION, "inputs", "isolation_state"),
    ],
)
def test_a_value_that_is_not_there_or_not_believed_is_none_in_a_sample_and_no_other_is(field, of, name):
    """S10: each alone is enough."""
    log, world = drive()
    world.inputs.speed_mm_s = 1_230
    setattr(getattr(world, of), name, None if of == "inputs" and "state" not in name else 0 if "ok" in name else 2)
    sample = hard_reaction(log, world)
    assert [k for k, value in enumerate(sample) if value is None] == [field]


@pytest.mark.parametrize(
    ("two", "value"),
    [(b"\x00\x00", 0), (b"\xff\x7f", 32_767), (b"\x00\x80", -32_768), (b"\xfe\xff", -2), (b"\xff\xff", None)],
)
def test_a_sample_reads_numbers_of_sixteen_bits(two, value):
    strip = bytearray(168)
    for n, field in ((0, 0), (3, 2), (11, 6)):
        strip[2 * (7 * n + field) : 2 * (7 * n + field) + 2] = two
        assert D.sample_at(strip, n, field) == value


@pytest.mark.parametrize("n", [0, 5, 11])
@pytest.mark.parametrize("at", [0, 7, 13])
def test_a_sample_with_any_number_in_it_was_taken(n, at):
    strip = bytearray(168)
    strip[14 * n + at] = 1
    assert [k for k in range(12) if D.is_taken(strip, k)] == [n]


def test_samples_are_half_a_second_of_the_boards_clock_apart():
    """Late ticks put them off; they do not pile up."""
    log, world = drive()
    taken = []
    for ms in (480, 20, 480, 500, 700, 300, 200):
        world.faults.clock_ms += ms
        before = log.at
        assert not log.step(world)
        taken.append(log.at != before)
    assert taken == [False, True, False, True, True, False, True]


def test_a_strip_is_kept_in_the_tick_in_which_the_reaction_gets_harder():
    log, world = drive()
    steps = ((0, False), (T.WIND, True), (T.WIND, False), (T.CUT, True), (T.LIMIT, False), (T.WIND, True))
    for worst, kept in steps:
        world.faults.worst = worst
        assert bool(log.step(world)) is kept, worst


def test_a_drive_is_over_only_by_way_of_the_bus_proven_dead():
    """Not from the stage before, in which it may creep back; and each drive for itself."""
    log, world = drive()
    run(log, world, 100)
    for stage in (16, 17, 0):
        world.phases.stage = stage
        run(log, world, 40)
    assert not log.drove
    for stage in (8, 16, 17, 18, 0):
        world.phases.stage = stage
        run(log, world, 40)
    assert (log.drove, log.drove_since_clear, log.changed) == (True, True, True)
    log.drove = log.changed = False
    for stage in (18, 0):
        world.phases.stage = stage
        run(log, world, 40)
    assert (log.drove, log.changed) == (False, False)


@pytest.mark.parametrize(
    ("stages", "changed"), [((3, 6, 7), True), ((3, 6, 8), False), ((3, 7), False), ((16, 17), False)]
)
def test_a_line_has_news_once_a_precharge_is_through(stages, changed):
    log, world = D.DriveLog(), BenchWorld()
    for stage in stages:
        world.phases.stage = stage
        run(log, world, 60)
    assert log.changed is changed
    assert log.line[D.PRECHARGE_MS] == (60 if changed else 0)
    assert log.line[D.DISCHARGE_MS] == (60 if stages == (16, 17) else 0)
    log.note(28)
    assert log.changed is True


@pytest.mark.parametrize(("valid", "zones", "known"), [(1, 1, True), (2, 1, False), (3, 2, True), (0, 1, False)])
def test_the_hottest_zone_counts_where_a_zone_of_the_pack_is_valid(valid, zones, known):
    log, world = drive()
    world.thermal.valid, world.thermal.pack_zones = valid, zones
    run(log, world, D.SAMPLE_MS)
    assert (log.line[D.HOTTEST_DC] == 310) is known
    assert log.line[D.INVERTER_DC] == 400


@pytest.mark.parametrize(("state", "ohm"), [(0, None), (1, 5_000), (3, 5_000)])
def test_an_isolation_that_is_not_valid_is_not_the_lowest(state, ohm):
    log, world = drive()
    world.inputs.isolation_state, world.inputs.isolation_ohm = state, ohm
    run(log, world, D.SAMPLE_MS)
    assert D.value(log.line, D.LOWEST_OHM) is None


def test_of_the_strips_in_the_journal_the_latest_stays():
    log = D.DriveLog()
    for sequence, first, kept in ((7, 1, 1), (9, 2, 2), (8, 3, 2), (9, 4, 2), (10, 5, 5)):
        log.take_strip(sequence, bytearray([first] * 168))
        assert log.strip == bytes([kept] * 168)


def test_drift_looks_at_the_lowest_isolation_of_drives_that_measured_one():
    none = lines(1 << 29)
    assert not D.has_drifted([])
    assert D.has_drifted([*lines(1000, 1000), *none, *lines(1000, 1000, 1000, 500), *none])
    assert not D.has_drifted([*none, *lines(1000, 1000, 1000, 1000, 500)])
    assert D.has_drifted(lines((1 << 29) - 1, 1, 1, 1, 1, 1))


def test_rows_are_told_apart_at_the_ends_of_their_integers():
    for row in (1, 27, 28, 55, 56, 83):
        line = D.DriveLog().line
        line[8 + row // 28] = 1 << row % 28
        assert D.count(line) == 1
        assert [other for other in range(84) if D.noted(line, other)] == [row]
        log = D.DriveLog()
        log.note(row)
        assert list(log.line[8:]) == list(line[8:])
    full = D.DriveLog().line
    full[8] = full[9] = full[10] = (1 << 28) - 1
    assert D.count(full) == 84


def test_a_start_that_was_given_up_before_both_poles_were_closed_is_no_drive():
    """However far it got, and whatever had to be discharged after it."""
    log, world = D.DriveLog(), BenchWorld()
    for stage in (1, 2, 3, 4, 5, 6, 7, 15, 16, 17, 18, 0):
        world.phases.stage = stage
        run(log, world, 40)
    assert not log.drove
    assert not log.line[D.FLAGS]
    for stage in (9, 10, 16, 17, 18, 0):
        world.phases.stage = stage
        run(log, world, 40)
    assert not log.drove
