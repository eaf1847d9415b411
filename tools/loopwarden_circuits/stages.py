"""Pieces that several circuits share: the input stage behind an optocoupler, and a switched coil. Decides nothing."""

from schemdraw import elements as elm

from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Point, Sheet


def opto_input(sheet: Sheet, start: Point, pin: str, *, filtered: bool = True, zero: str = "0 V of that line") -> Point:
    """From a 12 V line at `start` to a pin that is high while current flows: its place, 9 right and 1.2 down."""
    x, y = start
    sheet.resistor((x, y), (x + 2.2, y), V.ohm(V.LED_OHM), "above")
    pins = sheet.opto((x + 2.6, y))
    sheet.wire((x + 2.2, y), (x + 2.6, y))
    cx, cy = pins["cathode"]
    sheet.wire((cx, cy), (cx - 0.3, cy), (cx - 0.3, cy - 0.9))
    # Takes what a wire brings with the wrong sign.
    sheet.part(elm.Diode(), (cx - 0.3, cy), (cx - 0.3, y))
    sheet.dots((cx - 0.3, cy), (cx - 0.3, y))
    sheet.ground((cx - 0.3, cy - 0.9), zero)
    sheet.rail((pins["collector"][0] + 0.2, y + 0.7), f"{V.PIN_V} V")
    sheet.wire(pins["collector"], (pins["collector"][0] + 0.2, y), (pins["collector"][0] + 0.2, y + 0.7))
    ex, ey = pins["emitter"]
    sheet.wire((ex, ey), (ex + 4.2, ey))
    sheet.resistor((ex + 0.7, ey), (ex + 0.7, ey - 2), V.ohm(V.INPUT_OHM))
    sheet.ground((ex + 0.7, ey - 2))
    sheet.dots((ex + 0.7, ey))
    if filtered:
        sheet.capacitor((ex + 3.0, ey), (ex + 3.0, ey - 2), f"{V.FILTER_FARAD * 1e9:.0f} nF")
        sheet.ground((ex + 3.0, ey - 2))
        sheet.dots((ex + 3.0, ey))
    if pin:
        sheet.terminal((ex + 4.2, ey), pin)
    return ex + 4.2, ey


def switched_coil(sheet: Sheet, top: Point, name: str, pin: str) -> None:
    """A coil from its feed at `top` down to a switch that is off unless its pin is driven high; 5.4 deep."""
    x, y = top
    sheet.coil((x, y), (x, y - 1.6), name, "right")
    sheet.wire((x, y - 0.2), (x - 0.9, y - 0.2))
    sheet.part(elm.Diode(), (x - 0.9, y - 1.0), (x - 0.9, y - 0.2))
    sheet.part(elm.Zener(), (x - 0.9, y - 1.0), (x - 0.9, y - 1.8))
    sheet.wire((x - 0.9, y - 1.8), (x, y - 1.8), (x, y - 1.6))
    sheet.dots((x, y - 0.2), (x, y - 1.8))
    gate = (x - 0.7, y - 2.8)
    sheet.transistor(gate)
    sheet.wire((x, y - 3.8), (x, y - 4.0))
    sheet.ground((x, y - 4.0))
    sheet.wire(gate, (x - 2.0, gate[1]))
    sheet.resistor((x - 1.3, gate[1]), (x - 1.3, gate[1] - 1.6), "", "left")
    sheet.ground((x - 1.3, gate[1] - 1.6))
    sheet.dots((x - 1.3, gate[1]))
    sheet.terminal((x - 2.0, gate[1]), "")
    sheet.text((x - 2.0, gate[1] + 0.3), pin, align="center", valign="bottom", size=10)
