"""S1: no contactor closes unless every start check passes. One input at a time is wrong, everything else is fine."""

import pytest

from loopwarden import signals as S
from loopwarden.memory.ram import RamMemory
from loopwarden.policy import fault_table as T
from loopwarden.policy import start_checks as C
from loopwarden.policy import supervisor

from .rig import ID_OF, Rig, device_build

TRUCK = device_build()


def hold(**values):
    """A setup that holds inputs at these values."""
    return lambda rig: rig.held.update(values)


def world(**values):
    """A setup that sets what the driver and the world do."""

    def set_up(rig):
        for name, value in values.items():
            assert hasattr(rig, name), name
            setattr(rig, name, value)

    return set_up


def zone(z, dc, state=S.OK):
    """One zone reads this, the others 25 degC."""

    def set_up(rig):
        zones = [250] * len(rig.zones_dc) + [None] * (S.ZONES_MAX - len(rig.zones_dc))
        states = [S.OK] * len(rig.zones_dc) + [S.STALE] * (S.ZONES_MAX - len(rig.zones_dc))
        zones[z], states[z] = dc, state
        rig.held.update(zone_dc=zones, zone_state=states)

    return set_up


def pack_zones(dc):
    def set_up(rig):
        rig.zones_dc = [dc if where == 0 else 250 for where in rig.build.zone_where]

    return set_up


def remember(**values):
    """A setup of the fault memory."""

    def set_up(rig):
        for name, value in values.items():
            assert hasattr(rig.memory, name), name
            setattr(rig.memory, name, value)

    return set_up


def heat(**values):
    def set_up(rig):
        for name, value in values.items():
            setattr(rig.sup.resistors, name, value)

    return set_up


def bus(volts):
    def set_up(rig):
        rig.plant.bus_v = volts
        rig.plant.bleed_ohm = 1e9

    return set_up


NO_CONTACT = device_build(feedback=0)

