"""S4: while the vehicle moves nothing but S3, S11 and a proven contactor failure opens the contactors. S7 beside it."""

import copy
from functools import cache
from itertools import pairwise

import pytest

from loopwarden import signals as S
from loopwarden.policy import fault_table as T

from .rig import ID_OF, Rig, device_build

ROWS = pytest.mark.parametrize("row", T.TABLE, ids=[row[T.NAME] for row in T.TABLE])
TRUCK = device_build()


QUICK = device_build(ramp_ms=3_000, crawl_ms=2_000, ramp_fast_ms=1_000, fallback_ms=3_000)


@cache
def _driven(build=TRUCK):
    return Rig(build).drive()


@cache
def _stood():
    rig = Rig().drive()
    rig.stand()
    assert rig.sup.motion.moving == 0
    return rig


def driven(build=TRUCK):
    return copy.deepcopy(_driven(build))


def stood():
    return copy.deepcopy(_stood())


CUTS = {"HARD_LOOP_OPEN", "EMERGENCY_STOP", "CRASH", "UNHANDLED_EXCEPTION"}
PROVEN = {"POSITIVE_NOT_CLOSED", "NEGATIVE_NOT_CLOSED", "CONTACTOR_DROPPED_OUT"}


@ROWS
def test_no_other_fault_opens_at_speed(row):
    """At speed with the fault there, four times as long as all ramps take: limits may go to 0, the contactors stay."""
    rig = driven(QUICK)
    rig.sup.faults.trip(row[T.ID])
    if row[T.NAME] in CUTS | PROVEN:
        rig.run(2 * rig.dt)
        assert not rig.commanded & {"positive", "negative"}
        return
    for _ in range(24_000 // rig.dt):
        rig.tick()
        assert {"positive", "negative"} <= rig.commanded, rig.story()
    if row[T.MOVING] in (T.WIND, T.FAST):
        assert rig.out.drive_limit_permille == 0
        assert rig.phase == "winding down"
        assert rig.out.lamp_stop
    else:
        assert rig.phase == "live"
        assert rig.out.drive_limit_permille <= row[T.DRIVE] or row[T.MOVING] < T.LIMIT


@ROWS
def test_each_fault_reacts_at_standstill_as_the_table_says(row):
    rig = stood()
    rig.sup.faults.trip(row[T.ID])
    rig.run(2 * rig.dt)
    reaction = row[T.STANDING]
    mains = {"positive", "negative"} <= rig.commanded
    if reaction == T.CUT:
        assert not rig.commanded & {"positive", "negative"}
    elif reaction == T.DOWN:
        assert (rig.phase, rig.out.inverter_enable, rig.out.drive_limit_permille) == ("opening", 0, 0)
    elif reaction in (T.WIND, T.FAST):
        assert rig.phase == "winding down"
        rig.until(lambda r: r.phase == "opening", 700)  # to 0 within half a second
    else:
        assert mains
        rig.run(2_000)
        assert rig.phase == "live"


@ROWS
def test_no_fault_raises_a_limit(row):
    """S7: from a low grant up to a high one, with and without the fault."""
    for base in (driven, stood):
        fine, ill = base(), base()
        for rig in (fine, ill):
            rig.sup.faults.trip(ID_OF["ISOLATION_WARNING"])
            rig.run(100)
        ill.sup.faults.trip(row[T.ID])
        for _ in range(200):
            fine.tick()
            ill.tick()
            assert ill.out.drive_limit_permille <= fine.out.drive_limit_permille
            assert ill.out.charge_limit_permille <= fine.out.charge_limit_permille


@ROWS
def test_every_reaction_is_stored_with_its_frame(row):
    """S8: caution or harder, in the column that was in force."""
    rig = driven()
    rig.sup.faults.trip(row[T.ID])
    rig.run(100)
    if row[T.MOVING] >= T.CAUTION:
        assert row[T.CODE]
    if row[T.CODE]:
        assert row[T.NAME] in rig.stored
        record = next(r for r in rig.memory.codes() if r["row"] == row[T.ID])
        assert record["latest"]["speed_mm_s"] is not None
        assert record["latest"]["bus_mv"] == pytest.approx(rig.plant.bus_v * 1000, rel=0.1)


def test_codes_are_unique_with_their_type_byte():
    codes = [(row[T.CODE], row[T.FTB]) for row in T.TABLE if row[T.CODE]]
    assert len(codes) == len(set(codes))
    ids = [row[T.ID] for row in T.TABLE]
    assert ids == sorted(set(ids))


# The shape of winding down


def winding(row="ISOLATION_FAULT"):
    rig = driven()
    assert (rig.out.drive_limit_permille, rig.out.charge_limit_permille) == (1000, 1000)
    rig.sup.faults.trip(ID_OF[row])
    rig.tick()
    return rig


def limits_over(rig, ms):
    found = []
    for _ in range(ms // rig.dt):
        rig.tick()
        found.append((rig.out.drive_limit_permille, rig.out.charge_limit_permille))
    return found


def test_winding_down_at_speed_is_a_ramp_a_crawl_and_nothing():
    """20 s from full to 10 %, at that pace; 60 s of crawl; then 0; both limits alike."""
    rig = winding()
    course = limits_over(rig, 120_000)
    assert all(drive == charge for drive, charge in course)
    drive = [d for d, _ in course]
    assert drive == sorted(drive, reverse=True)
    assert max(a - b for a, b in pairwise(drive) if b) <= 2  # no step on the way down
    at_crawl = [k for k, d in enumerate(drive) if d == 100]
    assert at_crawl[0] * rig.dt == pytest.approx(18_000, abs=200)  # nine tenths of the ramp of 20 s
    assert len(at_crawl) * rig.dt == pytest.approx(60_000, abs=200)
    assert drive[-1] == 0
    assert rig.phase == "winding down"


def test_the_fast_ramp_takes_five_seconds_and_has_no_crawl():
    rig = winding("SUPPLY_FAILING")
    drive = [d for d, _ in limits_over(rig, 6_000)]
    assert drive.index(0) * rig.dt == pytest.approx(5_000, abs=200)
    assert drive[-1] == 0


def test_the_first_confirmed_standing_ends_it():
    rig = winding()
    rig.run(3_000)
    rig.plant.load_a = 0.0
    rig.speed_mm_s = 1_000
    rig.run(1_000)
    rig.speed_mm_s = 0
    rig.until(lambda r: r.phase == "opening", 4_000)


def test_key_off_at_speed_and_on_again_returns_to_live():
    rig = driven()
    rig.key = 0
    rig.run(5_000)
    assert rig.phase == "winding down"
    assert 700 < rig.out.drive_limit_permille < 800
    rig.key = 1
    rig.run(3_000)
    assert (rig.phase, rig.out.drive_limit_permille) == ("live", 1000)


def test_key_off_and_on_does_not_return_when_a_fault_asked_for_it_too():
    rig = driven()
    rig.key = 0
    rig.run(1_000)
    rig.sup.faults.trip(ID_OF["ISOLATION_FAULT"])
    rig.run(1_000)
    rig.key = 1
    rig.run(3_000)
    assert rig.phase == "winding down"


def test_a_key_on_at_speed_ends_no_fault():
    """A keyed fault ends at a key-on that begins a drive, not at one that continues it."""
    rig = driven()
    rig.sup.faults.trip(ID_OF["MOTOR_SENSOR_BAD"])
    rig.key = 0
    rig.run(1_000)
    rig.key = 1
    rig.run(3_000)
    assert rig.phase == "live"
    assert "MOTOR_SENSOR_BAD" in rig.faults
    assert rig.out.drive_limit_permille == 500


def test_key_off_standing_opens_within_a_second():
    rig = stood()
    rig.key = 0
    rig.until(lambda r: "positive" not in r.commanded, 1_000)


def test_a_reaction_never_gets_milder_while_its_fault_is_there():
    """From standing to rolling: what had begun to open goes on."""
    rig = stood()
    rig.sup.faults.trip(ID_OF["LOOP_OPEN"])
    rig.run(40)
    assert rig.phase == "opening"
    rig.speed_mm_s = 3_000
    rig.until(lambda r: not r.commanded & {"positive", "negative"}, 5_000)


# Moving and standing


def test_standing_needs_two_seconds_without_a_pulse():
    rig = driven()
    rig.plant.load_a = 0.0
    rig.speed_mm_s = 1_000
    rig.run(500)
    rig.until(lambda r: r.inputs.speed_pulses, 1_000)
    rig.speed_mm_s = 0
    rig.run(1_960)
    assert rig.sup.motion.moving
    rig.run(60)
    assert not rig.sup.motion.moving


@pytest.mark.parametrize("current", [TRUCK.current_threshold_ma, -TRUCK.current_threshold_ma, None])
def test_standing_needs_the_current_below_its_threshold(current):
    rig = driven()
    rig.held["current_ma"] = current
    rig.speed_mm_s = 1_000
    rig.run(500)
    rig.speed_mm_s = 0
    rig.run(4_000)
    assert rig.sup.motion.moving
    rig.held["current_ma"] = TRUCK.current_threshold_ma - 1
    rig.run(40)
    assert not rig.sup.motion.moving


@pytest.mark.parametrize(("speed", "lost"), [(1_389, False), (1_390, True), (15_000, True)])
def test_a_jump_from_above_five_kilometres_an_hour_to_nothing_is_speed_lost(speed, lost):
    """5 km/h is 1389 mm/s; 500 ms of silence, and it counts as moving."""
    rig = driven()
    rig.plant.load_a = 0.0
    rig.held.update(speed_mm_s=speed)
    rig.run(1_000)
    rig.speed_mm_s = 0
    rig.held.pop("speed_mm_s")
    rig.run(600)
    assert ("SPEED_LOST" in rig.faults) is lost
    rig.run(3_000)
    assert rig.sup.motion.moving is (1 if lost else 0)


def test_a_dead_speed_channel_is_speed_lost_after_half_a_second():
    rig = driven()
    rig.speed_mm_s = None
    rig.run(480)
    assert "SPEED_LOST" not in rig.faults
    rig.run(60)
    assert "SPEED_LOST" in rig.faults
    rig.run(3_000)
    assert rig.sup.motion.moving
    assert rig.out.drive_limit_permille == 500


def test_drive_current_for_two_seconds_without_a_pulse_is_speed_lost():
    rig = driven()
    rig.speed_mm_s = 1_000
    rig.run(1_000)
    rig.speed_mm_s = 0
    rig.run(1_900)
    assert "SPEED_LOST" not in rig.faults
    rig.run(700)
    assert "SPEED_LOST" in rig.faults


def test_silence_is_not_standing_once_current_was_granted_and_taken():
    """A cut wire before driving off: no pulse was ever seen since the contactors closed."""
    rig = Rig().go_live()
    rig.plant.load_a = 20.0
    rig.run(1_000)
    rig.plant.load_a = 0.0
    rig.run(8_000)
    assert rig.sup.motion.moving


def test_speed_lost_opens_after_the_fallback_only():
    """Both limits 0 and the current below its threshold for 30 s."""
    rig = driven()
    rig.plant.load_a = 0.0
    rig.speed_mm_s = None
    rig.run(1_000)
    rig.key = 0
    rig.until(lambda r: r.out.drive_limit_permille == 0 and r.out.charge_limit_permille == 0, 100_000)
    waited = rig.until(lambda r: r.phase == "opening", 40_000)
    assert waited == pytest.approx(TRUCK.fallback_ms, abs=100)


def test_current_restarts_the_fallback():
    rig = driven()
    rig.speed_mm_s = None
    rig.run(1_000)
    rig.key = 0
    rig.until(lambda r: r.out.drive_limit_permille == 0, 100_000)
    rig.run(100_000)
    assert rig.phase == "winding down"  # 60 A still flow: whatever they drive, it is not proven to stand


def test_a_pulse_within_the_fallback_is_motion():
    rig = driven()
    rig.plant.load_a = 0.0
    rig.speed_mm_s = None
    rig.run(1_000)
    rig.key = 0
    rig.until(lambda r: r.out.drive_limit_permille == 0, 100_000)
    rig.run(25_000)
    rig.speed_mm_s = 400
    rig.run(10_000)
    assert rig.sup.motion.moving
    assert rig.phase == "winding down"


def test_without_a_speed_input_the_fallback_alone_tells_standing():
    build = device_build("bench_cart")
    rig = Rig(build).drive(load_a=0.0)
    rig.key = 0
    rig.until(lambda r: r.out.drive_limit_permille == 0 and r.out.charge_limit_permille == 0, 60_000)
    waited = rig.until(lambda r: r.phase == "opening", 40_000)
    assert waited == pytest.approx(build.fallback_ms, abs=100)


def test_a_wheel_that_seems_to_slow_faster_than_brakes_can_is_not_believed():
    """Faster than 10 m/s2: pulses that fail one by one look like that; it stays moving until the fallback."""
    rig = driven()
    rig.plant.load_a = 0.0
    rig.held["speed_mm_s"] = 10_000
    rig.run(500)
    rig.held["speed_mm_s"] = 1_000
    rig.tick()
    rig.held.pop("speed_mm_s")
    rig.speed_mm_s = 0
    rig.run(5_000)
    assert rig.sup.motion.moving


def test_a_pulse_without_a_speed_is_moving():
    """S4, S10: a wheel that was heard moves, at whatever speed; the last one known stays the last one known."""
    rig = driven()
    known = rig.sup.motion.last_mm_s
    rig.held.update(speed_mm_s=None, speed_pulses=1, speed_state=S.OK)
    rig.run(5_000)
    assert rig.sup.motion.moving
    assert rig.sup.motion.last_mm_s == known > 0
