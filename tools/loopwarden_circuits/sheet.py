"""A sheet of paper for one circuit: parts placed by coordinates, and the sheet as SVG. Decides nothing.

Coordinates are in the library's units (36 px each), x to the right, y upwards. Black on white; what a part is stands
beside it in words, so that a grey print says as much. Text stays text.
"""

import html
import math
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Literal

import schemdraw
from schemdraw import elements as elm
from schemdraw.elements import Element, Element2Term

Point = tuple[float, float]
Side = Literal["left", "right", "above", "below"]

SIZE = 11  # px, of labels
SMALL = 10  # of remarks
LINE = 1.3
FONT = "Helvetica, Arial, DejaVu Sans, sans-serif"
_GAP = 0.22  # between a part and its label
_DROP = {"top": 0.015, "center": 0.009, "bottom": 0.0}  # of its size, to sit where its eye takes it to be
_WIDEST = 0.6  # of its size, a letter in the widest of those fonts, in the mean


schemdraw.svgconfig.text = "text"
schemdraw.svgconfig.useBatik = True  # no "dominant-baseline", which not every reader of SVG knows


class Sheet:
    """One circuit. Every method places something and returns nothing; `svg` gives the whole."""

    def __init__(self) -> None:
        self._drawing = schemdraw.Drawing(canvas="svg", show=False)
        self._drawing.config(fontsize=SIZE, font=FONT, lw=LINE, bgcolor="white", color="black", margin=0.2)
        self._edges = [0.0, 1.0]

    def put(self, element: Element) -> None:
        """Anything of the library, already placed."""
        self._drawing.add(element)

    def wire(self, *points: Point) -> None:
        """A line from point to point."""
        for a, b in pairwise(points):
            self.put(elm.Line().endpoints(a, b))

    def dashed(self, *points: Point) -> None:
        """A line that is no wire: a mechanical link, an edge of a box."""
        for a, b in pairwise(points):
            self.put(elm.Line().endpoints(a, b).linestyle("--").linewidth(0.9))

    def dots(self, *points: Point) -> None:
        """Joined wires."""
        for point in points:
            self.put(elm.Dot(radius=0.07).at(point))

    def part(self, element: Element2Term, a: Point, b: Point, text: str = "", side: Side = "above") -> None:
        """A part with two ends, from a to b, and what it is, on one side of its middle."""
        self.put(element.endpoints(a, b))
        if text:
            self.beside(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2), text, side, away=0.42)

    def resistor(self, a: Point, b: Point, text: str, side: Side = "right") -> None:
        self.put(elm.ResistorIEC().endpoints(a, b))
        self.beside(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2), text, side, away=0.32)

    def capacitor(self, a: Point, b: Point, text: str, side: Side = "right") -> None:
        self.put(elm.Capacitor().endpoints(a, b))
        self.beside(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2), text, side, away=0.42)

    def _along(self, a: Point, b: Point, half: float) -> tuple[Callable[[float, float], Point], float]:
        """Leads from a and b to a part of twice `half` between them; where a point of the part lies, seen along a-b."""
        length = math.dist(a, b)
        ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
        middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)

        def at(along: float, across: float) -> Point:
            return middle[0] + along * ux - across * uy, middle[1] + along * uy + across * ux

        self.wire(a, at(-half, 0))
        self.wire(at(half, 0), b)
        return at, half

    def contact(self, a: Point, b: Point, text: str = "", side: Side = "above", *, closed: bool = False) -> Point:
        """A contact as it is at rest, without power and with nobody pressing; the middle of its blade."""
        at, half = self._along(a, b, 0.45)
        if closed:
            self.wire(at(-half, 0), at(half + 0.1, 0.24))
            self.wire(at(half, 0), at(half, 0.3))
        else:
            self.wire(at(-half, 0), at(half - 0.08, 0.42))
        self.put(elm.Dot(radius=0.05).at(at(-half, 0)))
        self.put(elm.Dot(radius=0.05).at(at(half, 0)))
        if text:
            self.beside(at(0, 0), text, side, away=0.42 if side in ("above", "right") else 0.12)
        return at(0, 0.12 if closed else 0.21)

    def plug(self, a: Point, b: Point, text: str = "", side: Side = "above") -> None:
        """A connector in a line: pin and socket."""
        at, half = self._along(a, b, 0.3)
        self.wire(at(-half, 0), at(-0.05, 0))
        for across in (0.07, -0.07):
            self.wire(at(-half, across), at(0.05, across))
        self.wire(at(0.05, 0.07), at(0.05, -0.07))
        self.wire(at(-0.1, 0.24), at(0.1, 0.24), at(0.2, 0.12), at(0.2, -0.12), at(0.1, -0.24), at(-0.1, -0.24))
        self.wire(at(0.2, 0), at(half, 0))
        if text:
            self.beside(at(0, 0), text, side, away=0.3)

    def coil(self, a: Point, b: Point, text: str = "", side: Side = "right") -> None:
        """The coil of a relay or contactor."""
        at, half = self._along(a, b, 0.3)
        edge = [at(-half, -0.5), at(-half, 0.5), at(half, 0.5), at(half, -0.5), at(-half, -0.5)]
        self.wire(*edge)
        self.wire(at(half, -0.25), at(-half, 0.25))
        if text:
            self.beside(at(0, 0), text, side, away=0.5)

    def lamp(self, a: Point, b: Point, text: str = "", side: Side = "right") -> None:
        at, half = self._along(a, b, 0.36)
        self.put(elm.Dot(radius=half, open=True).at(at(0, 0)).zorder(0))
        d = half * 0.7071
        self.wire(at(-d, -d), at(d, d))
        self.wire(at(-d, d), at(d, -d))
        if text:
            self.beside(at(0, 0), text, side, away=0.4)

    def cell(self, a: Point, b: Point, text: str = "", side: Side = "left") -> None:
        """A battery, its positive pole at a."""
        at, half = self._along(a, b, 0.3)
        for along, wide in ((-half, 0.45), (-0.1, 0.22), (0.1, 0.45), (half, 0.22)):
            self.wire(at(along, -wide), at(along, wide))
        if text:
            self.beside(at(0, 0), text, side, away=0.5)

    def ground(self, point: Point, text: str = "") -> None:
        """The board's 0 V, or what the text says."""
        self.put(elm.Ground().at(point))
        if text:
            self.text((point[0] - 0.2, point[1] - 0.95), text, size=SMALL)

    def chassis(self, point: Point) -> None:
        self.put(elm.GroundChassis().at(point))

    def rail(self, point: Point, text: str) -> None:
        """A supply: a bar with its name above."""
        x, y = point
        self.put(elm.Line().endpoints((x - 0.35, y), (x + 0.35, y)))
        self.text((x, y + 0.16), text, align="center", valign="bottom")

    def terminal(self, point: Point, text: str, side: Side = "right") -> None:
        """An end of a wire, with where it leads to."""
        self.put(elm.Dot(radius=0.09, open=True).at(point))
        self.beside(point, text, side, away=0.15)

    def box(self, left_top: Point, right_bottom: Point, text: str = "", *, size: float = SIZE) -> None:
        """A part that is not drawn inside, its name in the middle."""
        (x0, y0), (x1, y1) = left_top, right_bottom
        self.put(elm.Rect(corner1=(0, 0), corner2=(x1 - x0, y1 - y0)).at((x0, y0)).theta(0))
        if text:
            self.text(((x0 + x1) / 2, (y0 + y1) / 2), text, align="center", size=size)

    def frame(self, left_top: Point, right_bottom: Point, text: str) -> None:
        """What belongs together, or sits in one housing: a dashed box, its name at the upper edge inside."""
        (x0, y0), (x1, y1) = left_top, right_bottom
        self.dashed((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
        self.text((x0 + 0.15, y0 - 0.12), text, size=SMALL, valign="top")

    def beside(self, point: Point, text: str, side: Side, away: float = 0.0) -> None:
        """Text on one side of a point."""
        x, y = point
        shift = away + _GAP / 2
        if side == "left":
            self.text((x - shift, y), text, align="right")
        elif side == "right":
            self.text((x + shift, y), text)
        elif side == "above":
            self.text((x, y + shift), text, align="center", valign="bottom")
        else:
            self.text((x, y - shift), text, align="center", valign="top")

    def text(
        self,
        point: Point,
        text: str,
        *,
        align: Literal["left", "center", "right"] = "left",
        valign: Literal["top", "center", "bottom"] = "center",
        size: float = SIZE,
    ) -> None:
        plain = html.escape(text, quote=False)  # the library takes labels for markup
        self.put(
            elm.Label()
            .at((point[0], point[1] - _DROP[valign] * size))
            .theta(0)
            .label(plain, loc="center", ofst=(0, 0), halign=align, valign=valign, fontsize=size)
        )
        wide = max(map(len, text.split("\n"))) * _WIDEST * size / 36
        left = point[0] - {"left": 0.0, "center": wide / 2, "right": wide}[align]
        self._edges += [left, left + wide]

    def notes(self, point: Point, lines: Iterable[str]) -> None:
        """Remarks, one below the other, their first line at the point."""
        x, y = point
        for number, line in enumerate(lines):
            self.text((x, y - 0.42 * number), line, size=SMALL)

    def opto(self, left_top: Point) -> dict[str, Point]:
        """An optocoupler; the points of its four pins: anode, cathode, collector, emitter.

        The anode lies at the point given, the cathode 1.2 below it; collector and emitter 2.2 to the right of them.
        """
        x, y = left_top
        low = y - 1.2
        self.box((x + 0.2, y + 0.25), (x + 2.0, low - 0.25))
        self.wire((x, y), (x + 0.6, y))
        self.put(elm.Diode().endpoints((x + 0.6, y), (x + 0.6, low)).scale(0.7))
        self.wire((x + 0.6, low), (x, low))
        for shift in (0.1, -0.15):
            self.put(
                elm.Arrow(headwidth=0.12, headlength=0.14)
                .endpoints((x + 0.9, y - 0.55 + shift), (x + 1.3, y - 0.55 + shift))
                .linewidth(0.9)
            )
        base = x + 1.45
        self.wire((base, y - 0.3), (base, low + 0.3))
        self.wire((base, y - 0.5), (x + 1.8, y - 0.15), (x + 1.8, y), (x + 2.2, y))
        self.wire((base, low + 0.5), (x + 1.8, low + 0.15))
        self.put(elm.Arrow(headwidth=0.14, headlength=0.16).endpoints((base, low + 0.5), (x + 1.8, low + 0.15)))
        self.wire((x + 1.8, low + 0.15), (x + 1.8, low), (x + 2.2, low))
        return {"anode": (x, y), "cathode": (x, low), "collector": (x + 2.2, y), "emitter": (x + 2.2, low)}

    def transistor(self, gate: Point) -> dict[str, Point]:
        """An n-channel switch, on while its gate is high: gate at the point, drain 1 up, source 1 down, 0.7 right."""
        x, y = gate
        self.wire((x, y), (x + 0.3, y))
        self.wire((x + 0.3, y + 0.35), (x + 0.3, y - 0.35))
        for shift in (0.32, 0, -0.32):
            self.wire((x + 0.4, y + shift + 0.11), (x + 0.4, y + shift - 0.11))
        self.wire((x + 0.4, y + 0.32), (x + 0.7, y + 0.32), (x + 0.7, y + 1))
        self.wire((x + 0.7, y), (x + 0.7, y - 1))
        self.wire((x + 0.4, y - 0.32), (x + 0.7, y - 0.32))
        self.put(elm.Arrow(headwidth=0.16, headlength=0.18).endpoints((x + 0.7, y), (x + 0.4, y)))
        return {"gate": gate, "drain": (x + 0.7, y + 1), "source": (x + 0.7, y - 1)}

    def gate(self, left: Point, sign: str, *, inverted: bool = False) -> tuple[Point, Point, Point]:
        """A logic gate as a box, 1 wide and 1.2 high, `left` the middle of its left edge: two inputs, the output."""
        x, y = left
        self.box((x, y + 0.6), (x + 1, y - 0.6), sign)
        out = (x + 1, y)
        if inverted:
            self.put(elm.Dot(radius=0.09, open=True).at((x + 1.09, y)))
            out = (x + 1.18, y)
        return (x, y + 0.3), (x, y - 0.3), out

    def svg(self, title: str) -> str:
        """The sheet; the title is for readers that cannot see it."""
        edges = sorted(self._edges)  # the library's own guess of a text's width is too small for some fonts
        self.put(elm.Gap().endpoints((edges[0], 0), (edges[-1], 0)))
        data = self._drawing.get_imagedata("svg").decode("utf-8")
        head, rest = data.split(">", 1)
        x, y, width, height = head.split('viewBox="')[1].split('"')[0].split()
        white = f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="white"/>'
        return f'{head} role="img">\n<title>{html.escape(title)}</title>\n{white}{rest.rstrip()}\n'
