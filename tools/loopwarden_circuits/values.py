"""Every number that a picture shows: taken from the two builds that ship, from the board's code, or worked out here.

Values of the parts are those of one circuit that fits the builds; a build of its own takes its own.
"""

import math
from pathlib import Path

from loopwarden_build import derived, integer_build, pins, sensor_curves
from loopwarden_build.load import read_build
from loopwarden_build.model import BuildFile, DutyMonitor, NtcZone, ResistorDischarge, ResistorLoop
from loopwarden_build.sensor_curves import COUNTS_MAX
from loopwarden_build.units import show

_BUILDS = Path(__file__).parents[2] / "host_sim" / "builds"
TRUCK = read_build(_BUILDS / "orchard_truck.toml")
CART = read_build(_BUILDS / "bench_cart.toml")

PIN_V = 3.3  # the board's pins
LOW_V, HIGH_V = 0.8, 2.0  # what a pin takes for low and for high at 3.3 V (RP2040 data sheet, from memory)
assert TRUCK.pulls is not None
INPUT_OHM, DRIVER_OHM, HELD_HIGH_OHM = TRUCK.pulls.inputs, TRUCK.pulls.drivers, TRUCK.pulls.held_high
LED_OHM = 2200.0  # in front of an optocoupler on a 12 V line
LED_V = 1.2
OPTO_V = 0.3  # across its closed transistor
FILTER_FARAD = 100e-9
SERIES_OHM = 1000.0  # into a pin that lies on a line of its own

# The loop that is closed by a resistor at its far end.
LOOP_UP_OHM, LOOP_NEAR_OHM, LOOP_FAR_OHM = 4700.0, 8200.0, 3300.0

# The toggled loop: in series with the drive, and from the far end to the opposite level.
DRIVE_OHM = 470.0

# Isolated bus sense: the divider's upper part in four, so that no resistor stands more than a quarter.
DIVIDER_PARTS, DIVIDER_PART_OHM, DIVIDER_LOW_OHM = 4, 499e3, 8060.0

# Divider of the board's own supply.
SUPPLY_UP_OHM, SUPPLY_DOWN_OHM = 52e3, 10e3

SUPERVISOR_V = (2.9, 3.0)
HOLD_PART = 0.8  # of the build's hold time: where a gate is set, so that its tolerance stays below

# The hold relay's off delay, longer than a reset: a capacitor at the gate of its driver.
DELAY_OHM, DELAY_FARAD, DELAY_GATE_V = 1e6, 4.7e-6, 1.5


def ohm(value: float) -> str:
    return show(value, "ohm")


def gp(build: BuildFile, signal: str) -> str:
    """Where a signal lies in a build's own pin plan."""
    return build.pins[signal]


def reference_v() -> float:
    """The truck's converter input at full counts."""
    assert TRUCK.reference_sense is not None
    return TRUCK.reference_sense.full_scale


def parallel(*ohms: float) -> float:
    return 1 / sum(1 / each for each in ohms)


def divider_counts(upper_ohm: float, lower_ohm: float) -> float:
    """Converter counts of a divider from the converter's reference to ground."""
    return COUNTS_MAX * lower_ohm / (upper_ohm + lower_ohm)


def supervised_loop() -> ResistorLoop:
    return next(loop for loop in TRUCK.loop if isinstance(loop, ResistorLoop))


def loop_closed_counts() -> float:
    return divider_counts(LOOP_UP_OHM, parallel(LOOP_NEAR_OHM, LOOP_FAR_OHM))


def loop_open_counts() -> float:
    return divider_counts(LOOP_UP_OHM, LOOP_NEAR_OHM)


def toggled_closed_v() -> tuple[float, float]:
    """Level at the return of a closed toggled loop while low, and while high, is driven."""
    low = PIN_V * DRIVE_OHM / (DRIVE_OHM + INPUT_OHM)
    return low, PIN_V - low


def led_ma(supply_v: float) -> float:
    return 1000 * (supply_v - LED_V) / LED_OHM


def filter_ms() -> float:
    """How long an input behind an optocoupler takes to fall to a sure low."""
    return 1000 * INPUT_OHM * FILTER_FARAD * math.log((PIN_V - OPTO_V) / LOW_V)


def monitor() -> DutyMonitor:
    assert isinstance(TRUCK.isolation, DutyMonitor)
    return TRUCK.isolation


def monitor_lost_s() -> float:
    return integer_build.MONITOR_PERIODS * integer_build.monitor_period_s(monitor())


def line_ohm() -> int:
    """Response value of the cart's good/bad line."""
    return derived.ohm_limit(CART, CART.isolation.fault)


def bus_low_counts() -> int:
    """Fewer counts are a broken wire."""
    return int(integer_build.to_device(TRUCK)["convert_bus_low_counts"])


def bus_high_counts() -> int:
    return int(integer_build.to_device(TRUCK)["convert_bus_high_counts"])


def bus_counts(volts: float) -> float:
    sense = TRUCK.voltage_sense.bus
    return sense.zero_counts + (sense.full_counts - sense.zero_counts) * volts / sense.full_scale


def counts_v(counts: float) -> float:
    """Voltage at the converter's input."""
    return reference_v() * counts / COUNTS_MAX


def divider_v(volts: float) -> float:
    """What the bus divider gives to the isolating amplifier."""
    return volts * DIVIDER_LOW_OHM / (DIVIDER_PARTS * DIVIDER_PART_OHM + DIVIDER_LOW_OHM)


def amplifier_gain() -> float:
    """From the divider to the converter."""
    sense = TRUCK.voltage_sense.bus
    return (counts_v(sense.full_counts) - counts_v(sense.zero_counts)) / divider_v(sense.full_scale)


def ntc_zone() -> NtcZone:
    return next(zone for zone in TRUCK.zone if isinstance(zone, NtcZone))


def ntc_counts(degc: float) -> int:
    return round(sensor_curves.zone_counts(ntc_zone(), degc))


def ntc_rails() -> tuple[int, int]:
    """Fewer are a short, more a broken wire."""
    return sensor_curves.zone_rails(ntc_zone())


def supply_counts(volts: float) -> int:
    return round(volts * TRUCK.supply.full_counts / TRUCK.supply.full_scale)


def off_delay_s() -> float:
    return DELAY_OHM * DELAY_FARAD * math.log((PIN_V - 0.3) / DELAY_GATE_V)


def discharge() -> ResistorDischarge:
    assert isinstance(TRUCK.discharge, ResistorDischarge)
    return TRUCK.discharge


def hold_ms(build: BuildFile = TRUCK) -> int:
    return round(1000 * build.build.heartbeat_hold)


def tick_ms(build: BuildFile = TRUCK) -> int:
    return round(1000 * build.build.tick)


TIED_LOW, TIED_HIGH = pins.SHIFT_IN_LOW, pins.SHIFT_IN_HIGH
