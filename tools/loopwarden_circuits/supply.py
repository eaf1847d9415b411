"""What feeds the board and what it lights: supply with its supervisor, hold relay, lamps."""

from schemdraw import elements as elm

from loopwarden_build.units import show
from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Point, Sheet


def supply() -> Sheet:
    """12 V to the board, a supervisor on its reset line, and what tells the board of its supply."""
    s = Sheet()
    low, high = V.SUPERVISOR_V
    s.terminal((0, 0), "12 V, held", "left")
    s.part(elm.FuseIEC(), (0, 0), (1.8, 0), "fuse", "below")
    s.part(elm.Diode(), (1.8, 0), (3.6, 0), "wrong poles", "above")
    s.wire((3.6, 0), (6.4, 0))
    s.part(elm.Zener(), (4.2, -1.8), (4.2, 0))
    s.text((4.6, -0.9), "surges", size=10)
    s.ground((4.2, -1.8))
    s.dots((4.2, 0), (1.8, 0))
    s.box((6.4, 0.7), (9.4, -0.7), "12 V to 5 V")
    s.part(elm.Schottky(), (9.4, 0), (11.4, 0))
    s.wire((11.4, 0), (12.6, 0))
    s.box((12.6, 0.7), (16.0, -6.0), "")
    s.text((14.3, -1.6), "board", align="center", size=12)
    s.text((12.8, 0), "VSYS", size=10)
    s.text((12.8, -2.6), "3.3 V", size=10)
    s.text((12.8, -4.6), "RUN", size=10)
    s.wire((12.6, -2.6), (7.0, -2.6), (7.0, -3.2))
    s.box((5.6, -3.2), (8.8, -4.9), f"supervisor,\n{low} to {high} V,\nopen drain", size=10)
    s.wire((8.8, -4.6), (12.6, -4.6))
    s.resistor((10.0, -2.6), (10.0, -4.6), "10 kohm")
    s.dots((10.0, -2.6), (10.0, -4.6), (9.4, -4.6))
    s.wire((9.4, -4.6), (9.4, -5.6))
    s.terminal((9.4, -5.6), "clear of the heartbeat gate", "below")
    s.wire((7.0, -4.9), (7.0, -5.2))
    s.ground((7.0, -5.2))
    s.wire((1.8, 0), (1.8, 1.6), (18.4, 1.6))
    s.resistor((18.4, 1.6), (18.4, -0.4), V.ohm(V.SUPPLY_UP_OHM))
    s.resistor((18.4, -0.4), (18.4, -2.7), V.ohm(V.SUPPLY_DOWN_OHM))
    s.ground((18.4, -2.7))
    s.dots((18.4, -0.4))
    s.wire((18.4, -0.4), (17.4, -0.4), (17.4, -4.2))
    s.terminal((17.4, -4.2), f"supply\n{V.gp(V.TRUCK, 'supply')}", "below")
    supply = V.TRUCK.supply
    s.notes(
        (0, -3.0),
        (
            "Below its level the",
            "board is in reset: no edge,",
            "no flash written, coils off.",
        ),
    )
    s.notes(
        (0, -7.2),
        (
            f"Supply high above {supply.high} V ({V.supply_counts(supply.high)} counts), low below {supply.low} V "
            f"({V.supply_counts(supply.low)}), "
            f"failing below {supply.failing:.0f} V ({V.supply_counts(supply.failing)}).",
            f"Clamp and {V.FILTER_FARAD * 1e9:.0f} nF at the converter, as with the other channels. "
            "Wire broken: 0 counts, no reading.",
        ),
    )
    return s


def hold_relay() -> Sheet:
    """Keeps the board supplied after key off."""
    s = Sheet()
    s.terminal((0, 0), "12 V battery", "left")
    s.part(elm.FuseIEC(), (0, 0), (2.0, 0), "fuse")
    s.wire((2.0, 0), (3.0, 0))
    s.contact((3.0, 0), (6.0, 0), "key")
    s.part(elm.Schottky(), (6.0, 0), (8.6, 0), "one way")
    s.wire((8.6, 0), (11.0, 0))
    s.terminal((11.0, 0), "12 V, held: board,\nhigh-voltage lamps,\nsensors, monitor")
    s.wire((6.4, 0), (6.4, 1.3), (7.4, 1.3))
    s.terminal((7.4, 1.3), f"key, {V.gp(V.TRUCK, 'key')}, through an input stage")
    s.wire((2.6, 0), (2.6, -1.8), (3.0, -1.8))
    s.contact((3.0, -1.8), (6.0, -1.8), "hold relay")
    s.wire((6.0, -1.8), (9.2, -1.8), (9.2, 0))
    s.dots((2.6, 0), (6.4, 0), (9.2, 0), (9.2, -1.8))
    s.coil((9.2, -2.4), (9.2, -4.2), "hold relay", "right")
    s.wire((9.2, -1.8), (9.2, -2.4))
    s.wire((9.2, -2.2), (8.2, -2.2))
    s.part(elm.Diode(), (8.2, -4.2), (8.2, -2.2))
    s.wire((8.2, -4.2), (9.2, -4.2))
    s.dots((9.2, -2.2), (9.2, -4.2))
    s.transistor((8.5, -5.2))
    s.ground((9.2, -6.2))
    s.terminal((0, -5.2), f"hold\n{V.gp(V.TRUCK, 'hold')}", "left")
    s.wire((0, -5.2), (2.0, -5.2))
    s.resistor((1.2, -5.2), (1.2, -7.2), V.ohm(V.DRIVER_OHM), "left")
    s.ground((1.2, -7.2))
    s.part(elm.Schottky(), (2.0, -5.2), (4.2, -5.2))
    s.wire((4.2, -5.2), (8.5, -5.2))
    s.capacitor((4.8, -5.2), (4.8, -7.2), show(V.DELAY_FARAD, "F"))
    s.ground((4.8, -7.2))
    s.resistor((7.0, -5.2), (7.0, -7.2), V.ohm(V.DELAY_OHM))
    s.ground((7.0, -7.2))
    s.dots((1.2, -5.2), (4.8, -5.2), (7.0, -5.2))
    s.notes(
        (10.6, -4.6),
        (
            f"About {V.off_delay_s():.0f} s off delay: longer than a",
            "reset, or the lamps go dark in it.",
            "Driver dead, wire broken: lets go after",
            "key off; then only the light that the",
            "bus feeds itself tells.",
            "Without the one-way part the held",
            "supply would read as key on.",
        ),
    )
    return s