# name -> (setup, the refusals that may be named); what is set up holds from some time before the start edge on.
WRONG = {
    "emergency stop": (world(stop=1), {C.BY_FAULT, C.STOPPED}),
    "emergency stop unreadable": (world(unreadable=S.STOP), {C.BY_FAULT, C.STOPPED}),
    "crash": (world(crash=1), {C.BY_FAULT}),
    "crash unreadable": (world(unreadable=S.CRASH), {C.BY_FAULT}),
    "hard loop open": (world(loops=0b110), {C.BY_FAULT}),
    "watched loop open": (world(loops=0b101), {C.BY_FAULT}),
    "loops unreadable": (world(unreadable=S.LOOPS), {C.BY_FAULT}),
    "loop to ground": (hold(loop_low=0b10), {C.BY_FAULT}),
    "loop to supply": (hold(loop_high=0b10), {C.BY_FAULT}),
    "isolation at its limit less one ohm": (world(isolation_ohm=TRUCK.iso_fault_ohm - 1), {C.ISOLATION}),
    "isolation unreadable": (hold(isolation_ohm=None, isolation_state=S.STALE), {C.ISOLATION}),
    "isolation without a value": (hold(isolation_ohm=None), {C.ISOLATION}),
    "isolation monitor faulty": (hold(isolation_ohm=None, isolation_state=S.DEVICE), {C.ISOLATION}),
    "isolation out of range": (hold(isolation_ohm=None, isolation_state=S.RANGE), {C.ISOLATION}),
    "bus at the dead level": (bus(TRUCK.dead_mv / 1000), {C.BUS_NOT_DEAD}),
    "bus unreadable": (hold(bus_mv=None, bus_state=S.OPEN), {C.BY_FAULT}),
    "bus without a value": (hold(bus_mv=None), {C.BY_FAULT}),
    "bus below nothing": (hold(bus_mv=-2 * TRUCK.noise_mv - 1), {C.BY_FAULT}),
    "pack unreadable": (hold(pack_mv=None, pack_state=S.OPEN), {C.BY_FAULT}),
    "pack without a value": (hold(pack_mv=None), {C.BY_FAULT}),
    "pack implausibly low": (hold(pack_mv=TRUCK.pack_low_mv - 1), {C.BY_FAULT}),
    "pack implausibly high": (hold(pack_mv=TRUCK.pack_high_mv + 1), {C.BY_FAULT}),
    "pack at its lower level": (hold(pack_mv=TRUCK.pack_under_mv), {C.PACK}),
    "pack at its upper level": (hold(pack_mv=TRUCK.pack_over_mv), {C.BY_FAULT}),
    "current at its threshold": (hold(current_ma=TRUCK.current_threshold_ma), {C.BY_FAULT}),
    "charging current at its threshold": (hold(current_ma=-TRUCK.current_threshold_ma), {C.BY_FAULT}),
    "current unreadable": (hold(current_ma=None, current_state=S.RANGE), {C.BY_FAULT}),
    "current without a value": (hold(current_ma=None), {C.BY_FAULT}),
    "rolling": (world(speed_mm_s=1_000), {C.NOT_STANDING}),
    "speed channel dead": (world(speed_mm_s=None), {C.NOT_STANDING, C.BY_FAULT}),
    "plugged in without its permit": (world(plug=1, loops=0b011), {C.BY_FAULT, C.PERMIT}),
    "plug unreadable": (world(unreadable=S.PLUG), {C.PLUG}),
    "positive pole not proven": (remember(positive_proven=False), {C.PROOF}),
    "precharge resistor hot": (heat(precharge_mj=TRUCK.precharge_budget_mj), {C.PRECHARGE_HOT}),
    "discharge resistor hot": (heat(discharge_mj=TRUCK.discharge_budget_mj), {C.DISCHARGE_HOT}),
    "memory not ready": (remember(ready=False), {C.MEMORY}),
    "memory failed": (remember(failed=True), {C.MEMORY, C.BY_FAULT}),
    "journal nearly full": (remember(nearly_full=True), {C.BY_FAULT}),
    "supply just below its range": (hold(supply_mv=TRUCK.supply_low_mv - 1), {C.SUPPLY}),
    "supply just above its range": (hold(supply_mv=TRUCK.supply_high_mv + 1), {C.SUPPLY}),
    "supply failing": (hold(supply_mv=TRUCK.supply_fail_mv - 1), {C.BY_FAULT}),
    "supply unreadable": (hold(supply_mv=None, supply_state=S.OPEN), {C.SUPPLY, C.BY_FAULT}),
    "supply without a value": (hold(supply_mv=None), {C.SUPPLY, C.BY_FAULT}),
    "known voltage off": (hold(reference_mv=TRUCK.reference_mv + TRUCK.reference_tol_mv + 1), {C.BY_FAULT}),
    "known voltage unreadable": (hold(reference_mv=None, reference_state=S.STALE), {C.BY_FAULT}),
    "pack zone at trip": (zone(0, TRUCK.pack_trip_dc), {C.TEMPERATURE}),
    "inverter at trip": (zone(3, TRUCK.inverter_trip_dc), {C.TEMPERATURE}),
    "motor at trip": (zone(4, TRUCK.motor_trip_dc), {C.TEMPERATURE}),
    "inverter zone unreadable": (zone(3, None, S.OPEN), {C.TEMPERATURE}),
    "motor zone shorted": (zone(4, None, S.SHORT), {C.TEMPERATURE}),
    "no pack zone readable": (
        hold(zone_dc=[None] * 3 + [250] * 2 + [None] * 5, zone_state=[S.OPEN] * 3 + [S.OK] * 2 + [S.STALE] * 5),
        {C.TEMPERATURE},
    ),
    "heap low": (hold(heap_free=24 * 1024 - 1), {C.BY_FAULT}),
    "coil driver fault": (world(coil_fault=1), {C.BY_FAULT}),
    "coil driver unreadable": (world(unreadable=S.COIL_FAULT), {C.BY_FAULT}),
    "service jumper": (world(service=1), {C.SERVICE}),
    "service jumper unreadable": (world(unreadable=S.SERVICE), {C.SERVICE}),
}


def ready_to_start(build=None, memory=None):
    rig = Rig(build, memory)
    return rig.wake().turn_key().run(11_000)


