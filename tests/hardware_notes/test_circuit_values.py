"""What the pictures print agrees with the device code, by circuits solved apart.

The networks are solved by nodal analysis (numpy), the code that judges is the device's own.
"""

import functools
import math
from itertools import product

import numpy as np
import pytest

from loopwarden import build as device_build
from loopwarden.convert.isolation import Isolation
from loopwarden.convert.linear import Linear
from loopwarden.convert.loops import Loops
from loopwarden.convert.raw import Raw
from loopwarden.convert.zones import Zones
from loopwarden.signals import LOOP0, OPEN, SHORT, Inputs
from loopwarden_build import derived, integer_build, pack
from loopwarden_circuits import pictures
from loopwarden_circuits import values as V

COUNTS = 4095
draw = functools.cache(pictures.draw)


def node_v(*branches):
    """Voltage of one node: branches of (source volts, ohm), by Kirchhoff's current law."""
    matrix = np.array([[sum(1 / ohm for _, ohm in branches)]])
    return float(np.linalg.solve(matrix, np.array([sum(volts / ohm for volts, ohm in branches)]))[0])


def counts_of(*branches):
    return round(COUNTS * min(max(node_v(*branches), 0.0), V.reference_v()) / V.reference_v())


@pytest.fixture(scope="module")
def truck():
    return device_build.load(pack.pack_bytes(integer_build.to_device(V.TRUCK)))


def read_loop(truck, counts):
    """What the device makes of loop 2: closed, low (short to 0 V), high (short to supply) or open."""
    raw, loops = Raw(), Loops(truck)
    raw.loop_counts[1] = counts
    loops.step(raw)
    for name in ("closed", "low", "high"):
        if getattr(loops, name) >> 1 & 1:
            return name
    return "open"


def supervised(up=1.0, near=1.0, far=1.0, extra_ohm=0.0, leak_ohm=math.inf, ref_v=3.3):
    """Counts of the loop with its resistors off by these factors."""
    far_ohm = V.LOOP_FAR_OHM * far + extra_ohm
    far_ohm = 1 / (1 / far_ohm + 1 / leak_ohm)
    return counts_of((ref_v, V.LOOP_UP_OHM * up), (0, V.LOOP_NEAR_OHM * near), (0, far_ohm))


def test_the_supervised_loop_reads_closed_with_every_resistor_at_the_end_of_one_percent(truck):
    for up, near, far in product((0.99, 1.01), repeat=3):
        assert read_loop(truck, supervised(up, near, far)) == "closed"
    assert f"Closed: {supervised()} counts" in draw("loop_resistor")


def test_an_open_loop_reads_open_and_not_shorted(truck):
    for up, near in product((0.99, 1.01), repeat=2):
        assert read_loop(truck, counts_of((3.3, V.LOOP_UP_OHM * up), (0, V.LOOP_NEAR_OHM * near))) == "open"
    assert f"broken: {counts_of((3.3, V.LOOP_UP_OHM), (0, V.LOOP_NEAR_OHM))}," in draw("loop_resistor")


def test_shorts_of_the_supervised_loop_are_told_apart(truck):
    assert read_loop(truck, counts_of((3.3, V.LOOP_UP_OHM), (0, 10.0))) == "low"
    assert read_loop(truck, counts_of((3.3, V.LOOP_UP_OHM), (0, V.LOOP_NEAR_OHM), (12, 10.0))) == "high"


def test_a_broken_part_of_the_supervised_loop_never_reads_closed(truck):
    assert read_loop(truck, counts_of((0, V.LOOP_NEAR_OHM), (0, V.LOOP_FAR_OHM))) == "low"  # the upper one
    assert read_loop(truck, counts_of((3.3, V.LOOP_UP_OHM), (0, V.LOOP_FAR_OHM))) == "open"  # the near one
    assert read_loop(truck, counts_of((3.3, V.LOOP_UP_OHM), (0, V.LOOP_NEAR_OHM))) == "open"  # the far one


