"""The two limits (S7), cooling for each kind of build, and a charge from plug to end."""

import copy
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden.policy import fault_table as T
from loopwarden.policy import phases as P

from .rig import ID_OF, Rig, device_build
from .test_monitors import all_zones, glide
from .test_moving import driven

TRUCK = device_build()

# Limits


def test_a_limit_rises_no_faster_than_the_build_allows():
    """25 % a second; falls at once."""
    rig = driven()
    rig.held["supply_mv"] = TRUCK.supply_low_mv - 1
    rig.until(lambda r: r.out.drive_limit_permille < 1000, 2_000)
    assert rig.out.drive_limit_permille == 500
    rig.held.clear()
    rig.until(lambda r: r.out.drive_limit_permille > 500, 20_000)
    begin, last = rig.t_ms, rig.out.drive_limit_permille
    assert last <= 510
    while rig.out.drive_limit_permille < 1000:
        rig.tick()
        assert rig.out.drive_limit_permille - last <= 5
        last = rig.out.drive_limit_permille
    assert rig.t_ms - begin == pytest.approx(2_000, abs=80)


@settings(max_examples=40)
@given(st.lists(st.tuples(st.sampled_from(T.TABLE), st.integers(1, 40)), min_size=1, max_size=6))
def test_limits_stay_in_range_and_rise_at_the_pace_of_the_build_whatever_happens(history):
    """Any rows come and go; in live and winding down the limits never exceed any active cap."""
    rig = driven()
    for row, ticks in history:
        rig.sup.faults.trip(row[T.ID])
        for k in range(ticks):
            before = (rig.out.drive_limit_permille, rig.out.charge_limit_permille)
            rig.tick()
            after = (rig.out.drive_limit_permille, rig.out.charge_limit_permille)
            for low, high in zip(before, after, strict=True):
                assert 0 <= high <= 1000
                assert high - low <= 6
            if k and row[T.MOVING] >= T.LIMIT and rig.sup.faults.places[row[T.ID]]:
                assert after[0] <= row[T.DRIVE]
                assert after[1] <= row[T.CHARGE]
        if row[T.ENDS] == T.HEALS:
            rig.sup.faults.clear(row[T.ID])


@pytest.mark.parametrize(("mv", "permille"), [(315_000, 1000), (305_000, 500), (296_000, 50), (295_001, 0)])
def test_the_drive_limit_ramps_from_low_to_under_voltage(mv, permille):
    """315 V to 295 V, a straight line; charging stays allowed."""
    rig = driven()
    rig.held.update(pack_mv=mv, bus_mv=mv)
    rig.run(600)
    assert rig.out.drive_limit_permille == pytest.approx(permille, abs=50)
    assert rig.out.charge_limit_permille == 1000


@pytest.mark.parametrize(("mv", "permille"), [(404_999, 1000), (410_000, 455), (414_999, 0), (420_000, 0)])
def test_regeneration_ramps_to_nothing_at_the_end_of_charge(mv, permille):
    """415 V, over as many volts as lie between it and over-voltage; driving stays allowed: it brings it down."""
    rig = driven()
    rig.held.update(pack_mv=mv, bus_mv=mv)
    rig.run(600)
    assert rig.out.drive_limit_permille == 1000
    assert rig.out.charge_limit_permille == pytest.approx(permille, abs=100)


def test_over_current_takes_its_side_back_step_by_step():
    rig = driven()
    rig.held["current_ma"] = TRUCK.drive_current_ma + 1
    rig.run(TRUCK.over_current_ms - 100)
    assert rig.out.drive_limit_permille == 1000
    rig.run(1_500)
    assert 400 < rig.out.drive_limit_permille < 1000
    assert rig.out.charge_limit_permille == 1000
    rig.held["current_ma"] = -TRUCK.charge_current_ma - 1
    rig.run(TRUCK.over_current_ms + 1_500)
    assert rig.out.charge_limit_permille < 1000
    rig.held.clear()
    rig.run(30_000)
    assert (rig.out.drive_limit_permille, rig.out.charge_limit_permille) == (1000, 1000)


@pytest.mark.parametrize(
    ("z", "hot", "trip"),
    [(3, TRUCK.inverter_hot_dc, TRUCK.inverter_trip_dc), (4, TRUCK.motor_hot_dc, TRUCK.motor_trip_dc)],
)
def test_a_hot_inverter_or_motor_takes_the_drive_limit_only(z, hot, trip):
    rig = driven()
    rig.zones_dc[z] = (hot + trip) // 2
    rig.run(4_000)
    assert rig.out.drive_limit_permille == pytest.approx(600, abs=30)
    assert rig.out.charge_limit_permille == 1000


