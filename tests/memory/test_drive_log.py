"""The strip of the seconds before a hard reaction and the summary line: what is kept of a drive, in what range."""

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
