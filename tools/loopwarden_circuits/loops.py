"""Interlock loops: the three ways to sense one, and the three kinds."""

from schemdraw import elements as elm

from loopwarden_build.sensor_curves import COUNTS_MAX
from loopwarden_build.units import show
from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Sheet
from loopwarden_circuits.stages import opto_input


def loop_level() -> Sheet:
    """A loop on the 12 V line, read as one level."""
    s = Sheet()
    s.rail((0, 0.7), "12 V")
    s.wire((0, 0.7), (0, 0))
    s.part(elm.FuseIEC(), (0, 0), (1.8, 0), "fuse")
    s.plug((1.8, 0), (3.4, 0), "connector")
    s.contact((3.4, 0), (5.2, 0), "lid", closed=True)
    s.plug((5.2, 0), (6.8, 0), "connector")
    s.wire((6.8, 0), (7.6, 0))
    s.dots((7.2, 0))
    s.wire((7.2, 0), (7.2, -2.0), (6.2, -2.0))
    s.terminal((6.2, -2.0), "hard loop only: on to the coils", "left")
    opto_input(s, (7.6, 0), f"loop 1\n{V.gp(V.TRUCK, 'loop 1')}", zero="0 V of the coils")
    s.notes(
        (0, -3.0),
        (
            f"Closed: the pin is high ({V.led_ma(12):.1f} mA in the loop).",
            "Wire broken, lid off, short to 0 V (the fuse",
            "blows), optocoupler or 12 V dead: low = open.",
            f"A break of {show(V.TRUCK.inputs.stop_pulse, 's')} is latched: sure low after {V.filter_ms():.2f} ms.",
            "Short to 12 V behind the lid: reads closed.",
        ),
    )
    return s


def loop_toggled() -> Sheet:
    """A loop that is driven with a level that changes in every tick."""
    s = Sheet()
    low, high = V.toggled_closed_v()
    s.terminal((0, 0), f"loop drive\n{V.gp(V.TRUCK, 'loop_drive')}", "left")
    s.wire((0, 0), (2.6, 0))
    s.resistor((0.8, 0), (0.8, -1.8), V.ohm(V.DRIVER_OHM), "left")
    s.ground((0.8, -1.8))
    s.dots((0.8, 0), (2.6, 0))
    s.resistor((2.6, 0), (4.8, 0), V.ohm(V.DRIVE_OHM), "above")
    s.plug((4.8, 0), (6.6, 0), "connector")
    s.contact((6.6, 0), (8.4, 0), "cell monitor:\nclosed = may charge", "below")
    s.plug((8.4, 0), (10.2, 0), "connector")
    s.wire((10.2, 0), (11.4, 0))
    s.resistor((11.4, 0), (13.4, 0), V.ohm(V.SERIES_OHM), "above")
    s.wire((13.4, 0), (14.8, 0))
    s.terminal((14.8, 0), f"loop 3\n{V.gp(V.TRUCK, 'loop 3')}")
    s.wire((2.6, 0), (2.6, -3.0), (4.0, -3.0))
    _, _, out = s.gate((4.0, -3.0), "1", inverted=True)
    s.text((3.6, -3.9), "inverter: the opposite of what is driven", align="left", size=10)
    s.wire(out, (7.0, -3.0))
    s.resistor((7.0, -3.0), (9.2, -3.0), V.ohm(V.INPUT_OHM), "above")
    s.wire((9.2, -3.0), (10.9, -3.0), (10.9, 0))
    s.dots((10.9, 0))
    for x in (1.7, 13.8):  # behind the resistors, so that these limit what a short to 12 V brings
        s.part(elm.Schottky(), (x, -1.3), (x, 0))
        s.ground((x, -1.3))
        s.part(elm.Schottky(), (x, 0), (x, 1.3))
        s.rail((x, 1.3), f"{V.PIN_V} V")
        s.dots((x, 0))
    s.notes(
        (0, -5.0),
        (
            f"Closed: the return follows the drive, {low:.1f} V and {high:.1f} V.  Open: it shows the opposite.",
            "Short to 0 V: stays low.  Short to a supply: stays high.  Drive dead: stands still, reads shorted.",
            f"Two ticks ({2 * V.tick_ms()} ms) tell them apart.  With the registers off, the drive is pulled low.",
        ),
    )
    return s