@pytest.mark.parametrize(
    ("limit_ma", "side"),
    [(TRUCK.drive_current_ma, "drive_limit_permille"), (-TRUCK.charge_current_ma, "charge_limit_permille")],
)
def test_a_current_that_is_down_at_its_limit_takes_no_more(limit_ma, side):
    """The most that is allowed is allowed."""
    rig = driven()
    rig.held["current_ma"] = limit_ma + (1 if limit_ma > 0 else -1)
    rig.run(TRUCK.over_current_ms + 1_000)
    rig.held["current_ma"] = limit_ma
    rig.run(200)
    taken = getattr(rig.out, side)
    assert 0 < taken < 1000
    rig.run(800)
    assert "OVER_CURRENT" in rig.faults
    assert getattr(rig.out, side) == taken


def test_what_over_current_took_comes_back_step_by_step():
    """20 permille at each of its turns of 160 ms: not at the quicker pace at which limits may rise else."""
    rig = driven()
    rig.held["current_ma"] = TRUCK.drive_current_ma + 1
    rig.run(TRUCK.over_current_ms + 2_000)
    rig.held.clear()
    rig.until(lambda r: "OVER_CURRENT" not in r.faults, 20_000)
    low = rig.out.drive_limit_permille
    assert low < 900
    rig.run(480)
    assert rig.out.drive_limit_permille - low == pytest.approx(60, abs=20)
    rig.run(8_000)
    assert rig.out.drive_limit_permille == 1000


@pytest.mark.parametrize(("z", "hot"), [(3, TRUCK.inverter_hot_dc), (4, TRUCK.motor_hot_dc)])
def test_an_inverter_or_motor_that_has_cooled_gives_the_drive_limit_back(z, hot):
    rig = driven()
    rig.zones_dc[z] = hot + 40
    rig.run(4_000)
    assert rig.out.drive_limit_permille < 900
    rig.zones_dc[z] = 250
    rig.run(20_000)
    assert rig.faults == set()
    assert rig.out.drive_limit_permille == 1000


@pytest.mark.outside(
    subject="temperatures",
    source="common practice",
    value="no charging below 0 degC",
)
def test_a_cold_pack_takes_no_charge_and_still_drives():
    """Below 0 degC: charge limit 0, so no regeneration either."""
    rig = driven()
    glide(rig, -1)
    rig.run(2_500)
    assert (rig.out.drive_limit_permille, rig.out.charge_limit_permille) == (1000, 0)


def test_outside_live_and_winding_down_nothing_is_granted():
    rig = Rig()
    rig.recorder = lambda r: (
        (r.phase in ("live", "winding down"))
        or (r.out.drive_limit_permille, r.out.charge_limit_permille) == (0, 0)
        or pytest.fail(r.story())
    )
    rig.drive(load_a=0.0).stand()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.IDLE, 60_000)


def test_a_second_drive_is_held_back_as_the_first_one_was():
    """S7: until the bus has held for a second, then until isolation has settled; the last drive counts for nothing."""
    rig = driven()
    assert rig.out.drive_limit_permille == 1000
    rig.stand()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.IDLE, 60_000)
    rig.turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 5_000)
    seen = set()
    rig.recorder = lambda r: seen.add((bool(r.sup.phases.solid), r.sup.isolation.settled, r.out.drive_limit_permille))
    rig.run(5_000)
    assert max(limit for solid, _, limit in seen if not solid) == 50
    assert max(limit for _, settled, limit in seen if not settled) == 200


# Cooling


@cache
def _cooled(kind, **changes):
    return Rig(device_build(cool_kind=kind, **changes)).drive()


def cooled(kind, **changes):
    return copy.deepcopy(_cooled(kind, **changes))


def asked(rig):
    o = rig.out
    return o.pump_permille, o.fan_permille, o.heater, o.chiller, o.chill_valve, o.heat_share


def test_a_passive_build_asks_for_nothing():
    rig = cooled(0)
    glide(rig, 510)
    rig.run(3_000)
    assert asked(rig) == (0, 0, 0, 0, 0, 0)


