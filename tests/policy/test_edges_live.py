"""Both sides of what tells a failed contactor from a healthy one, live and while opening, to the reading."""

import pytest

from loopwarden import signals as S
from loopwarden.policy import phases as P
from loopwarden.policy import start_checks as C

from .rig import ID_OF, Rig, device_build

NO_CONTACT = device_build(feedback=0)  # the voltages alone tell


@pytest.mark.parametrize(("second_mv", "welded"), [(8_960, True), (9_000, False)])
def test_a_proof_pulse_levels_off_below_three_quarters_of_its_first_pace(second_mv, welded):
    """Two halves of 40 ms, the first of which falls by 12 V; a free bus falls on at nearly the same pace."""
    rig = Rig(NO_CONTACT).go_live()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.PROOF_PULSE, 10_000)
    start_mv = rig.sup.phases.start_mv
    for fallen_mv in (0, 0, 6_000, 12_000, 12_000 + second_mv // 2, 12_000 + second_mv):
        rig.held["bus_mv"] = start_mv - fallen_mv
        rig.tick()
    assert rig.sup.phases.stage == P.PROOF_ENDS
    assert ("PRECHARGE_WELDED" in rig.faults) is welded
    assert rig.memory.positive_proven is not welded


@pytest.mark.parametrize(("step_mv", "dropped"), [(-5_000, True), (5_000, False)])
def test_a_bus_that_comes_away_from_pack_upwards_is_no_contactor_that_dropped_out(step_mv, dropped):
    """The current is gone and the two disagree; but a bus that was cut off falls."""
    rig = Rig(NO_CONTACT).drive(load_a=60.0)
    pack_mv = rig.inputs.pack_mv
    rig.plant.load_a = 0.0
    rig.held.update(pack_mv=pack_mv, current_ma=0)
    for k in range(8):
        rig.held["bus_mv"] = pack_mv + step_mv * (5 + k)
        rig.tick()
    assert ("CONTACTOR_DROPPED_OUT" in rig.stored) is dropped


@pytest.mark.parametrize(("later_ticks", "dropped"), [(5, True), (6, False)])
def test_a_current_that_went_away_is_a_sign_for_220_ms(later_ticks, dropped):
    """With the other sign beside it for 100 ms: a bus that comes away later than 120 ms after it comes too late."""
    rig = Rig(NO_CONTACT).drive(load_a=60.0)
    pack_mv = rig.inputs.pack_mv
    rig.plant.load_a = 0.0
    rig.held.update(pack_mv=pack_mv, bus_mv=pack_mv, current_ma=0)
    rig.run(later_ticks * rig.dt)
    for k in range(12):
        rig.held["bus_mv"] = pack_mv - 5_000 * (5 + k)
        rig.tick()
    assert ("CONTACTOR_DROPPED_OUT" in rig.stored) is dropped


def test_a_bus_that_never_holds_is_given_up_after_ten_seconds():
    rig = Rig(device_build()).wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 5_000)
    rig.held.update(pack_mv=360_000, bus_mv=345_000)  # more than 3 % apart, less than 10 %
    assert rig.until(lambda r: "PACK_BUS_DISAGREE" in r.faults, 20_000) == 10_000


def test_a_mark_that_is_not_taken_is_given_up_after_one_second():
    rig = Rig(device_build()).wake().turn_key()
    rig.memory.work = lambda supervisor: False
    rig.start = 1
    rig.until(lambda r: r.sup.phases.stage == P.MARK, 100)
    assert rig.until(lambda r: "STORE_FAILED" in r.faults, 5_000) == 1_000


@pytest.mark.parametrize(("ticks_a_tenth", "fast"), [(5, True), (6, False)])
def test_a_zone_heats_too_fast_from_one_kelvin_a_second_on(ticks_a_tenth, fast):
    """A tenth of a kelvin in so many ticks of 20 ms: 1.0 and 0.83 K/s."""
    rig = Rig(device_build()).drive()
    for k in range(400):
        rig.zones_dc[1] = 251 + k // ticks_a_tenth
        rig.tick()
    assert ("PACK_HEATS_FAST" in rig.faults) is fast


def test_a_full_pack_that_nobody_can_read_ends_no_charge_as_full():
    """S10: a number beside a state that is not good says nothing; the lost reading ends it, after its ten seconds."""
    rig = Rig(device_build())
    rig.plug = 1
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 3_000)
    rig.run(3_000)
    rig.held.update(pack_mv=rig.build.charge_end_mv, pack_state=S.OPEN)
    assert rig.until(lambda r: r.phase != "live", 20_000) >= 10_000
    assert rig.sup.phases.why_row == ID_OF["PACK_VOLTAGE_BAD"]


@pytest.mark.parametrize(("after_mm_s", "stands"), [(1_100, True), (1_099, False)])
def test_silence_after_a_wheel_that_slowed_harder_than_10_m_s2_is_no_standing(after_mm_s, stands):
    """200 mm/s in a tick of 20 ms is what a road can do."""
    rig = Rig(device_build()).go_live()
    for mm_s in (1_300, after_mm_s):
        rig.held.update(speed_mm_s=mm_s, speed_pulses=1, speed_state=S.OK)
        rig.tick()
    rig.held.clear()
    rig.run(3_000)
    assert bool(rig.sup.motion.moving) is not stands


def test_a_vehicle_that_rolls_is_not_proven_dead():
    """Its motor may feed the bus at any moment."""
    rig = Rig(device_build()).go_live()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.CREEP, 60_000)
    rig.speed_mm_s = 1_000
    rig.run(25_000)
    assert (rig.sup.phases.stage, rig.memory.mark) == (P.PROVE_DEAD, 1)
    rig.speed_mm_s = 0
    rig.run(4_000)
    assert (rig.sup.phases.stage, rig.memory.mark) == (P.IDLE, 0)


def test_a_memory_that_says_it_is_new_refuses_in_the_very_tick():
    """S1, S9: before its row could."""
    rig = Rig(device_build()).wake().turn_key()
    rig.memory.new = True
    rig.start = 1
    rig.tick()
    assert rig.sup.phases.refused == C.MEMORY
    assert rig.commanded == set()