def test_how_much_contact_resistance_and_water_it_stands(truck, page):
    """The page names the first that do not pass: from them on it reads open, a tenth before it is still closed."""
    for ohm in (640, 31e3):
        assert f"{ohm:.0f} ohm" in page("circuits.md") or f"{ohm / 1e3:.0f} kohm" in page("circuits.md")
    assert read_loop(truck, supervised(extra_ohm=0.9 * 640)) == "closed"
    assert read_loop(truck, supervised(extra_ohm=1.1 * 640)) == "open"
    assert read_loop(truck, supervised(leak_ohm=1.1 * 31e3)) == "closed"
    assert read_loop(truck, supervised(leak_ohm=0.9 * 31e3)) == "open"


# A toggled loop: what the device makes of the levels that the circuit gives.

OPEN_LOOP, CLOSED_LOOP, TO_GROUND, TO_SUPPLY, DEAD_DRIVE = range(5)


def return_v(driven, state):
    """Voltage at the return while `driven` (0 or 1): drive, 470 ohm, loop; 4.7 kohm to the opposite level."""
    drive_v = 0.0 if state == DEAD_DRIVE else V.PIN_V * driven
    branches = [(V.PIN_V - drive_v, V.INPUT_OHM)]
    if state != OPEN_LOOP:
        branches.append((drive_v, V.DRIVE_OHM))
    if state == TO_GROUND:
        branches.append((0.0, 1.0))
    if state == TO_SUPPLY:
        branches.append((V.PIN_V, 1.0))
    return node_v(*branches)


@pytest.mark.parametrize(
    ("state", "reads"),
    [(OPEN_LOOP, "open"), (CLOSED_LOOP, "closed"), (TO_GROUND, "low"), (TO_SUPPLY, "high"), (DEAD_DRIVE, "low")],
)
def test_the_toggled_loop_reads_as_the_picture_says(truck, state, reads):
    raw, loops = Raw(), Loops(truck)
    seen = []
    for tick in range(6):
        raw.loop_driven = tick & 1
        volts = return_v(raw.loop_driven, state)
        assert volts <= V.LOW_V or volts >= V.HIGH_V, "no level between"
        raw.levels = LOOP0 << 2 if volts >= V.HIGH_V else 0
        loops.step(raw)
        bits = {name: getattr(loops, name) >> 2 & 1 for name in ("closed", "low", "high")}
        seen.append(next((name for name, on in bits.items() if on), "open"))
    assert set(seen[2:]) == {reads}


def test_the_levels_of_a_closed_toggled_loop_are_those_printed():
    low, high = return_v(0, CLOSED_LOOP), return_v(1, CLOSED_LOOP)
    assert f"{low:.1f} V and {high:.1f} V" in draw("loop_toggled")


# Inputs behind an optocoupler


def test_the_filter_is_faster_than_the_shortest_stop_pulse_of_both_builds():
    """R*C falling from what the optocoupler leaves to a sure low, stepped; pull-down 10 and capacitor 20 % off."""
    for factor in (1.0, 1.1 * 1.2):
        volts, t_s, step_s = V.PIN_V - V.OPTO_V, 0.0, 1e-7
        while volts > V.LOW_V:
            volts -= volts / (V.INPUT_OHM * V.FILTER_FARAD * factor) * step_s
            t_s += step_s
        for build in (V.TRUCK, V.CART):
            assert t_s < build.inputs.stop_pulse
        if factor == 1.0:
            assert f"{1000 * t_s:.2f} ms" in draw("loop_level")


def test_half_a_current_transfer_is_enough_down_to_the_failing_supply():
    led_a = (V.TRUCK.supply.failing - V.LED_V) / V.LED_OHM
    assert 0.5 * led_a > (V.PIN_V - V.OPTO_V) / V.INPUT_OHM