def nothing_closed(rig, ms=3_000):
    for _ in range(ms // rig.dt):
        rig.tick()
        assert not rig.commanded & {"positive", "negative", "precharge"}, rig.story()
        assert not rig.memory.mark, rig.story()
    return True


def check(rig, set_up, named, before_ms=400):
    set_up(rig)
    rig.run(before_ms)
    rig.start = 1
    rig.tick()
    assert rig.sup.phases.refused in named, rig.story()
    assert nothing_closed(rig)


@pytest.mark.parametrize("name", WRONG)
def test_each_failing_check_refuses_a_drive(name):
    """And names the reason."""
    build = NO_CONTACT if "proven" in name else None
    set_up, named = WRONG[name]
    # a fault confirmed meanwhile names itself; one that the checks have no word of their own for needs its set time
    check(ready_to_start(build), set_up, named | {C.BY_FAULT}, 400 if named != {C.BY_FAULT} else 1_300)


def test_with_everything_fine_the_same_press_starts():
    """Otherwise the refusals above would prove nothing."""
    for build in (None, NO_CONTACT, device_build("bench_cart")):
        rig = ready_to_start(build)
        rig.run(400).press_start()
        assert rig.phase == "precharging"


@pytest.mark.parametrize(
    ("name", "set_up"),
    [
        ("isolation at its limit", world(isolation_ohm=TRUCK.iso_fault_ohm)),
        ("bus just below the dead level", bus(TRUCK.dead_mv / 1000 - 0.5)),
        ("current just below its threshold", hold(current_ma=TRUCK.current_threshold_ma - 1)),
        ("supply at its low level", hold(supply_mv=TRUCK.supply_low_mv)),
        ("supply at its high level", hold(supply_mv=TRUCK.supply_high_mv)),
        ("known voltage at its tolerance", hold(reference_mv=TRUCK.reference_mv - TRUCK.reference_tol_mv)),
        ("pack just above its lower level", hold(pack_mv=TRUCK.pack_under_mv + 1)),
        ("pack just below its upper level", hold(pack_mv=TRUCK.pack_over_mv - 1)),
        ("pack zone just below trip", zone(0, TRUCK.pack_trip_dc - 1)),
        ("one pack zone unreadable and covered", zone(0, None, S.OPEN)),
        ("heap just enough", hold(heap_free=24 * 1024)),
    ],
)
def test_the_other_side_of_each_edge_starts(name, set_up):
    rig = ready_to_start()
    set_up(rig)
    rig.run(400)
    rig.start = 1
    rig.tick()
    assert (rig.sup.phases.refused, rig.phase) == (C.FINE, "precharging"), name


@pytest.mark.parametrize(
    ("field", "value", "refusal"),
    [
        ("pack_mv", TRUCK.pack_under_mv, C.PACK),
        ("bus_mv", TRUCK.dead_mv, C.BUS_NOT_DEAD),
        ("current_ma", TRUCK.current_threshold_ma, C.NOT_STANDING),
        ("pack_mv", None, C.PACK),
        ("current_ma", None, C.NOT_STANDING),
        ("bus_mv", None, C.BUS_NOT_DEAD),
    ],
)
def test_a_reading_of_this_very_tick_counts(field, value, refusal):
    """Too short for any fault to confirm: bad in the tick of the start edge only. Without current, no standing."""
    rig = ready_to_start()
    rig.run(400)
    rig.held[field] = value
    rig.start = 1
    rig.tick()
    rig.held.clear()
    assert rig.sup.phases.refused == refusal
    assert nothing_closed(rig)


@pytest.mark.parametrize("loops", [0b110, 0b101])
def test_a_loop_that_opens_in_the_tick_of_the_edge_refuses(loops):
    rig = ready_to_start()
    rig.loops = loops
    rig.start = 1
    rig.tick()
    rig.loops = 0b111
    assert rig.sup.phases.refused in (C.LOOP, C.STOPPED, C.BY_FAULT)
    assert nothing_closed(rig)


# name -> (setup, refusal): too short for a fault row, and for a monitor that looks every 160 ms.
IN_THE_TICK = {
    "watched loop open": (world(loops=0b101), C.LOOP),
    "isolation below its limit": (hold(isolation_ohm=TRUCK.iso_fault_ohm - 1), C.ISOLATION),
    "isolation stale": (hold(isolation_state=S.STALE), C.ISOLATION),
    "isolation without a value": (hold(isolation_ohm=None), C.ISOLATION),
    "memory failed": (remember(failed=True), C.MEMORY),
    "memory not ready": (remember(ready=False), C.MEMORY),
    "supply low": (hold(supply_mv=TRUCK.supply_low_mv - 1), C.SUPPLY),
    "supply unreadable": (hold(supply_state=S.OPEN), C.SUPPLY),
    "supply without a value": (hold(supply_mv=None), C.SUPPLY),
    "pack zone at trip": (zone(0, TRUCK.pack_trip_dc), C.TEMPERATURE),
    "motor zone shorted": (zone(4, None, S.SHORT), C.TEMPERATURE),
    "motor zone shorted, with a number": (zone(4, 250, S.SHORT), C.TEMPERATURE),
    "motor zone without a value": (zone(4, None, S.OK), C.TEMPERATURE),
}


@pytest.mark.parametrize("name", IN_THE_TICK)
def test_what_is_wrong_in_the_tick_of_the_edge_alone_refuses_by_its_own_name(name):
    """S1: every check on this tick's readings, whichever of the slow subjects has its turn."""
    set_up, refusal = IN_THE_TICK[name]
    named = []
    for later in range(16):
        rig = ready_to_start()
        rig.run(later * rig.dt)
        set_up(rig)
        rig.start = 1
        rig.tick()
        named.append(rig.sup.phases.refused)
        rig.held.clear()
        rig.memory.failed, rig.memory.ready, rig.loops = False, True, 0b111
        assert nothing_closed(rig, 200)
    assert named.count(refusal) >= 12, named  # where its monitor has its turn, a row without a set time says so first
    assert set(named) <= {refusal, C.BY_FAULT}


@pytest.mark.parametrize("name", IN_THE_TICK)
def test_what_goes_wrong_while_the_live_mark_is_written_refuses_by_its_own_name(name):
    """S1: a flash that takes its time puts ticks between the start edge and the first command."""
    set_up, refusal = IN_THE_TICK[name]
    named = []
    for later in range(16):
        rig = ready_to_start()
        marked = []
        rig.memory.mark_live = lambda *heat, marked=marked: marked.append(heat)  # not on record yet
        rig.run(later * rig.dt)
        rig.start = 1
        rig.tick()
        assert rig.phase == "precharging"
        rig.tick()
        assert marked
        rig.memory.mark = 1
        set_up(rig)
        rig.tick()
        named.append(rig.sup.phases.refused)
        rig.held.clear()
        rig.memory.failed, rig.memory.ready, rig.loops = False, True, 0b111
        assert rig.phase == "discharging"
        assert nothing_closed(rig, 200)
    assert set(named) <= {refusal, C.BY_FAULT, C.FINE}
    assert named.count(refusal) >= 12, named


@pytest.mark.parametrize("cause", [{"stop": 1}, {"crash": 1}, {"loops": 0b110}])
def test_a_stop_whose_row_a_build_made_slow_refuses_all_the_same(cause):
    """S3 and S1 ask the input, not the debounced row."""
    rig = ready_to_start(device_build(debounce=[[2, 5_000], [61, 5_000], [62, 5_000]]))
    world(**cause)(rig)
    rig.start = 1
    rig.tick()
    assert rig.sup.phases.refused == C.STOPPED
    assert nothing_closed(rig)


def test_a_permit_that_opens_in_the_tick_of_the_edge_refuses():
    rig = Rig()
    rig.plug = 1
    rig.wake().turn_key().run(11_000)
    rig.loops = 0b011
    rig.start = 1
    rig.tick()
    rig.loops = 0b111
    assert rig.sup.phases.refused == C.PERMIT
    assert nothing_closed(rig)


@pytest.mark.parametrize("current", [TRUCK.current_threshold_ma, None])
def test_without_a_speed_input_the_current_alone_must_be_low(current):
    rig = ready_to_start(device_build(speed_fitted=0))
    rig.held["current_ma"] = current
    rig.start = 1
    rig.tick()
    rig.held.clear()
    assert rig.sup.phases.refused == C.CURRENT
    assert nothing_closed(rig)


CHARGE_WRONG = {
    "charge permit open": (world(loops=0b011), {C.PERMIT, C.BY_FAULT}),
    "not plugged in after all": (world(unreadable=S.PLUG), {C.PLUG}),
    "pack at its end of charge": (hold(pack_mv=TRUCK.charge_end_mv), {C.PACK_FULL}),
    "pack below freezing": (pack_zones(TRUCK.pack_cold_dc - 1), {C.PACK_COLD}),
    "rolling": (world(speed_mm_s=1_000), {C.NOT_STANDING, C.BY_FAULT}),
    "isolation low": (world(isolation_ohm=TRUCK.iso_fault_ohm - 1), {C.ISOLATION}),
}


@pytest.mark.parametrize("name", CHARGE_WRONG)
def test_each_failing_check_refuses_a_charge(name):
    rig = Rig()
    rig.plug = 1
    rig.wake().turn_key().run(11_000)
    check(rig, *CHARGE_WRONG[name])


@pytest.mark.outside(
    subject="start and stop",
    source="UN R100 5.3.3, seen in a public copy",
    value="no movement by its own power while the charging connector is in",
)
def test_a_charge_starts_plugged_in_and_a_drive_does_not():
    rig = Rig()
    rig.plug = 1
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 3_000)
    rig.run(1_500)
    assert (rig.out.charger_enable, rig.out.inverter_enable, rig.out.drive_limit_permille) == (1, 0, 0)


