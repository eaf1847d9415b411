"""Inputs: two-state lines, the isolation monitor, the isolated bus voltage, temperatures."""

from schemdraw import elements as elm

from loopwarden_build.units import show
from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Sheet
from loopwarden_circuits.stages import opto_input


def two_state_inputs() -> Sheet:
    """High means asked for, or healthy; plug and crash are turned round, as high is their bad news."""
    s = Sheet()
    s.text((-0.4, 1.6), "key, start, acknowledge, stop, aux, coolant, driver feedback: pulled down", size=12)
    s.terminal((0, 0), "12 V", "left")
    s.contact((0, 0), (3.0, 0), "contact")
    opto_input(s, (3.0, 0), "pin, high =\nasked for,\nor healthy")
    s.notes(
        (-0.4, -1.8),
        (
            "Wire broken: the pin is low.",
            "stop: a closed contact of its own on the",
            "button; low = pressed.",
            "aux: closed while the main is open;",
            "low = the main counts as closed.",
        ),
    )
    s.text((-0.4, -4.8), "plug, crash: turned round", size=12)
    s.terminal((0, -6.6), "12 V", "left")
    s.contact((0, -6.6), (3.0, -6.6), "opened by the plug,\nor by the crash", closed=True)
    x, y = opto_input(s, (3.0, -6.6), "")
    _, _, out = s.gate((x, y), "1", inverted=True)
    s.wire(out, (x + 3.4, y))
    s.resistor((x + 2.0, y), (x + 2.0, y - 2), V.ohm(V.INPUT_OHM))
    s.ground((x + 2.0, y - 2))
    s.dots((x + 2.0, y))
    s.terminal((x + 3.4, y), "pin, high =\nplugged in,\nor crash")
    s.notes((-0.4, -8.6), ("Wire broken, or its 12 V gone: the pin", "is high: plugged in, or crash (lock)."))
    return s


def isolation_inputs() -> Sheet:
    """Three outputs of isolation monitors, one input."""
    s = Sheet()
    monitor = V.monitor()
    assert monitor.fault_duty is not None
    s.frame((-0.2, 1.7), (4.2, -3.0), "isolation monitor")
    s.terminal((0.2, 0.6), "12 V", "above")
    s.wire((0.2, 0.6), (0.2, 0))
    s.contact((0.2, 0), (4.2, 0), "output")
    s.text((0.1, -1.0), "on = current flows:\ngood, or the high\npart of a period", size=10)
    s.wire((4.2, 0), (5.0, 0))
    opto_input(s, (5.0, 0), f"isolation\n{V.gp(V.TRUCK, 'isolation')}", filtered=False, zero="0 V of the monitor")
    s.text((-0.2, -4.4), "good/bad line", size=12)
    s.notes(
        (-0.2, -5.0),
        (
            "High = good. Broken wire, monitor without",
            f"supply: low = below {V.CART.isolation.fault:.0f} ohm/V",
            f"({V.ohm(V.line_ohm())} in the cart): no start, wind down.",
            "It cannot warn.",
        ),
    )
    s.text((6.4, -4.4), "duty", size=12)
    high = 0.86
    table = dict(monitor.table)
    s.wire((6.4, -6.3), (6.6, -6.3), (6.6, -5.5), (6.6 + 3 * high, -5.5), (6.6 + 3 * high, -6.3), (9.6, -6.3))
    s.wire((9.6, -6.3), (9.6, -5.5), (10.0, -5.5))
    s.text((8.0, -5.3), f"{100 * high:.0f} % = {V.ohm(table[high])}", align="center", valign="bottom", size=10)
    s.text((8.1, -6.4), f"period {show(monitor.period, 's')}", align="center", valign="top", size=10)
    s.notes(
        (6.4, -7.2),
        (
            f"{100 * monitor.fault_duty[0]:.0f} to {100 * monitor.fault_duty[1]:.0f} %: its own fault.",
            f"No edge for {show(V.monitor_lost_s(), 's')}, high or",
            "low: lost.",
        ),
    )
    s.text((12.2, -4.4), "frequency", size=12)
    for n in range(4):
        x = 12.2 + 0.9 * n
        s.wire((x, -6.3), (x, -5.5), (x + 0.45, -5.5), (x + 0.45, -6.3), (x + 0.9, -6.3))
    s.notes(
        (12.2, -7.2),
        ("Counted from rising edge to", "rising edge. No edge for three of", "its longest periods: lost."),
    )
    return s


