"""Coils: the heartbeat gate, the drivers, the service switch, the discharge."""

from schemdraw import elements as elm

from loopwarden_build.units import show
from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Point, Sheet
from loopwarden_circuits.stages import switched_coil


def _feed(s: Sheet, left: Point, name: str) -> None:
    """A switch in a feed that is off unless the gate drives it, 3 wide."""
    x, y = left
    s.box((x, y + 0.6), (x + 3.0, y - 0.6), "high-side switch", size=10)
    s.wire((x + 1.5, y - 0.6), (x + 1.5, y - 1.5))
    s.terminal((x + 1.5, y - 1.5), name, "left")
    s.wire((x + 1.5, y - 1.0), (x + 2.6, y - 1.0))
    s.dots((x + 1.5, y - 1.0))
    s.resistor((x + 2.6, y - 1.0), (x + 2.6, y - 2.8), V.ohm(V.DRIVER_OHM))
    s.ground((x + 2.6, y - 2.8))


def coil_supply() -> Sheet:
    """Emergency stop, hard loop, service switch and gate in series; then a driver for each coil."""
    s = Sheet()
    s.terminal((0, 0), "12 V", "left")
    s.part(elm.FuseIEC(), (0, 0), (1.8, 0), "fuse")
    s.contact((1.8, 0), (4.0, 0), "emergency\nstop", closed=True)
    s.plug((4.0, 0), (7.0, 0), "hard loop:\nlid, disconnect")
    s.wire((7.0, 0), (8.0, 0))
    s.wire((7.2, 0), (7.2, -0.9))
    s.dots((7.2, 0))
    s.terminal((7.2, -0.9), "loop 1,\nread as a level", "below")
    s.contact((8.0, 0), (10.4, 0), "service switch,\npole 2", closed=True)
    s.wire((10.4, 0), (11.2, 0))
    _feed(s, (11.2, 0), "heartbeat gate")
    s.wire((14.2, 0), (16.4, 0), (16.4, -4.2), (1.6, -4.2))
    for x, name in ((1.6, "positive"), (5.8, "negative"), (10.0, "precharge")):
        s.wire((x, -4.2), (x, -4.6))
        if x > 1.6:
            s.dots((x, -4.2))
        switched_coil(s, (x, -4.6), name, f"{name}\n{V.gp(V.TRUCK, name)}")
    s.text((14.0, -4.6), "inverter enable hangs on the same\nfeed, behind a driver of its own", size=10, valign="top")
    s.terminal((0, -11.4), "12 V", "left")
    s.part(elm.FuseIEC(), (0, -11.4), (1.8, -11.4), "own fuse")
    s.wire((1.8, -11.4), (3.4, -11.4))
    _feed(s, (3.4, -11.4), "heartbeat gate")
    s.wire((6.4, -11.4), (11.0, -11.4))
    switched_coil(s, (11.0, -11.4), "discharge,\nclosed by its coil", f"discharge\n{V.gp(V.TRUCK, 'discharge')}")
    s.notes(
        (12.4, -13.6),
        (
            f"Each driver input: {V.ohm(V.DRIVER_OHM)} to 0 V of its own.",
            "Pin floating, board dead, wire broken: off.",
            "Diode and Zener over each coil: a diode",
            "alone makes the contacts open slowly.",
            "The discharge has a supply of its own: it",
            "must work with the stop button pressed.",
        ),
    )
    return s