def test_a_drive_permit_loop_counts_for_a_drive_only():
    build = device_build(loop_kind=[0, 1, 2])
    rig = ready_to_start(build)
    check(rig, world(loops=0b011), {C.PERMIT, C.BY_FAULT})


def test_a_charge_permit_loop_does_not_stop_a_drive():
    rig = ready_to_start()
    rig.loops = 0b011
    rig.run(400).press_start()
    assert rig.phase == "precharging"


ACTIVE_REFUSES = [row for row in T.TABLE if row[T.OFF] >= T.REFUSE]


@pytest.mark.parametrize("row", ACTIVE_REFUSES, ids=[row[T.NAME] for row in ACTIVE_REFUSES])
def test_every_fault_that_refuses_does(row):
    rig = ready_to_start()
    check(rig, lambda r: r.sup.faults.trip(row[T.ID]), {C.BY_FAULT})


MILD = [row for row in T.TABLE if row[T.OFF] < T.REFUSE]


@pytest.mark.parametrize("row", MILD, ids=[row[T.NAME] for row in MILD])
def test_no_milder_fault_refuses(row):
    rig = ready_to_start()
    rig.sup.faults.trip(row[T.ID])
    rig.run(400).press_start()
    assert rig.phase == "precharging", rig.story()


# A start needs a fresh edge, after the lamp test


