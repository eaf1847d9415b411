"""S3: emergency stop, crash and loss of a hard loop: everything off within two ticks, in every phase, at any speed."""

import copy
from functools import cache

import pytest

from loopwarden import signals as S
from loopwarden.policy import phases as P

from .rig import ID_OF, Rig, device_build

HARD_LOOP = S.LOOP0
CAUSES = {
    "stop": {"stop": 1},
    "stop, shorter than a tick": {"latch": S.STOP},
    "stop unreadable": {"unreadable": S.STOP},
    "crash": {"crash": 1},
    "crash, shorter than a tick": {"latch": S.CRASH},
    "crash unreadable": {"unreadable": S.CRASH},
    "hard loop": {"loops": 0b110},
    "hard loop, shorter than a tick": {"latch": HARD_LOOP},
    "hard loop unreadable": {"unreadable": HARD_LOOP},
}
ROW_OF = {"stop": "EMERGENCY_STOP", "crash": "CRASH", "hard": "HARD_LOOP_OPEN"}


@cache
def snapshots(feedback):
    """A rig in the first tick of each stage, once through a whole drive."""
    rig = Rig(device_build(feedback=feedback))
    found = {}

    def look(r):
        found.setdefault(r.sup.phases.stage, None)
        if found[r.sup.phases.stage] is None:
            wanted.append(r.sup.phases.stage)

    wanted = []
    rig.recorder = look

    def ticks(count, **values):
        for name, value in values.items():
            setattr(rig, name, value)
        for _ in range(count):
            rig.tick()
            while wanted:
                stage = wanted.pop()
                kept, rig.recorder = rig.recorder, None
                found[stage] = copy.deepcopy(rig)
                rig.recorder = kept

    ticks(20)
    ticks(140, key=1)
    ticks(10, start=1)
    ticks(600, start=0)
    ticks(200, speed_mm_s=8_000)
    rig.plant.load_a = 80.0
    ticks(200, speed_mm_s=8_000)
    ticks(400, key=0)  # winding down, moving
    rig.plant.load_a = 0.0
    ticks(150, speed_mm_s=1_000)
    ticks(1_800, speed_mm_s=0)
    return found


def everything_off(rig):
    o = rig.out
    return not (
        o.positive
        or o.negative
        or o.precharge
        or o.inverter_enable
        or o.charger_enable
        or o.drive_limit_permille
        or o.charge_limit_permille
        or o.hv_loads_enable
    )


STAGE_NUMBERS = [
    P.IDLE,
    P.READY,
    P.MARK,
    P.NEGATIVE_TEST,
    P.NEGATIVE_TEST_ENDS,
    P.POSITIVE_TEST,
    P.CHARGE_BUS,
    P.TAKE_OVER,
    P.DRIVE,
    P.WIND_DOWN,
    P.WAIT_CURRENT,
    P.POSITIVE_OPENS,
    P.PROOF_PULSE,
    P.PROOF_ENDS,
    P.NEGATIVE_OPENS,
    P.DISCHARGE,
    P.CREEP,
    P.PROVE_DEAD,
]


@pytest.mark.parametrize("cause", CAUSES)
@pytest.mark.parametrize("stage", STAGE_NUMBERS)
def test_everything_is_off_within_two_ticks_of_the_edge(stage, cause):
    """And the row that says why is active, and stored."""
    rig = copy.deepcopy(snapshots(2)[stage])
    for name, value in CAUSES[cause].items():
        setattr(rig, name, value)
    rig.run(2 * rig.dt)
    assert everything_off(rig), rig.story()
    row = ROW_OF[cause.split()[0].rstrip(",")]
    assert row in rig.faults
    assert row in rig.stored
    for _ in range(500):
        rig.tick()
        assert everything_off(rig), rig.story()


@pytest.mark.parametrize("stage", STAGE_NUMBERS)
def test_without_a_cause_the_same_stage_goes_on(stage):
    """Otherwise the above would prove nothing; only what is off anyway stays off."""
    rig = copy.deepcopy(snapshots(2)[stage])
    before = rig.commanded
    rig.run(2 * rig.dt)
    assert rig.faults == set()
    if stage in (P.CHARGE_BUS, P.TAKE_OVER, P.DRIVE, P.WIND_DOWN):
        assert before >= {"negative"}
        assert not everything_off(rig)


def test_a_crash_or_stop_shorter_than_a_tick_opens_and_stays_open():
    """The latch holds it for one tick only; the drive does not come back by itself."""
    rig = Rig().drive()
    rig.latch = S.STOP
    rig.tick()
    assert everything_off(rig)
    rig.run(2_000)
    rig.key = 0
    rig.run(200)
    rig.turn_key().press_start().run(3_000)
    assert everything_off(rig)


def test_a_build_without_a_crash_input_ignores_it():
    rig = Rig(device_build(crash_fitted=0)).drive()
    rig.crash = 1
    rig.unreadable = S.CRASH
    rig.run(1_000)
    assert rig.phase == "live"


def test_a_watched_loop_is_no_hard_loop():
    """At speed it winds down (S4), it does not open."""
    rig = Rig().drive()
    rig.loops = 0b101
    rig.run(1_000)
    assert rig.phase == "winding down"
    assert {"positive", "negative"} <= rig.commanded


# Afterwards: the spinning motor