def test_an_air_cooled_build_asks_for_its_fan_only():
    rig = cooled(1)
    glide(rig, 400)
    rig.run(3_000)
    pump, fan, *others = asked(rig)
    assert (pump, others) == (0, [0, 0, 0, 0])
    assert 300 < fan < 1000
    glide(rig, 505)
    rig.run(3_000)
    assert rig.out.fan_permille == 1000  # pack warm: full cooling


def test_a_warm_pack_that_nobody_has_driven_is_not_cooled_before_the_key_is_on():
    """The fan would empty the supply's battery on a summer's day."""
    rig = Rig(device_build(cool_kind=1))
    rig.zones_dc = [450] * len(rig.zones_dc)
    for _ in range(150):
        rig.tick()
        assert rig.out.fan_permille == 0


def test_a_liquid_cooled_build_keeps_its_pump_running_while_live():
    rig = cooled(2)
    rig.run(1_000)
    assert rig.out.pump_permille == 300
    glide(rig, 505)
    rig.run(3_000)
    assert (rig.out.pump_permille, rig.out.chiller, rig.out.chill_valve) == (1000, 0, 0)


def test_a_chilled_build_turns_its_valve_when_warm_and_back_below():
    """The three-way valve leads past the chiller: 40 degC, two degrees of hysteresis."""
    rig = cooled(3)
    glide(rig, 399)
    rig.run(1_000)
    assert (rig.out.chiller, rig.out.chill_valve) == (0, 0)
    glide(rig, 401)
    rig.run(1_000)
    assert (rig.out.chiller, rig.out.chill_valve) == (1, 1)
    glide(rig, 385)
    rig.run(1_000)
    assert rig.out.chiller == 1
    glide(rig, 375)
    rig.run(1_000)
    assert (rig.out.chiller, rig.out.chill_valve) == (0, 0)


def test_a_chiller_runs_on_the_bus_and_stops_with_it():
    rig = cooled(3)
    glide(rig, 420)
    rig.run(1_000)
    rig.stop = 1
    rig.run(1_000)
    assert (rig.out.chiller, rig.out.hv_loads_enable) == (0, 0)


def test_motor_heat_warms_a_cold_pack_and_else_the_heater():
    rig = cooled(4, heat_dc=50)
    rig.zones_dc[4] = 250
    glide(rig, 30)
    rig.run(1_000)
    assert (rig.out.heat_share, rig.out.heater) == (1, 0)
    rig.zones_dc[4] = 60
    rig.run(3_000)
    assert (rig.out.heat_share, rig.out.heater) == (0, 1)
    glide(rig, 80)
    rig.run(3_000)
    assert (rig.out.heat_share, rig.out.heater) == (0, 0)
    rig.zones_dc[4] = 250
    rig.run(3_000)
    assert rig.out.heat_share == 0  # the motor is warm, and nobody wants its heat


def test_with_no_pack_zone_readable_it_cools_with_all_it_has():
    """S10: nobody knows."""
    rig = cooled(2)
    rig.held["zone_dc"] = [None] * 3 + [250] * 2 + [None] * 5
    rig.held["zone_state"] = [1] * 3 + [0] * 2 + [3] * 5
    rig.run(1_000)
    assert rig.out.pump_permille == 1000


def test_a_cold_pack_that_nobody_can_read_any_more_is_not_heated():
    """S10: the last reading is history; a heater that nothing measures runs on for ever."""
    rig = cooled(3, heat_dc=50)
    glide(rig, 30)
    rig.run(1_000)
    assert rig.out.heater == 1
    rig.held["zone_dc"] = [None] * 3 + [250] * 2 + [None] * 5
    rig.held["zone_state"] = [1] * 3 + [0] * 2 + [3] * 5
    rig.run(1_000)
    assert rig.out.heater == 0


def test_after_run_cools_on_and_holds_the_supply_then_ends():
    """Warm at the end of a drive; 120 s by the build."""
    rig = cooled(2)
    glide(rig, 420)
    rig.plant.load_a = 0.0
    rig.stand()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.IDLE, 60_000)
    assert rig.out.fan_permille
    assert rig.out.hold
    rig.run(TRUCK.after_run_ms)
    assert (rig.out.fan_permille, rig.out.pump_permille, rig.out.hold) == (0, 0, 0)


# Charge


@cache
def _charging():
    rig = Rig()
    rig.plug = 1
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 3_000)
    rig.plant.load_a = -40.0
    return rig.run(8_000)