def heartbeat_gate() -> Sheet:
    """Lets the coils have current only while edges come."""
    s = Sheet()
    s.terminal((0, 0), f"heartbeat\n{V.gp(V.TRUCK, 'heartbeat')}", "left")
    s.wire((0, 0), (2.6, 0))
    s.resistor((0.8, 0), (0.8, -2.0), V.ohm(V.DRIVER_OHM), "left")
    s.ground((0.8, -2.0))
    s.dots((0.8, 0), (2.0, 0))
    for y, edge in ((0, "rising"), (-3.4, "falling")):
        s.wire((2.0, y), (3.4, y))
        s.box((3.4, y + 0.9), (7.6, y - 0.9), f"retriggerable\nmonostable,\n{edge} edge", size=10)
        s.wire((7.6, y + 0.4), (9.6, y + 0.4))
        s.wire((5.5, y + 0.9), (5.5, y + 1.4))
        s.text((5.2, y + 1.25), "R, C: its time", align="right", size=10)
    s.wire((2.0, 0), (2.0, -3.4))
    a, b, out = s.gate((10.6, -1.7), "&")
    s.wire((9.6, 0.4), (10.1, 0.4), (10.1, a[1]), a)
    s.wire((9.6, -3.0), (10.1, -3.0), (10.1, b[1]), b)
    s.wire(out, (13.2, out[1]))
    s.wire((12.4, out[1]), (12.4, 0.6))
    s.terminal((12.4, 0.6), "heart beats: lamps", "above")
    s.dots((12.4, out[1]))
    s.box((13.2, -0.9), (16.2, -3.1), "latch: off when\nthe heart stops", size=10)
    s.box((10.2, -4.8), (13.4, -6.2), "none of the four\ncoils is driven", size=10)
    s.wire((13.4, -5.5), (14.7, -5.5), (14.7, -3.1))
    s.text((14.85, -3.5), "set", size=10)
    s.wire((16.2, -2.0), (18.2, -2.0))
    s.resistor((17.2, -2.0), (17.2, -4.0), V.ohm(V.DRIVER_OHM))
    s.ground((17.2, -4.0))
    s.dots((17.2, -2.0))
    s.terminal((18.2, -2.0), "gate: to the\nhigh-side\nswitches")
    s.terminal((3.0, -5.4), "from the supervisor\n(RUN line)", "left")
    s.wire((3.0, -5.4), (6.6, -5.4), (6.6, -4.3))
    s.wire((6.6, -5.4), (8.0, -5.4), (8.0, -1.4), (6.6, -1.4), (6.6, -0.9))
    s.dots((6.6, -5.4))
    s.text((6.8, -4.9), "clear", size=10)
    hold, tick = V.hold_ms(), V.tick_ms()
    s.notes(
        (0, -6.7),
        (
            f"An edge in each tick ({tick} ms), so one of each kind in {2 * tick} ms. Both halves must be on:",
            "one that sticks does not hold the coils.",
            f"Each half: about {V.HOLD_PART * hold:.0f} ms, well above {2 * tick} ms. Measured, tolerances and heat "
            "included,",
            f"the gate lets go within the build's hold time, {hold} ms.",
            "Pin stuck high or low, floating, board in reset or at its prompt: no edges, the gate opens.",
            "A heart that begins again does not close a contactor again: the latch wants every command off first.",
        ),
    )
    return s


