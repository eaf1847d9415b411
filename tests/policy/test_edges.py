"""Both sides of levels on the way up that a circuit seldom hits to the millivolt: just below, at, just above.

The levels are those of the design: flat below 5 % of pack, a weld from a tenth of pack, connected within 3 % of pack.
"""

import pytest

from loopwarden import signals as S
from loopwarden.policy import phases as P

from .rig import Rig, device_build
from .test_up import TRUCK, pressed

PACK_MV = 360_000


def charging_bus(bus_mv=0):
    """The second pole is being charged; pack and bus are held."""
    rig = pressed()
    rig.held["pack_mv"] = PACK_MV
    rig.until(lambda r: r.sup.phases.stage == P.CHARGE_BUS, 3_000)
    rig.held["bus_mv"] = bus_mv
    return rig


@pytest.mark.parametrize(("bus_mv", "flat"), [(18_000, False), (17_999, True)])
def test_a_bus_is_flat_below_a_twentieth_of_pack(bus_mv, flat):
    rig = charging_bus(bus_mv).run(TRUCK.close_ms + TRUCK.flat_ms + 40)
    assert rig.stored == ({"PRECHARGE_FLAT"} if flat else set())


@pytest.mark.parametrize(("bus_mv", "counts"), [(18_000, False), (17_999, True)])
def test_heat_in_doubt_is_dropped_from_a_twentieth_of_pack_on(bus_mv, counts):
    """S12: a bus that rises as a sound one does had no short across it; one that does not may have had."""
    rig = charging_bus(0).run(40)
    doubt_mj = rig.sup.resistors.doubt_mj
    assert doubt_mj > 0
    rig.held["bus_mv"] = bus_mv
    rig.tick()
    assert rig.sup.resistors.doubt_mj == (doubt_mj if counts else 0)


def test_a_precharge_that_took_too_much_closes_nothing_even_in_a_tick_that_came_late():
    """S2: given up in the very tick in which the bus also has settled at its fraction."""
    rig = charging_bus(PACK_MV * 94 // 100).run(240)
    rig.held["bus_mv"] = PACK_MV * 951 // 1000
    rig.sup.resistors.energy_mj = 3 * rig.sup.resistors.one_mj(PACK_MV)
    rig.dt = 100
    rig.tick()
    assert rig.stored == {"PRECHARGE_FLAT"}
    assert rig.commanded == set()


@pytest.mark.parametrize(
    ("below_mv", "holds"), [(0, True), (PACK_MV * 3 // 100, True), (PACK_MV * 3 // 100 + 1, False)]
)
def test_a_bus_holds_within_three_per_cent_of_pack(below_mv, holds):
    rig = Rig(device_build()).wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 5_000)
    rig.held.update(pack_mv=PACK_MV, bus_mv=PACK_MV - below_mv)
    rig.run(1_100)
    assert bool(rig.sup.phases.solid) == holds
    assert rig.out.inverter_enable == holds


@pytest.mark.parametrize(("bus_mv", "doubted"), [(2 * TRUCK.noise_mv, True), (2 * TRUCK.noise_mv + 1, False)])
def test_heat_is_in_doubt_while_the_bus_stands_within_twice_its_error(bus_mv, doubted):
    """S12: both readings, then and now, may be off by it; a bus that rose by more is fed by that very current."""
    rig = charging_bus(bus_mv)
    resistors = rig.sup.resistors
    doubt_mj, heat_mj = resistors.doubt_mj, resistors.precharge_mj
    rig.tick()
    assert (resistors.doubt_mj > doubt_mj, resistors.precharge_mj > heat_mj) == (doubted, not doubted)


def test_a_stop_before_live_with_an_unreadable_current_is_no_opening_under_load():
    """Nothing but the precharge resistor's current can flow then; unknown counts as too much only from live on."""
    rig = charging_bus(0)
    rig.held["current_state"] = S.OPEN
    rig.stop = 1
    rig.run(100)
    assert rig.stored == {"EMERGENCY_STOP"}
    assert rig.memory.under_load == 0


@pytest.mark.parametrize(("pressed_at_ms", "starts"), [(1_980, False), (2_000, True)])
def test_a_press_counts_from_the_very_tick_in_which_the_lamp_test_is_over(pressed_at_ms, starts):
    """Two seconds after the key-on was seen."""
    rig = Rig().wake()
    rig.key = 1
    rig.until(lambda r: r.sup.phases.stage == P.READY, 100)
    rig.run(pressed_at_ms - rig.dt)
    rig.start = 1
    rig.tick()
    assert (rig.sup.phases.stage == P.MARK) is starts
