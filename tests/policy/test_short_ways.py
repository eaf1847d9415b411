"""What is skipped, spread over ticks or left to a slow turn must not be seen in a decision that matters."""

import pytest

from loopwarden import signals as S

from .rig import Rig, device_build

TICK_MS = 20


@pytest.mark.parametrize("back_and_forth_ms", [300, 360, 400, 500, 600, 1000])
def test_a_reading_that_moves_and_comes_back_is_not_stuck(back_and_forth_ms):
    """Unchanged to the count, the fault notes say; a converter that dithers by one count is alive, at any pace."""
    rig = Rig()
    rig.drive()
    for tick in range(150_000 // TICK_MS):
        rig.zones_dc = [250 + min(40, tick // 200)] * len(rig.zones_dc)
        rig.zones_dc[0] = 250 + tick * TICK_MS // back_and_forth_ms % 2
        rig.tick()
    assert "PACK_SENSOR_STUCK" not in rig.stored


def test_a_reading_that_never_moves_under_load_is_stuck():
    rig = Rig()
    rig.drive()
    for tick in range(150_000 // TICK_MS):
        rig.zones_dc = [250 + min(40, tick // 200)] * len(rig.zones_dc)
        rig.zones_dc[0] = 250
        rig.tick()
    assert "PACK_SENSOR_STUCK" in rig.stored


def test_idle_time_from_before_the_drive_does_not_make_a_lost_speed_stand():
    """S4: after a crash with the speed gone, both limits have to be 0 for the fallback time first; discharge waits."""
    rig = Rig(device_build(current_threshold_ma=20_000))
    rig.speed_mm_s = None
    rig.run(40_000)  # idle for longer than the fallback, with the speed line dead
    rig.speed_mm_s = 0
    rig.run(4_000).turn_key().press_start()
    rig.run(26_000)
    assert rig.phase == "live"
    assert rig.out.drive_limit_permille == 1000
    rig.latch = S.CRASH
    rig.tick()
    rig.speed_mm_s = None
    rig.run(1_000)
    assert rig.sup.motion.moving
    assert not rig.out.discharge


def let_go(rig):
    """The positive main lets go under a load on the bus; ms until its command goes off."""
    rig.plant.leak_ohm = 20.0
    rig.plant.positive.stuck = True
    return rig.until(lambda r: not r.out.positive, 1_000)


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("load_a", [60.0, 200.0, 400.0])
def test_a_contactor_that_drops_out_is_answered_after_its_set_time_in_every_turn(load_a, turn):
    """100 ms of two signs, counted from the first tick that sees them; at 400 A over current is active as well."""
    rig = Rig()
    rig.drive(load_a=load_a)
    rig.run(turn * TICK_MS)
    assert let_go(rig) == 120
    assert "CONTACTOR_DROPPED_OUT" in rig.faults


@pytest.mark.parametrize("turn", range(4))
def test_it_waits_for_nothing_else_that_goes_wrong_in_the_same_tick(turn):
    """Drivers, watched loops and over voltage at once: the hardest reaction is not last in line."""
    rig = Rig()
    rig.drive()
    rig.run(turn * TICK_MS)
    rig.coil_fault = rig.lamp_fault = 1
    rig.loops = sum(1 << n for n, kind in enumerate(rig.build.loop_kind) if kind == 0)
    rig.held["pack_mv"] = rig.build.pack_over_mv
    assert let_go(rig) == 120
    assert "CONTACTOR_DROPPED_OUT" in rig.faults


def test_a_key_on_holds_the_supply_in_the_same_tick():
    """Hold had been given up after its longest wait, the bus still unread: it may be live, so the board stays up."""
    rig = Rig(device_build(hold_max_ms=20_000)).go_live()
    rig.key = 0
    rig.run(1_000)
    rig.held["bus_mv"] = None
    rig.run(30_000)
    assert (rig.phase, rig.out.hold) == ("discharging", 0)
    rig.key = 1
    rig.tick()
    assert rig.out.hold


def test_a_bus_that_comes_alive_holds_the_supply_again():
    rig = Rig().wake()
    rig.until(lambda r: not r.out.hold, 60_000)
    rig.held["bus_mv"] = 100_000
    rig.run(2 * TICK_MS)
    assert rig.out.hold


def test_the_supply_is_not_let_go_while_a_row_is_marked_and_not_taken_over():
    """S8: what was noted in this tick is stored after it; the board stays up for that."""
    rig = Rig().wake()
    rig.until(lambda r: r.sup.electrics.dead_ms >= 10_000, 60_000)
    rig.sup.faults.trip(13)
    rig.sup.phases.supply(0)
    assert rig.out.hold
    rig.memory.work(rig.sup)
    rig.sup.phases.supply(0)
    assert not rig.out.hold


@pytest.mark.parametrize("offset_ms", range(0, 640, 80))
@pytest.mark.parametrize(("gap_ms", "counts"), [(9_000, True), (9_900, True), (10_400, False)])
def test_a_third_late_tick_within_ten_seconds_is_never_forgotten(gap_ms, counts, offset_ms):
    """Whenever the slow turn comes that judges them."""
    rig = Rig().go_live()
    rig.run(offset_ms)
    for run_ms in (gap_ms, 0, 0):
        rig.held["late_ms"] = 5
        rig.tick()
        del rig.held["late_ms"]
        rig.run(run_ms)
    rig.run(3_000)
    assert ("LOOP_OVERRAN" in rig.stored) is counts


def test_after_twelve_days_in_one_stage_the_clocks_stand_still_and_stay_small():
    """2**30 ms and more is no small integer on the board; a bench may stand at its key for weeks."""
    rig = Rig().go_live()
    rig.sup.faults.clock_ms = rig.sup.phases.t_ms = (1 << 30) - 400
    rig.run(2_000)
    assert max(rig.sup.faults.clock_ms, rig.sup.phases.t_ms) < 1 << 30
    assert rig.phase == "live"


def test_every_tick_makes_a_heartbeat_edge_whichever_way_it_takes():
    """S11: the coil drive lets go without one; off, going live, calm, cut and discharging alike."""
    rig = Rig()
    last = [rig.out.heartbeat]

    def edge(r):
        assert r.out.heartbeat == 1 - last[0], r.story()
        last[0] = r.out.heartbeat

    rig.recorder = edge
    rig.drive()
    rig.run(2_000)
    assert rig.sup.phases.calm
    rig.stop = 1
    rig.run(2_000)
    rig.stop = 0
    rig.stand()
    rig.until(lambda r: r.phase != "discharging", 120_000)


def test_the_clock_of_the_faults_counts_every_tick():
    """How long a fault stands is told from it; a tick that cuts counts as well."""
    rig = Rig().drive()
    begin, t_ms = rig.sup.faults.clock_ms, rig.t_ms
    rig.run(1_000)
    rig.stop = 1
    rig.run(1_000)
    assert rig.sup.faults.clock_ms - begin == rig.t_ms - t_ms