def charging():
    return copy.deepcopy(_charging())


def test_a_charge_gives_the_charger_the_bus_and_the_drive_nothing():
    rig = charging()
    o = rig.out
    assert (o.charger_enable, o.inverter_enable, o.drive_limit_permille) == (1, 0, 0)
    assert o.charge_limit_permille == 1000


def test_a_charge_that_ends_in_the_cold_names_the_cold_pack():
    """S13: and one that ends by the charger's own word has no fault to name."""
    rig = charging()
    glide(rig, -1)
    rig.until(lambda r: not r.out.charger_enable, 4_000)
    assert rig.sup.phases.why_row == ID_OF["PACK_COLD"]
    rig = charging()
    rig.charged = 1
    rig.until(lambda r: not r.out.charger_enable, 4_000)
    assert rig.sup.phases.why_row == 0


def test_a_charge_that_is_opened_at_once_has_its_charger_off_before_a_contactor_opens():
    """A permit withdrawn opens without winding down: charger off first, or the main breaks its current."""
    rig = charging()
    rig.loops = 0b011
    rig.until(lambda r: r.phase == "opening", 1_000)
    assert rig.commanded == {"positive", "negative"}
    assert rig.out.charger_enable == 0


ENDS = {
    "plug out": lambda rig: setattr(rig, "plug", 0),
    "charger done": lambda rig: setattr(rig, "charged", 1),
    "key off": lambda rig: setattr(rig, "key", 0),
    "permit": lambda rig: setattr(rig, "loops", 0b011),
    "end voltage": lambda rig: rig.held.update(pack_mv=TRUCK.charge_end_mv, bus_mv=TRUCK.charge_end_mv),
    "below freezing": lambda rig: glide(rig, -1),
    "plug unreadable": lambda rig: setattr(rig, "unreadable", 1 << 3),
    "over voltage": lambda rig: rig.held.update(pack_mv=TRUCK.pack_over_mv, bus_mv=TRUCK.pack_over_mv),
}


@pytest.mark.parametrize("end", ENDS)
def test_each_end_of_a_charge(end):
    """Disable, wait for the current, open; and it never restarts by itself."""
    rig = charging()
    ENDS[end](rig)
    rig.until(lambda r: not r.out.charger_enable, 4_000)
    assert {"positive", "negative"} <= rig.commanded or not rig.commanded
    rig.plant.load_a = 0.0
    rig.until(lambda r: "positive" not in r.commanded, 4_000)
    rig.held.clear()
    rig.unreadable = 0
    rig.plug, rig.charged, rig.loops = 1, 0, 0b111
    all_zones(rig, 250)
    for _ in range(3_000):
        rig.tick()
        assert "positive" not in rig.commanded
        assert not rig.out.charger_enable


def test_a_short_touch_of_the_end_voltage_ends_nothing():
    rig = charging()
    rig.held.update(pack_mv=TRUCK.charge_end_mv, bus_mv=TRUCK.charge_end_mv)
    rig.run(1_800)
    rig.held.clear()
    rig.run(3_000)
    assert rig.out.charger_enable


def test_no_drive_starts_from_a_charge():
    """Plug out ends it; a drive needs its own start edge afterwards."""
    rig = charging()
    rig.plug = 0
    rig.run(200).press_start()
    rig.plant.load_a = 0.0
    rig.until(lambda r: r.sup.phases.stage == P.READY, 60_000)
    assert not rig.out.inverter_enable
    rig.run(3_000).press_start()
    rig.until(lambda r: r.phase == "live", 3_000)
    rig.run(1_500)
    assert (rig.out.inverter_enable, rig.out.charger_enable) == (1, 0)


# Both sides of the levels of cooling: to a tenth of a kelvin, and 2 K of hysteresis on the way back


@pytest.mark.parametrize(
    ("way", "fan"),
    [
        ((300,), 0),
        ((301,), 303),  # from 30 % to 100 % between 30 and 50 degC
        ((400,), 650),
        ((499,), 996),
        ((500,), 1000),
        ((310, 281), 300),
        ((310, 280), 0),
        ((280, 299), 0),
    ],
)
def test_the_fan_follows_the_hottest_zone(way, fan):
    rig = cooled(2)
    for dc in way:
        glide(rig, dc)
    rig.run(1_000)
    assert rig.out.fan_permille == fan
    assert rig.out.pump_permille == max(fan, 300)