@pytest.mark.outside(
    subject="board and runtime",
    source="RP2350 erratum E9, seen in its users' discussion; drivers common practice",
    value="an input may hold itself near 2 V against more than 8 kohm",
)
def test_every_external_pull_is_as_small_as_the_errata_and_the_rules_want():
    """4.7 to 10 kohm at a driver, as asked; 8 kohm or less, with what is in series, at an RP2350 input."""
    assert 4700 <= V.DRIVER_OHM <= 10_000
    assert V.INPUT_OHM + V.SERIES_OHM <= 8000
    for build in (V.TRUCK, V.CART):
        assert (build.pulls.inputs, build.pulls.drivers, build.pulls.held_high) == (4700, 10_000, 10_000)
    assert "4.7 kohm" in draw("two_state_inputs")
    assert "10 kohm" in draw("coil_supply")
    assert "10 kohm" in draw("converters_and_registers")


# Isolation


def duty_ohm(truck, duty):
    raw, isolation = Raw(), Isolation(truck)
    raw.isolation_fresh = 1
    raw.isolation_high_us = round(duty * 100_000)
    raw.isolation_low_us = 100_000 - raw.isolation_high_us
    isolation.step(raw, 20)
    return isolation.ohm


def test_the_duty_that_is_drawn_reads_as_printed_and_inverted_as_the_page_warns(truck, page):
    assert duty_ohm(truck, 0.86) == pytest.approx(52.6e3, rel=0.001)
    assert "86 % = 52.6 kohm" in draw("isolation_inputs")
    assert duty_ohm(truck, 1 - 0.86) == pytest.approx(31e6, rel=0.01)
    assert "a leak of 52.6 kohm as 31 Mohm" in page("circuits.md")


def test_silence_is_lost_when_the_picture_says(truck):
    raw, isolation = Raw(), Isolation(truck)
    raw.isolation_fresh, raw.isolation_high_us, raw.isolation_low_us = 1, 50_000, 50_000
    isolation.step(raw, 20)
    raw.isolation_fresh = 0
    for _ in range(300 // 20):
        isolation.step(raw, 20)
    assert isolation.ohm is not None
    isolation.step(raw, 20)
    assert isolation.ohm is None
    assert "No edge for 300 ms" in draw("isolation_inputs")


def test_a_bad_line_means_the_carts_response_value():
    """600 ohm/V over 116 V."""
    assert V.line_ohm() == 600 * 116
    assert "(69.6 kohm in the cart)" in draw("isolation_inputs")


# Bus


def bus_channel(truck):
    return Linear(
        truck.convert_bus_zero_counts,
        truck.convert_bus_full_counts,
        truck.convert_bus_full_mv,
        truck.convert_bus_low_counts,
        truck.convert_bus_high_counts,
        -10_000,
    )


@pytest.mark.parametrize("volts", [0.0, 57.0, 400.0, 500.0])
def test_divider_and_gain_give_the_counts_that_the_device_reads_as_that_voltage(truck, volts):
    """Divider by nodal analysis, gain and raised zero as printed, converter at 3.3 V."""
    upper = V.DIVIDER_PARTS * V.DIVIDER_PART_OHM
    out_v = node_v((volts, upper), (0, V.DIVIDER_LOW_OHM)) * 1.40 + 0.322
    channel = bus_channel(truck)
    error_v = V.TRUCK.voltage_sense.bus.error
    assert channel.read(round(COUNTS * out_v / 3.3)) / 1000 == pytest.approx(volts, abs=error_v)
    text = draw("bus_sense")
    assert "a gain of 1.40" in text
    assert "400 counts (0.322 V)" in text


def test_a_dead_bus_channel_is_no_reading(truck):
    channel = bus_channel(truck)
    assert channel.read(0) is None
    assert channel.read(199) is None
    assert channel.read(400) == 0
    assert channel.read(3998) is None
    text = draw("bus_sense")
    assert "Fewer than 200:" in text
    assert "More than 3997:" in text


def test_no_divider_resistor_stands_more_than_a_quarter_of_full_scale():
    whole = V.DIVIDER_PARTS * V.DIVIDER_PART_OHM + V.DIVIDER_LOW_OHM
    assert 500 * V.DIVIDER_PART_OHM / whole <= 125


# Temperature


def zone_reading(truck, counts):
    inputs = Inputs()
    raw = Raw()
    raw.zone_counts16[0] = counts * 16
    zones = Zones(truck)
    zones.bind(inputs)
    zones.step(raw.zone_counts16)
    return inputs.zone_dc[0], inputs.zone_state[0]


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra",
    value="the same, B 3435: 28 704.3 ohm at 0 degC, 4101.2 at 50, 1451.3 at 85",
)
@pytest.mark.parametrize(("degc", "ohm"), [(0, 28_704.3), (25, 10_000.0), (55, 3_486.0)])
def test_the_counts_beside_the_ntc_are_those_of_its_equation(truck, degc, ohm):
    """B 3435 K, 10 kohm: 28 704.3 ohm at 0 degC by R25*exp(B*(1/T - 1/T25)); 55 degC worked out by hand likewise."""
    counts = counts_of((3.3, 10_000.0), (0, ohm))
    assert f"{counts}" in draw("temperature")
    assert zone_reading(truck, counts)[0] == pytest.approx(10 * degc, abs=2)