def _lit_unless_held(s: Sheet, top: Point, hold: Point) -> None:
    """A lamp at `top` that is lit by its own pull-up unless `hold` is pulled to 0 V."""
    x, y = top
    s.lamp((x, y), (x, y - 1.8))
    gate = (x - 0.7, y - 2.8)
    s.transistor(gate)
    s.ground((x, y - 3.8))
    s.wire((x, y), (x - 1.8, y))
    s.resistor((x - 1.8, y), (x - 1.8, y - 2.0), "10 kohm", "left")
    s.wire((x - 1.8, y - 2.0), (x - 1.8, gate[1]), gate)
    s.dots((x - 1.8, gate[1]))
    s.wire((x - 1.8, gate[1]), (x - 1.8, hold[1]), hold)


def lamps() -> Sheet:
    """High-voltage lamps lit unless held off; the others lit when driven; one that the bus lights by itself."""
    s = Sheet()
    s.terminal((0, 1.4), "12 V, held", "left")
    s.part(elm.FuseIEC(), (0, 1.4), (2.0, 1.4), "own fuse")
    s.wire((2.0, 1.4), (9.0, 1.4), (9.0, 0.6))
    s.wire((4.0, 1.4), (4.0, 0.6))
    s.dots((4.0, 1.4))
    for x, name in ((4.0, "inside"), (9.0, "outside")):
        _lit_unless_held(s, (x, 0.6), (x - 1.8, -4.2))
        s.text((x, 1.6), f"high-voltage lamp {name}", align="center", valign="bottom")
        s.transistor((x - 2.5, -5.2))
        s.ground((x - 1.8, -6.2))
        s.wire((x - 2.5, -5.2), (x - 3.4, -5.2), (x - 3.4, -8.4))
    s.wire((0.6, -8.4), (7.0, -8.4))
    s.dots((0.6, -8.4), (5.6, -8.4))
    s.resistor((0.6, -8.4), (0.6, -10.2), V.ohm(V.DRIVER_OHM), "left")
    s.ground((0.6, -10.2))
    s.box((7.0, -7.8), (8.0, -9.0), "&")
    s.wire((8.0, -8.1), (9.2, -8.1))
    s.wire((8.0, -8.7), (10.0, -8.7))
    s.terminal((9.2, -8.1), "heart beats")
    s.terminal((10.0, -8.7), f"lamp_hv {V.gp(V.TRUCK, 'lamp_hv')}: high = keep dark")
    s.resistor((8.6, -8.7), (8.6, -10.4), V.ohm(V.DRIVER_OHM))
    s.ground((8.6, -10.4))
    s.dots((8.6, -8.7))
    s.text((14.0, 2.0), "caution, stop,\nready", align="center", size=12)
    s.terminal((14.0, 0.8), "12 V")
    s.lamp((14.0, 0.8), (14.0, -0.8))
    s.transistor((13.3, -1.8))
    s.ground((14.0, -2.8))
    s.wire((13.3, -1.8), (11.6, -1.8))
    s.resistor((12.4, -1.8), (12.4, -3.6), V.ohm(V.DRIVER_OHM), "left")
    s.ground((12.4, -3.6))
    s.dots((12.4, -1.8))
    s.terminal((11.6, -1.8), "pin", "above")
    s.text((17.2, 2.0), "fed by the\nbus itself", align="center", size=12)
    s.terminal((17.2, 0.8), "bus +")
    s.resistor((17.2, 0.8), (17.2, -1.0), "several in\nseries")
    s.part(elm.LED(), (17.2, -1.0), (17.2, -2.6))
    s.wire((17.2, -2.6), (17.2, -2.8))
    s.terminal((17.2, -2.8), "bus -")
    s.notes(
        (11.2, -5.0),
        (
            "Board in reset, hung, wiped, pin or gate broken: lit.",
            "Lamp, its fuse or the 12 V broken: dark, and that",
            "proves nothing. So two lamps, the feedback input,",
            "and a light that the bus feeds.",
        ),
    )
    return s