def service_switch() -> Sheet:
    """Three positions, two poles: what each makes."""
    s = Sheet()
    positions = (("RUN", 0.9), ("SERVICE", 0.0), ("TEST", -0.9))
    for y, title in ((0.0, "pole 1: tells the board"), (-4.2, "pole 2: in the coil supply")):
        s.text((-3.2, y + 1.9), title, size=12)
        for name, shift in positions:
            s.wire((3.4, y + shift), (4.4, y + shift))
            s.terminal((3.4, y + shift), "")
            s.text((3.3, y + shift + 0.14), name, align="right", valign="bottom", size=10)
        s.wire((0, y), (0.9, y))
        s.put(elm.Dot(radius=0.09, open=True).at((0.9, y)))
        s.wire((0.98, y + 0.05), (3.0, y + 0.82))
    s.rail((0, 0.9), f"{V.PIN_V} V")
    s.wire((0, 0.9), (0, 0))
    s.text((4.6, 0.9), "open", size=10)
    s.wire((4.4, 0), (4.4, -0.9), (5.2, -0.9))
    s.dots((4.4, -0.9))
    s.resistor((5.2, -0.9), (7.2, -0.9), V.ohm(V.SERIES_OHM), "above")
    s.wire((7.2, -0.9), (9.2, -0.9))
    s.resistor((8.0, -0.9), (8.0, -2.7), V.ohm(V.INPUT_OHM))
    s.ground((8.0, -2.7))
    s.dots((8.0, -0.9))
    s.terminal((9.2, -0.9), f"service\n{V.gp(V.TRUCK, 'service')}")
    s.terminal((0, -4.2), "from the hard loop", "left")
    s.wire((4.4, -3.3), (6.4, -3.3), (6.4, -5.1))
    s.wire((4.4, -5.1), (7.6, -5.1))
    s.dots((6.4, -5.1))
    s.text((4.6, -4.2), "open", size=10)
    s.terminal((7.6, -5.1), "to the gate and the coils")
    s.dashed((1.9, 0.3), (1.9, -3.7))
    s.notes(
        (11.6, 1.6),
        (
            "RUN: pin low, coil supply made.",
            "SERVICE: pin high, coil supply broken.",
            "TEST: pin high, coil supply made, for the",
            "coil test alone. No start in either; a board",
            "that is switched on in either: its prompt.",
            "Wire of pole 1 broken: as RUN. Wire of",
            "pole 2 broken: no coil closes.",
        ),
    )
    return s


def discharge() -> Sheet:
    """Two ways to switch a discharge resistor."""
    s = Sheet()
    part = V.discharge()
    bus = V.TRUCK.bus
    for x, title, closed in ((0.0, "closed by its coil", False), (8.6, "open while its coil is on", True)):
        s.text((x - 0.8, 1.7), title, size=12)
        s.terminal((x - 0.4, 0.6), "bus +", "above")
        s.wire((x - 0.4, 0.6), (x + 6.0, 0.6))
        s.contact((x + 1.0, 0.6), (x + 1.0, -1.6), "no fuse", "right", closed=closed)
        s.resistor((x + 1.0, -1.6), (x + 1.0, -3.8), V.ohm(part.resistance))
        s.resistor((x + 4.6, 0.6), (x + 4.6, -3.8), f"bleed\n{V.ohm(bus.bleed)}")
        s.capacitor((x + 3.2, 0.6), (x + 3.2, -3.8), "", "right")
        s.wire((x - 0.4, -3.8), (x + 6.0, -3.8))
        s.terminal((x - 0.4, -3.8), "bus -", "below")
        s.dots(*((x + at, y) for at in (1.0, 3.2, 4.6) for y in (0.6, -3.8)))
    s.text((3.2, -4.05), show(bus.capacitance, "F"), align="center", size=10, valign="top")
    s.text((11.8, -4.05), show(bus.capacitance, "F"), align="center", size=10, valign="top")
    delay = f"release delay longer than a\nmain takes to open ({show(V.TRUCK.contactor.release_time, 's')})"
    s.terminal((8.2, -6.3), "gate", "left")
    a, b, out = s.gate((9.2, -6.6), "&")
    s.wire((8.2, -6.3), a)
    s.terminal((8.2, -6.9), "discharge, inverted", "left")
    s.wire((8.2, -6.9), b)
    s.wire(out, (11.0, out[1]))
    s.terminal((11.0, out[1]), "driver of its coil;\n" + delay)
    s.notes(
        (-0.8, -5.6),
        (
            "Dead board, no heartbeat,",
            "wire broken: off; the bleed",
            "alone.",
        ),
    )
    s.notes(
        (-0.8, -8.2),
        (
            "Open while its coil is on: a dead board, a lost supply or a broken wire discharges by itself,",
            "later than the mains open. It must then stand a bus that a turning motor feeds, or a welded main,",
            f"until somebody ends it: {show(V.TRUCK.pack.highest**2 / part.resistance, 'W')} all the time, or a "
            "thermal cut-out.",
        ),
    )
    return s
