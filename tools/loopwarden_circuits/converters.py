"""Converters and registers on one bus, and what keeps them apart."""

from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Point, Sheet

_TINY = 9


def _pull_up(s: Sheet, line: Point, length: float) -> None:
    x, y = line
    s.resistor((x, y + length), (x, y), "")
    s.wire((x - 0.25, y + length), (x + 0.25, y + length))
    s.dots(line)


def converters_and_registers() -> Sheet:
    """Two converters and two chains of registers on the three lines of one SPI."""
    s = Sheet()
    plan = V.TRUCK.pins
    clock, out, back, one, two, enable, latch = -1.0, -2.2, -3.4, -5.8, -8.2, -15.4, -16.6
    s.box((-0.1, 0.6), (2.8, -17.4))
    s.text((1.35, -11.8), "board", align="center", size=12)
    for name, y in (
        ("spi_clock", clock),
        ("spi_out", out),
        ("spi_in", back),
        ("converter_select", one),
        ("converter2_select", two),
        ("register_enable", enable),
        ("register_latch", latch),
    ):
        s.text((2.6, y), f"{name}\n{plan[name]}", align="right", size=_TINY)
    for y in (clock, out, back):
        s.wire((2.8, y), (7.4, y))
        s.wire((10.8, y), (12.2, y))
    for n, x in ((0, 7.4), (1, 12.2)):
        s.box((x, 0.0), (x + 3.4, -4.2), f"converter\n{8 * n} to {8 * n + 7}\n12 bit,\n3208 type", size=10)
        for y, name in ((clock, "clock"), (out, "in"), (back, "out")):
            s.text((x + 0.1, y), name, size=_TINY)
        s.text((x + 0.9, -4.5), "select", size=_TINY)
    # A converter listens while its select is low; nobody is selected while the board is in reset.
    s.wire((2.8, one), (13.8, one), (13.8, -6.7), (14.4, -6.7))
    s.wire((8.2, one), (8.2, -4.2))
    s.wire((2.8, two), (13.8, two), (13.8, -7.3), (14.4, -7.3))
    s.wire((13.0, two), (13.0, -4.2))
    s.dots((8.2, one), (13.0, two))
    _pull_up(s, (9.8, one), 1.5)
    _pull_up(s, (9.8, two), 1.5)
    s.text((10.2, -5.05), V.ohm(V.HELD_HIGH_OHM), size=_TINY)
    s.text((10.2, -7.45), V.ohm(V.HELD_HIGH_OHM), size=_TINY)
    s.wire((15.6, back), (19.6, back))
    _pull_up(s, (17.6, back), 2.2)
    s.text((18.0, back + 1.2), V.ohm(V.HELD_HIGH_OHM), size=_TINY)
    _, _, both = s.gate((14.4, -7.0), "&")
    s.text((15.6, -6.7), "no converter is selected", size=_TINY, valign="bottom")
    s.wire(both, (18.0, -7.0), (18.0, -12.1))
    s.wire((18.0, -9.6), (4.0, -9.6), (4.0, -12.1), (4.6, -12.1))
    s.dots((18.0, -9.6))
    # Registers see the clock only then: what is meant for a converter must not run through them.
    s.wire((3.4, clock), (3.4, -11.5), (4.6, -11.5))
    s.dots((3.4, clock), (6.4, out))
    _, _, gated = s.gate((4.6, -11.8), "&")
    s.wire(gated, (8.0, -11.8))
    s.wire((7.2, -11.8), (7.2, -10.6), (12.4, -10.6), (12.4, -11.8), (13.0, -11.8))
    s.dots((7.2, -11.8))
    s.wire((6.4, out), (6.4, -13.2), (8.0, -13.2))
    s.box((8.0, -11.2), (11.6, -14.2), "16 output bits,\n595 type", size=10)
    s.box((13.0, -11.2), (16.6, -14.2), "16 input bits,\n165 type", size=10)
    for x in (8.1, 13.1):
        s.text((x, -11.55), "clock", size=_TINY)
    s.text((8.1, -13.55), "in", size=_TINY)
    s.wire((16.6, -12.6), (17.2, -12.6))
    s.box((17.2, -12.1), (18.8, -13.1), "buffer", size=_TINY)
    s.wire((18.8, -12.6), (19.6, -12.6), (19.6, back))
    s.wire((2.8, enable), (12.3, enable))
    s.wire((10.6, enable), (10.6, -14.2))
    s.dots((10.6, enable))
    _pull_up(s, (12.3, enable), 2.2)
    s.text((12.6, -15.1), V.ohm(V.HELD_HIGH_OHM), size=_TINY)
    s.wire((2.8, latch), (14.8, latch), (14.8, -14.2))
    s.wire((9.2, latch), (9.2, -14.2))
    s.dots((9.2, latch))
    s.text((10.7, -14.5), "off", size=_TINY)
    s.text((9.3, -14.5), "take", size=_TINY)
    s.text((14.9, -14.5), "load", size=_TINY)
    s.notes(
        (0, -18.2),
        (
            f"Input bit {V.TIED_LOW} is tied low and bit {V.TIED_HIGH} high: a chain that does not answer is known. "
            "No converter, or its wire broken: all ones, no reading.",
            "Output registers are off until the first word, and in reset; each output has its own "
            f"{V.ohm(V.DRIVER_OHM)} to 0 V. Nothing that S1 to S6 hang on lies here.",
        ),
    )
    return s