def test_a_broken_and_a_shorted_ntc_are_no_temperature(truck):
    assert zone_reading(truck, counts_of((3.3, 10_000.0), (0, 1e9))) == (None, OPEN)
    assert zone_reading(truck, counts_of((3.3, 10_000.0), (0, 1.0))) == (None, SHORT)


# Supply, hold, gate


def test_the_supply_divider_fits_the_builds_scale():
    """20 V at 4000 counts; the divider within half a percent of it, the thresholds in counts as printed."""
    for volts, printed in ((15.5, "3100"), (9.5, "1900"), (8.0, "1600")):
        counts = counts_of((volts, V.SUPPLY_UP_OHM), (0, V.SUPPLY_DOWN_OHM))
        assert counts == pytest.approx(int(printed), rel=0.005)
        assert printed in draw("supply")


def test_the_hold_relays_delay_is_what_the_picture_says():
    """A capacitor emptied by its resistor, stepped through, from 3.0 V to a gate's 1.5 V."""
    volts, t_s = 3.0, 0.0
    while volts > 1.5:
        volts -= volts / (1e6 * 4.7e-6) * 1e-4
        t_s += 1e-4
    assert f"About {t_s:.0f} s off delay" in draw("hold_relay")


def test_the_gates_time_leaves_room_on_both_sides():
    """Above two ticks, as each half needs an edge of its own kind; below the build's hold time, and S11's 100 ms."""
    for build in (V.TRUCK, V.CART):
        half_ms = V.HOLD_PART * V.hold_ms(build)
        assert 1.5 * 2 * V.tick_ms(build) <= half_ms
        assert half_ms * 1.2 <= V.hold_ms(build) <= 100
    assert "Each half: about 80 ms, well above 40 ms" in draw("heartbeat_gate")
    assert "hold time, 100 ms" in draw("heartbeat_gate")


def test_the_discharge_that_closes_by_itself_is_rated_for_the_whole_bus_all_the_time():
    """420 V on 1 kohm."""
    assert f"{420**2 / 1000:.1f} W all the time" in draw("discharge")
    assert derived.drain_ohm(V.TRUCK) == 1000


def test_pins_in_the_pictures_are_those_of_the_build():
    for picture, signal, place in (
        ("loop_level", "loop 1", "GP3"),
        ("heartbeat_gate", "heartbeat", "GP7"),
        ("lamps", "lamp_hv", "GP13"),
        ("service_switch", "service", "GP20"),
        ("converters_and_registers", "register_latch", "GP26"),
    ):
        assert V.TRUCK.pins[signal] == place
        assert place in draw(picture)