def stopped(feed_v=300.0, **changes):
    """Emergency stop at 10 m/s with the motor feeding the bus."""
    rig = Rig(device_build(**changes)).drive()
    rig.plant.feed_v = feed_v
    rig.stop = 1
    rig.run(60)
    return rig


def test_while_the_motor_feeds_the_bus_the_lamps_stay_lit_and_discharge_waits():
    rig = stopped()
    for _ in range(1_500):
        rig.tick()
        assert rig.out.lamp_hv
        assert not rig.out.discharge
    assert rig.faults == {"EMERGENCY_STOP", "OPENED_UNDER_LOAD"}
    rig.plant.feed_v = None
    rig.stand()
    rig.until(lambda r: r.plant.bus_v < 57, 8_000)
    assert "DISCHARGE_SLOW" not in rig.stored


def test_a_bus_that_stays_up_at_standstill_is_judged():
    """The same feed with the wheels standing still is a failed discharge."""
    rig = stopped()
    rig.stand()
    rig.run(5_500)
    assert "DISCHARGE_SLOW" in rig.stored
    assert rig.out.discharge == 0
    assert rig.out.lamp_hv


def test_without_a_speed_input_the_coast_time_of_the_build_stands_for_it():
    build = device_build("bench_cart")
    rig = Rig(build).drive()
    rig.plant.feed_v = 80.0
    rig.stop = 1
    rig.run(60)
    waited = rig.until(lambda r: r.out.discharge, build.coast_ms + 1_000)
    assert build.coast_ms <= waited <= build.coast_ms + 200
    rig.run(build.discharge_window_ms + 200)
    assert "DISCHARGE_SLOW" in rig.stored


def test_the_positive_pole_is_unproven_after_an_emergency():
    """No proof pulse was made: without a contact that proves it, the meter has to."""
    rig = stopped(feed_v=None, feedback=0)
    rig.stop = 0
    rig.stand()
    rig.until(lambda r: r.sup.phases.stage == P.READY, 60_000)
    rig.ack = 1
    rig.run(100)
    rig.ack = 0
    rig.key = 0
    rig.run(100)
    rig.turn_key().press_start().run(200)
    assert rig.faults - {"OPENED_UNDER_LOAD"} == {"POSITIVE_UNPROVEN"}
    assert rig.phase == "checking"


@pytest.mark.parametrize(
    ("load_a", "counted"), [(0.0, False), (49.0, False), (52.0, True), (-52.0, True), (200.0, True)]
)
def test_an_opening_above_the_break_current_is_counted(load_a, counted):
    """50 A is the break current of the truck's contactors."""
    rig = Rig().drive(load_a=load_a)
    rig.stop = 1
    rig.run(60)
    assert ("OPENED_UNDER_LOAD" in rig.stored) is counted
    assert rig.memory.under_load == counted


def test_each_opening_under_load_is_an_occurrence_of_its_own():
    rig = Rig()
    for count in (1, 2):
        rig.drive(load_a=60.0)
        rig.stop = 1
        rig.run(400)
        rig.stop = 0
        rig.stand()
        rig.key = 0
        rig.until(lambda r: r.sup.phases.stage == 0, 120_000)
        rig.ack = 1
        rig.run(200)
        rig.ack = 0
        rig.run(200)
        assert [code["count"] for code in rig.memory.codes() if code["row"] == ID_OF["OPENED_UNDER_LOAD"]] == [count]


def test_an_opening_at_unknown_current_is_counted():
    """S10: unknown is not zero."""
    rig = Rig().drive(load_a=0.0)
    rig.held["current_ma"] = None
    rig.stop = 1
    rig.run(60)
    assert "OPENED_UNDER_LOAD" in rig.stored


# Restarted while live: found by the mark, whatever the reset cause


@pytest.mark.parametrize("after_ms", [0, 100, 400, 600, 4_000])
def test_a_power_cut_after_the_first_mark_is_found_at_the_next_power_up(after_ms):
    """Refused until acknowledged at the vehicle; discharged after one full release time."""
    rig = Rig()
    rig.wake().turn_key()
    rig.start = 1
    rig.until(lambda r: r.memory.mark, 1_000)
    rig.start = 0
    rig.run(after_ms)
    again = Rig(rig.build, rig.memory)
    again.plant.bus_v = rig.plant.bus_v
    for ms in range(0, rig.build.release_ms, again.dt):
        again.tick()
        assert again.commanded == set(), ms
    assert "RESTARTED_WHILE_LIVE" in again.faults
    again.until(lambda r: r.sup.phases.stage == P.IDLE, 60_000)
    again.turn_key().press_start().run(1_000)
    assert again.phase == "checking"
    again.run(10_000)
    again.ack = 1
    again.run(100)
    again.sup.ask(ID_OF["RESTARTED_WHILE_LIVE"])
    again.run(100)
    assert "RESTARTED_WHILE_LIVE" in again.faults  # a button held since before the request says nothing
    again.ack = 0
    again.run(100)
    again.ack = 1
    again.run(100)
    assert "RESTARTED_WHILE_LIVE" not in again.faults
    again.ack = 0
    again.run(100).press_start()
    assert again.phase == "precharging"


def test_after_a_clean_end_there_is_nothing_to_find():
    rig = Rig().drive(load_a=0.0).stand()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.IDLE, 60_000)
    again = Rig(rig.build, rig.memory).wake()
    assert again.faults == set()