@pytest.mark.parametrize("z", [3, 4])
@pytest.mark.parametrize(("dc", "fan"), [(449, 0), (450, 600)])
def test_a_warm_inverter_or_motor_asks_for_cooling_too(z, dc, fan):
    rig = cooled(2)
    rig.zones_dc[z] = dc
    rig.run(1_000)
    assert rig.out.fan_permille == fan


@pytest.mark.parametrize(("way", "full"), [((449,), False), ((450,), True), ((450, 430), True), ((450, 429), False)])
def test_a_warm_pack_is_cooled_with_all_there_is(way, full):
    rig = cooled(2, pack_warm_dc=450)
    for dc in way:
        glide(rig, dc)
    rig.run(1_000)
    assert (rig.out.fan_permille == 1000) is full
    assert ("PACK_WARM" in rig.faults) is full


@pytest.mark.parametrize(("way", "chiller"), [((399,), 0), ((400,), 1), ((400, 380), 1), ((400, 379), 0)])
def test_a_chiller_runs_from_its_level_on(way, chiller):
    rig = cooled(3)
    for dc in way:
        glide(rig, dc)
    rig.run(1_000)
    assert (rig.out.chiller, rig.out.chill_valve) == (chiller, chiller)


@pytest.mark.parametrize(("way", "heater"), [((50,), 0), ((49,), 1), ((49, 69), 1), ((49, 70), 0)])
def test_a_pack_is_heated_below_its_level(way, heater):
    rig = cooled(3)
    for dc in way:
        glide(rig, dc)
    rig.run(1_000)
    assert rig.out.heater == heater


@pytest.mark.parametrize(("motor_dc", "share"), [(90, 0), (91, 1)])
def test_a_motor_more_than_five_kelvin_warmer_gives_its_heat(motor_dc, share):
    rig = cooled(4)
    glide(rig, 40)
    rig.zones_dc[4] = motor_dc
    rig.run(1_000)
    assert (rig.out.heat_share, rig.out.heater) == (share, 1 - share)


# Ramps to the permille: straight lines between the ends that the build gives, rounded to the careful side


@pytest.mark.parametrize(
    ("mv", "drive"), [(315_000, 1000), (314_999, 999), (305_000, 500), (304_999, 499), (295_020, 1), (295_019, 0)]
)
def test_each_20_mv_below_the_derating_level_take_a_permille(mv, drive):
    """From 315 V to 295 V."""
    rig = driven()
    rig.held.update(pack_mv=mv, bus_mv=mv)
    rig.run(600)
    assert rig.sup.limits.drive_goal >> 4 == drive


@pytest.mark.parametrize(
    ("mv", "charge"), [(405_000, 1000), (405_001, 999), (410_000, 500), (410_001, 499), (414_990, 1), (414_991, 0)]
)
def test_each_10_mv_below_the_end_of_charge_give_a_permille_back(mv, charge):
    """From 415 V down, over as much as over-voltage lies above it."""
    rig = driven()
    rig.held.update(pack_mv=mv, bus_mv=mv)
    rig.run(600)
    assert rig.sup.limits.charge_goal >> 4 == charge


@pytest.mark.parametrize(
    ("z", "dc", "drive", "charge"),
    [
        (0, 520, 1000, 1000),
        (0, 521, 974, 974),
        (0, 549, 227, 227),
        (3, 750, 1000, 1000),
        (3, 751, 992, 1000),
        (3, 849, 208, 1000),
        (4, 1200, 1000, 1000),
        (4, 1399, 204, 1000),
    ],
)
def test_heat_takes_full_at_hot_down_to_a_fifth_at_trip(z, dc, drive, charge):
    """Pack 52 to 55 degC, inverter 75 to 85, motor 120 to 140."""
    rig = driven()
    if z == 0:
        glide(rig, dc)
    rig.zones_dc[z] = dc
    rig.run(4_000)
    assert (rig.sup.limits.drive_goal >> 4, rig.sup.limits.charge_goal >> 4) == (drive, charge)


def test_a_motor_that_is_over_its_trip_level_already_still_has_a_fifth():
    """Until the winding down takes it: beyond the end of the ramp nothing is taken off below it."""
    rig = driven()
    rig.zones_dc[4] = 1_390
    rig.run(4_000)
    rig.zones_dc[4] = 1_430
    rig.run(400)
    assert rig.sup.limits.drive_goal >> 4 == 200