def loop_resistor() -> Sheet:
    """A loop closed by a resistor at its far end."""
    s = Sheet()
    loop = V.supervised_loop()
    s.rail((0, 0.9), f"converter reference, {V.reference_v()} V")
    s.wire((0, 0.9), (0, 0.6))
    s.resistor((0, 0.6), (0, -1.4), V.ohm(V.LOOP_UP_OHM), "left")
    s.wire((0, -1.4), (2.8, -1.4))
    s.dots((0, -1.4), (2.0, -1.4))
    s.resistor((0, -1.4), (0, -3.6), V.ohm(V.LOOP_NEAR_OHM), "left")
    s.ground((0, -3.6))
    s.plug((2.8, -1.4), (4.6, -1.4), "connector")
    s.contact((4.6, -1.4), (6.8, -1.4), "inverter cover", closed=True)
    s.plug((6.8, -1.4), (9.6, -1.4), "motor plug")
    s.resistor((9.6, -1.4), (9.6, -3.6), f"{V.ohm(V.LOOP_FAR_OHM)} at\nthe far end")
    s.wire((9.6, -3.6), (1.2, -3.6), (0, -3.6))
    s.text((5.6, -3.35), "own return wire, not the chassis", align="center", valign="bottom", size=10)
    s.wire((2.0, -1.4), (2.0, 0.2), (12.2, 0.2))
    s.resistor((12.2, 0.2), (14.4, 0.2), V.ohm(V.SERIES_OHM), "above")
    s.wire((14.4, 0.2), (16.2, 0.2))
    s.capacitor((15.0, 0.2), (15.0, -1.4), f"{V.FILTER_FARAD * 1e9:.0f} nF")
    s.ground((15.0, -1.4))
    s.dots((15.0, 0.2))
    s.terminal((16.2, 0.2), f"loop 2\n{V.gp(V.TRUCK, 'loop 2')}")
    lowest, highest = loop.closed_counts
    s.notes(
        (0, -5.2),
        (
            f"Closed: {V.loop_closed_counts():.0f} counts, taken from {lowest} to {highest}.  "
            f"Open, or the far resistor broken: {V.loop_open_counts():.0f}, open is everything between.",
            f"Short to 0 V: 0 counts, below {loop.ground_below}.  "
            f"Short to a supply: {COUNTS_MAX} counts, above {loop.supply_above}.",
            "Clamp diodes to 0 V and to the converter's supply at its input, for a short to 12 V.",
        ),
    )
    return s


def loop_kinds() -> Sheet:
    """Hard, watched, permit: what an open loop takes with it."""
    s = Sheet()
    s.text((-0.4, 1.0), "hard: carries the coil supply itself", size=12)
    s.terminal((0, -0.4), "12 V coil supply", "left")
    s.part(elm.FuseIEC(), (0, -0.4), (2.0, -0.4), "fuse")
    s.contact((2.0, -0.4), (4.4, -0.4), "emergency\nstop", closed=True)
    s.plug((4.4, -0.4), (6.6, -0.4), "service\ndisconnect")
    s.contact((6.6, -0.4), (9.0, -0.4), "battery lid", closed=True)
    s.wire((9.0, -0.4), (14.0, -0.4))
    s.terminal((14.0, -0.4), "coils, through the gate")
    s.wire((10.6, -0.4), (10.6, -1.3), (14.0, -1.3))
    s.dots((10.6, -0.4))
    s.terminal((14.0, -1.3), "read as a level")
    s.text((-0.4, -2.5), "watched: the board reads it, nothing else hangs on it", size=12)
    s.terminal((0, -3.7), "sense", "left")
    s.plug((0, -3.7), (3.0, -3.7), "motor plug")
    s.contact((3.0, -3.7), (6.0, -3.7), "inverter cover", closed=True)
    s.resistor((6.0, -3.7), (8.4, -3.7), "far resistor", "above")
    s.wire((8.4, -3.7), (8.4, -4.6), (0, -4.6))
    s.terminal((0, -4.6), "return", "left")
    s.text((-0.4, -5.8), "permit: a contact of somebody else's, closed = it may", size=12)
    s.terminal((0, -7.0), "drive", "left")
    s.wire((0, -7.0), (1.4, -7.0))
    s.frame((1.4, -6.2), (6.6, -7.5), "cell monitor")
    s.contact((1.4, -7.0), (6.6, -7.0))
    s.wire((6.6, -7.0), (8.4, -7.0), (8.4, -8.1), (0, -8.1))
    s.terminal((0, -8.1), "return", "left")
    s.notes(
        (9.6, -3.6),
        (
            "Open hard loop: all coils let go, at any speed.",
            "Open watched loop: standing, the contactors",
            "open; moving, the drive winds down first.",
        ),
    )
    s.notes(
        (9.6, -7.0),
        (
            "Withdrawn: no start; a charge ends; a drive",
            "winds down. Monitor without supply: contact",
            "open, so withdrawn.",
        ),
    )
    return s