def test_a_start_held_since_before_key_on_never_starts():
    rig = Rig()
    rig.start = 1
    rig.wake().turn_key()
    assert nothing_closed(rig, 8_000)
    assert "START_STUCK" in rig.faults
    rig.start = 0
    rig.run(3_000)
    assert "START_STUCK" not in rig.faults
    rig.press_start()
    assert rig.phase == "precharging"


def test_a_press_within_the_lamp_test_does_not_start():
    rig = Rig().wake()
    rig.key = 1
    rig.run(1_000).press_start()
    assert nothing_closed(rig, 4_000)
    rig.press_start()
    assert rig.phase == "precharging"


def test_after_a_refusal_the_cause_going_away_starts_nothing():
    """A wait, too, needs a fresh start edge afterwards."""
    rig = ready_to_start()
    rig.held["supply_mv"] = TRUCK.supply_low_mv - 1
    rig.run(200)
    rig.start = 1
    rig.run(200)
    rig.held.clear()
    assert nothing_closed(rig, 5_000)
    rig.start = 0
    rig.run(3_000)
    rig.press_start()
    assert rig.phase == "precharging"


def test_a_start_held_for_more_than_ten_seconds_is_stuck():
    rig = ready_to_start()
    rig.held["supply_mv"] = TRUCK.supply_low_mv - 1
    rig.run(200)
    rig.start = 1
    rig.run(9_980)
    assert "START_STUCK" not in rig.faults
    rig.run(40)
    assert "START_STUCK" in rig.faults


# Inputs that a build declares "none" are not asked for; those fitted are