def bus_sense() -> Sheet:
    """The bus voltage across the isolation barrier, with a zero that is alive."""
    s = Sheet()
    sense = V.TRUCK.voltage_sense.bus
    s.frame((-1.0, 2.2), (9.9, -5.4), "in the housing of the bus, at bus potential")
    for x, name in ((0, "bus +"), (0.8, "")):
        s.terminal((x, 0.8), name, "above")
        s.wire((x, 0.8), (x, 0.2))
    s.wire((0, 0.2), (0.8, 0.2))
    s.text((1.1, 0.9), "two taps,\ntwo bolts", size=10)
    s.wire((0.4, 0.2), (0.4, 0))
    s.resistor((0.4, 0), (0.4, -2.0), f"{V.DIVIDER_PARTS} x {V.ohm(V.DIVIDER_PART_OHM)}\nin series")
    s.wire((0.4, -2.0), (4.8, -2.0))
    s.resistor((0.4, -2.0), (0.4, -4.0), V.ohm(V.DIVIDER_LOW_OHM))
    s.dots((0.4, -2.0), (0.4, -4.0), (0.4, 0.2), (0.4, -4.3))
    s.terminal((0.0, -4.7), "", "left")
    s.terminal((0.8, -4.7), "bus -")
    s.wire((0.0, -4.7), (0.0, -4.3), (0.8, -4.3), (0.8, -4.7))
    s.wire((0.4, -4.3), (0.4, -4.0))
    s.wire((0.4, -4.0), (4.2, -4.0), (4.2, -2.9), (4.8, -2.9))
    s.text((2.3, -4.7), "two taps as well", size=10)
    s.box(
        (4.8, -1.4),
        (9.6, -3.6),
        "isolating amplifier,\nzero raised on this side\n" + f"({sense.zero_counts} counts at 0 V)",
    )
    s.box((5.4, 0.8), (9.0, -0.2), "isolated supply")
    s.wire((6.6, -0.2), (6.6, -1.4))
    s.text((6.8, -0.8), "its 0 V = bus -", size=10)
    s.wire((9.0, 0.3), (10.8, 0.3))
    s.terminal((10.8, 0.3), "5 V of the board")
    s.wire((9.6, -2.0), (11.0, -2.0))
    s.resistor((11.0, -2.0), (13.2, -2.0), V.ohm(V.SERIES_OHM), "above")
    s.wire((13.2, -2.0), (15.2, -2.0))
    s.resistor((10.4, -2.0), (10.4, -4.0), "10 kohm")
    s.ground((10.4, -4.0))
    s.capacitor((14.2, -2.0), (14.2, -4.0), f"{V.FILTER_FARAD * 1e9:.0f} nF")
    s.ground((14.2, -4.0))
    s.dots((10.4, -2.0), (14.2, -2.0))
    s.terminal((15.2, -2.0), f"bus_voltage\n{V.gp(V.TRUCK, 'bus_voltage')}")
    full = sense.full_scale
    s.notes(
        (-1.0, -6.1),
        (
            f"0 V: {sense.zero_counts} counts ({V.counts_v(sense.zero_counts):.3f} V).  "
            f"{full:.0f} V: {sense.full_counts} counts ({V.counts_v(sense.full_counts):.3f} V); "
            f"{V.divider_v(full):.3f} V at the divider, then a gain of {V.amplifier_gain():.2f}.",
            f"Fewer than {V.bus_low_counts()}: signal wire broken or shorted, amplifier or supply dead = no reading.",
            f"More than {V.bus_high_counts()}: shorted to the supply = no reading.",
            "Not seen: both taps of a pole broken. That reads as 0 V. Lift each tap at bring-up: the reading stays.",
        ),
    )
    return s


def temperature() -> Sheet:
    """An NTC to ground, pulled up to the converter's reference."""
    s = Sheet()
    zone = V.ntc_zone()
    low, high = V.ntc_rails()
    s.rail((0, 0.9), f"converter reference, {V.reference_v()} V")
    s.resistor((0, 0.9), (0, -1.2), f"{V.ohm(zone.pull_up)}, 1 %", "left")
    s.wire((0, -1.2), (3.0, -1.2))
    s.dots((0, -1.2))
    s.plug((0, -1.2), (0, -2.6), "connector", "left")
    s.put(elm.Thermistor().endpoints((0, -2.6), (0, -4.6)))
    s.text((0.6, -3.6), f"NTC {V.ohm(zone.r25)} at 25 degC, B {zone.beta:.0f} K,\ninsulated for the pack's voltage")
    s.plug((0, -4.6), (0, -6.0), "own return\nwire", "left")
    s.ground((0, -6.0))
    s.resistor((3.0, -1.2), (5.2, -1.2), V.ohm(V.SERIES_OHM), "above")
    s.wire((5.2, -1.2), (9.0, -1.2))
    s.capacitor((7.6, -1.2), (7.6, -2.8), f"{V.FILTER_FARAD * 1e9:.0f} nF")
    s.ground((7.6, -2.8))
    s.dots((7.6, -1.2))
    s.terminal((9.0, -1.2), f"zone 1\n{V.gp(V.TRUCK, 'zone 1')}")
    trip = V.TRUCK.limits.pack.trip
    s.notes(
        (6.6, -4.6),
        (
            f"0 degC: {V.ntc_counts(0)} counts.  25 degC: {V.ntc_counts(25)}.  {trip:.0f} degC: {V.ntc_counts(trip)}.",
            f"Broken wire: above {high} = open, never cold.",
            f"Short, or wire to 0 V: below {low} = short, never hot.",
            "The reference cancels, as the same one feeds",
            "converter and divider.",
        ),
    )
    return s