def test_a_build_without_speed_current_feedback_starts_without_them():
    rig = ready_to_start(device_build("bench_cart"))
    rig.held.update(current_ma=None, current_state=S.STALE, speed_pulses=None, reference_mv=None)
    rig.run(400).press_start()
    assert rig.phase == "precharging"


def test_a_contact_that_closes_with_the_main_proves_nothing():
    """Normally open: a broken wire would look like an open main (S10)."""
    for feedback, refused in ((1, C.PROOF), (2, C.FINE)):
        memory = RamMemory()
        memory.positive_proven = False
        rig = ready_to_start(device_build(feedback=feedback), memory)
        rig.start = 1
        rig.tick()
        assert rig.sup.phases.refused == refused


def test_a_contact_that_cannot_be_read_proves_nothing():
    memory = RamMemory()
    memory.positive_proven = False
    rig = ready_to_start(memory=memory)
    rig.unreadable = S.AUX_POSITIVE
    rig.start = 1
    rig.tick()
    assert rig.sup.phases.refused == C.PROOF


# S9, S15: what stays, and what it takes to end it


def acknowledge(rig, row_name):
    rig.sup.ask(ID_OF[row_name])
    rig.ack = 1
    rig.run(200)
    rig.ack = 0
    return rig.run(200)


LOCKS = [row for row in T.TABLE if row[T.ENDS] == T.LOCK]


@pytest.mark.parametrize("row", LOCKS, ids=[row[T.NAME] for row in LOCKS])
def test_a_lock_survives_power_cycles_until_cleared_at_the_vehicle(row):
    """S9: with the bus proven dead and the button held; asking over a link alone does nothing (S15)."""
    memory = RamMemory()
    rig = ready_to_start(memory=memory)
    rig.sup.faults.trip(row[T.ID])
    rig.run(100)
    for _ in range(3):
        rig = ready_to_start(memory=memory)
        assert rig.phase == "locked out"
        rig.press_start()
        assert nothing_closed(rig)
    rig.sup.ask(row[T.ID])
    rig.run(12_000)
    assert row[T.NAME] in rig.faults
    acknowledge(rig, row[T.NAME])
    assert row[T.NAME] not in rig.faults
    rig = ready_to_start(memory=memory)
    rig.press_start()
    assert rig.phase == "precharging"


def test_a_lock_is_not_cleared_before_the_bus_is_proven_dead():
    """Below the dead level throughout 10 s."""
    rig = Rig().run(1_000)
    rig.sup.faults.trip(ID_OF["CRASH"])
    acknowledge(rig, "CRASH")
    assert "CRASH" in rig.faults
    rig.run(10_000)
    acknowledge(rig, "CRASH")
    assert "CRASH" not in rig.faults


def test_a_lock_is_not_cleared_while_its_condition_is_there():
    rig = Rig()
    rig.crash = 1
    rig.run(12_000)
    acknowledge(rig, "CRASH")
    assert "CRASH" in rig.faults
    rig.crash = 0
    rig.run(3_000)
    acknowledge(rig, "CRASH")
    assert "CRASH" not in rig.faults


def test_a_new_memory_is_a_lock():
    memory = RamMemory(new=True)
    rig = ready_to_start(memory=memory)
    assert "MEMORY_NEW" in rig.faults
    rig.press_start()
    assert nothing_closed(rig)
    acknowledge(rig, "MEMORY_NEW")
    rig = ready_to_start(device_build(feedback=0), memory)
    rig.press_start()
    assert rig.phase == "checking"  # commissioned, but nobody has proven the positive pole yet
    assert "POSITIVE_UNPROVEN" in rig.faults
    acknowledge(rig, "POSITIVE_UNPROVEN")
    rig.press_start()
    assert rig.phase == "precharging"


@pytest.mark.outside(
    subject="start and stop",
    source="Formula SAE 2026 V1.0 EV.7.2.3, seen in a public copy",
    value="a shutdown is latched and reset by hand at the vehicle",
)
def test_an_emergency_stop_ends_by_release_acknowledgement_and_key_on_in_this_order():
    rig = Rig()
    rig.stop = 1
    rig.run(1_000)
    rig.stop = 0
    rig.run(3_000)
    rig.turn_key()
    assert "EMERGENCY_STOP" in rig.faults  # a key-on alone does not do
    rig.ack = 1
    rig.run(100)
    rig.ack = 0
    rig.run(100)
    assert "EMERGENCY_STOP" in rig.faults  # nor the button alone
    rig.key = 0
    rig.run(100)
    rig.turn_key()
    assert "EMERGENCY_STOP" not in rig.faults


def test_an_acknowledgement_while_the_stop_is_pressed_does_not_count():
    rig = Rig()
    rig.stop = 1
    rig.run(1_000)
    rig.ack = 1
    rig.run(100)
    rig.ack = 0
    rig.stop = 0
    rig.run(3_000)
    rig.turn_key()
    assert "EMERGENCY_STOP" in rig.faults


def test_a_stop_that_comes_again_after_its_acknowledgement_is_owed_again():
    rig = Rig()
    rig.stop = 1
    rig.run(200)
    rig.stop = 0
    rig.run(3_000)
    rig.ack = 1
    rig.run(100)
    rig.ack = 0
    assert rig.memory.locked == []
    rig.stop = 1
    rig.run(200)
    rig.stop = 0
    rig.run(3_000)
    assert rig.memory.locked == [ID_OF["EMERGENCY_STOP"]]
    rig.turn_key()
    assert "EMERGENCY_STOP" in rig.faults
    assert rig.memory.codes()[0]["count"] == 2


# S15: what becomes of a request from a link


def asked(rig, row_name, ms=200):
    """Ask, press the button, and what the supervisor answered."""
    acknowledge(rig, row_name)
    rig.run(ms)
    return rig.sup.answer


def test_a_request_for_what_is_not_there_is_told_so():
    rig = ready_to_start()
    assert asked(rig, "CRASH") == supervisor.NOT_ACTIVE
    rig.sup.ask(200)
    assert rig.sup.answer == supervisor.NOT_ACTIVE


def test_a_request_while_live_is_told_so_and_does_nothing():
    rig = Rig().go_live()
    rig.sup.faults.trip(ID_OF["MEMORY_NEW"])
    assert asked(rig, "MEMORY_NEW") == supervisor.NOT_OFF
    assert "MEMORY_NEW" in rig.faults


def test_a_request_for_a_row_that_ends_by_itself_is_told_so():
    rig = ready_to_start()
    rig.sup.faults.trip(ID_OF["SPEED_LOST"])
    assert asked(rig, "SPEED_LOST") == supervisor.NOT_ACTIVE
    assert "SPEED_LOST" in rig.faults


def test_a_request_that_nobody_acknowledges_within_ten_seconds_is_over():
    rig = ready_to_start()
    rig.sup.faults.trip(ID_OF["CRASH"])
    rig.sup.ask(ID_OF["CRASH"])
    rig.run(9_900)
    assert rig.sup.answer == supervisor.WAITING
    rig.run(200)
    assert rig.sup.answer == supervisor.TIMED_OUT
    rig.ack = 1
    rig.run(200)
    assert "CRASH" in rig.faults


def test_clearing_the_third_flat_start_begins_the_count_anew():
    rig = ready_to_start()
    rig.memory.flats = 3
    rig.sup.faults.trip(ID_OF["PRECHARGE_FLAT_AGAIN"])
    assert asked(rig, "PRECHARGE_FLAT_AGAIN") == supervisor.DONE
    assert rig.memory.flats == 0


def test_contactors_opened_under_load_too_often_are_due_until_inspected():
    """Ten openings in this build; a caution, and the button after the inspection starts the count anew."""
    build = device_build()
    memory = RamMemory()
    memory.under_load = build.inspect_after - 2
    rig = Rig(build, memory).drive(load_a=100.0)
    rig.stop = 1
    rig.run(100)
    assert "CONTACTORS_DUE" not in rig.faults
    rig = Rig(build, RamMemory())
    rig.memory.under_load = build.inspect_after - 1
    rig.drive(load_a=100.0)
    rig.stop = 1
    rig.run(100)
    assert "CONTACTORS_DUE" in rig.faults
    rig.stop = 0
    rig.stand()
    rig.key = 0
    rig.until(lambda r: r.phase == "off", 60_000)
    rig.run(11_000)
    assert asked(rig, "CONTACTORS_DUE") == supervisor.DONE
    assert rig.memory.under_load == 0
