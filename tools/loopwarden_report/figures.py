"""The plots of a drive over time. Decides what is drawn with what; the arithmetic is the history's."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, NamedTuple

import numpy as np
import plotly.graph_objects as go

from loopwarden_build import derived
from loopwarden_build.model import BuildFile
from loopwarden_build.units import show
from loopwarden_report import palette
from loopwarden_report.history import History, Numbers
from loopwarden_report.palette import Style
from loopwarden_report.thinning import Thinning, broken, thinning

FONT = '"DejaVu Sans", Arial, sans-serif'
LOWEST_DRAWN_OHM_PER_V = 0.1
LOG_TICKS = {"dtick": "D2", "tickformat": ",~g", "exponentformat": "none"}
_HOVER_COLUMNS = 70
_HEIGHT = 300
LEFT, LEFT_ALONE = 160, 74  # pixels: one margin for all that share the time axis, so that they line up
_CODE_LABEL_PART = 0.012  # of the time shown: codes nearer to each other share a label


@dataclass(frozen=True)
class Plot:
    """One plot of the page.

    told     what it shows, in words and figures: for those who do not see it
    follows  whether it shares the page's time axis
    """

    id: str
    heading: str
    figure: Any
    told: str
    follows: bool = True


class Drawing:
    """What the plots of one history share."""

    def __init__(self, history: History) -> None:
        self.history = history
        self.t_s = history.t_s
        moments = [occurrence.t_ms / 1000 for occurrence in history.occurrences]
        moments += [answer.t_ms / 1000 for answer in history.answers if answer.subject == "phase"]
        self.thinning: Thinning = thinning(self.t_s, moments)
        self.longest_s = 1.5 * history.tick_ms / 1000

    @property
    def end_s(self) -> float:
        """The last tick."""
        return float(self.t_s[-1]) if len(self.t_s) else 0.0

    @property
    def range_s(self) -> list[float]:
        """What a plot shows at first: from the first tick to the end of the last."""
        begin_s = float(self.t_s[0]) if len(self.t_s) else 0.0
        # A millisecond more: a strip that ends just outside of the range loses its text.
        return [begin_s, self.end_s + (self.history.tick_ms + 1) / 1000]

    def line(
        self, figure: Any, values: Numbers, name: str, style: Style, hover: str, *, steps: bool = False, **options: Any
    ) -> None:
        """Add a column as a line, thinned; a missing reading is a gap."""
        places = self.thinning.places(values)
        if not np.isfinite(values).any():
            figure.add_annotation(
                xref="paper", x=0.5, yref="paper", y=0.5, text=f"{escape(name)}: no valid reading", showarrow=False
            )
        bridged_s = self.longest_s + self.thinning.size * self.history.tick_ms / 1000 * (self.thinning.size > 1)
        x, y = broken(self.t_s[places], values[places], 2 * bridged_s if self.thinning.size > 1 else bridged_s)
        add_line(figure, x, y, name, style, hover, steps=steps, **options)

    def codes(self, figure: Any) -> None:
        """Mark each code at its moment, with its why to be hovered over; `numbers` stand in the table of codes."""
        found = list(enumerate(self.history.occurrences, 1))
        if not found:
            return
        groups: list[list[int]] = []
        last_s = -1e9
        for number, occurrence in found:
            at_s = occurrence.t_ms / 1000
            if at_s - last_s < _CODE_LABEL_PART * max(self.end_s, 1e-3):
                groups[-1].append(number)
            else:
                groups.append([number])
                last_s = at_s
        texts = {group[0]: f"{group[0]}" if len(group) == 1 else f"{group[0]} to {group[-1]}" for group in groups}
        figure.add_trace(
            go.Scatter(
                x=[occurrence.t_ms / 1000 for _, occurrence in found],
                y=[0.5] * len(found),
                yaxis="y2",
                mode="markers+text",
                name="codes, by number",
                text=[texts.get(number, "") for number, _ in found],
                textposition="middle right",
                textfont={"size": 11, "color": palette.BLACK},
                marker={"symbol": palette.CODE.shape, "color": palette.CODE.colour, "size": 11},
                hovertext=[_code_hover(number, occurrence) for number, occurrence in found],
                hovertemplate="%{hovertext}<extra></extra>",
                cliponaxis=False,
            )
        )
        figure.update_layout(
            yaxis={"domain": [0, 0.91]},
            yaxis2={"domain": [0.91, 1], "range": [0, 1], "visible": False, "fixedrange": True},
        )
        for _, occurrence in found[:60]:
            x = occurrence.t_ms / 1000
            figure.add_shape(
                type="line", x0=x, x1=x, yref="paper", y0=0, y1=0.95, line={"color": palette.CODE.colour, "width": 0.8}
            )

    def gaps(self, figure: Any) -> None:
        """Shade what is missing, and say so."""
        for gap in self.history.gaps:
            figure.add_shape(
                type="rect",
                x0=gap.from_ms / 1000,
                x1=gap.to_ms / 1000,
                yref="paper",
                y0=0,
                y1=1,
                fillcolor=palette.GREY,
                opacity=0.25,
                line={"width": 0},
            )
            figure.add_annotation(
                x=(gap.from_ms + gap.to_ms) / 2000, yref="paper", y=0.5, text="missing", textangle=-90, showarrow=False
            )

    def finished(self, figure: Any) -> Any:
        """With codes and gaps, on the page's time axis."""
        self.codes(figure)
        self.gaps(figure)
        figure.update_xaxes(range=self.range_s)
        return figure


def time_figure(unit: str, height: int = _HEIGHT, left: int = LEFT, **axis: Any) -> Any:
    """An empty figure over time."""
    figure = go.Figure()
    figure.update_layout(
        template="none",
        height=height,
        margin={"l": left, "r": 24, "t": 34, "b": 40},
        font={"family": FONT, "size": 12, "color": "#111"},
        hovermode="x unified",
        hoverlabel={
            "align": "left",
            "bgcolor": "#fff",
            "bordercolor": "#333",
            "font": {"family": FONT, "size": 12, "color": "#111"},
            "namelength": -1,
        },
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "itemwidth": 50},
        showlegend=True,
    )
    figure.update_xaxes(title={"text": "time / s", "standoff": 4}, gridcolor="#ddd", zeroline=False, hoverformat=".2f")
    figure.update_yaxes(title={"text": unit, "standoff": 6}, gridcolor="#ddd", zeroline=False, **axis)
    return figure


def add_line(
    figure: Any, x: Numbers, y: Numbers, name: str, style: Style, hover: str, *, steps: bool = False, **options: Any
) -> None:
    """Add one line: colour, dash and a few markers of a shape of its own."""
    small = len(x) == 0 or float(x[-1]) < 8000  # single precision tells half milliseconds apart until then
    figure.add_trace(
        go.Scatter(
            x=x.astype(np.float32 if small else np.float64),
            y=y.astype(np.float32),
            name=name,
            mode="lines+markers",
            line={"color": style.colour, "dash": style.dash, "width": 1.6, "shape": "hv" if steps else "linear"},
            marker={"symbol": style.shape, "color": style.colour, "size": 7, "maxdisplayed": 12},
            hovertemplate=hover + "<extra>" + escape(name) + "</extra>",
            connectgaps=False,
            **options,
        )
    )


def threshold(
    figure: Any, y: float, text: str, style: Style, *, above: bool = True, log: bool = False, x: float = 0.995
) -> None:
    """A level across a plot, with its name on it; x: where the name ends, as a part of the width."""
    figure.add_shape(
        type="line",
        xref="paper",
        x0=0,
        x1=1,
        y0=y,
        y1=y,
        line={"color": style.colour, "dash": style.dash, "width": 1.4},
    )
    figure.add_annotation(
        xref="paper",
        x=x,
        xanchor="right",
        y=np.log10(y) if log else y,
        yanchor="bottom" if above else "top",
        text=escape(text),
        showarrow=False,
        font={"size": 11, "color": "#111"},
        bgcolor="rgba(255,255,255,0.75)",
        borderpad=1,
    )


def wrapped(text: str) -> str:
    """A text for a hover box: short lines, safe to be shown."""
    return "<br>".join(escape(line) for line in textwrap.wrap(text, _HOVER_COLUMNS)) or "&nbsp;"


def _code_hover(number: int, occurrence: Any) -> str:
    head = f"{number}. {occurrence.code or 'no code'} {occurrence.name}, {occurrence.t_ms / 1000:.2f} s"
    return f"<b>{escape(head)}</b><br>{wrapped(occurrence.why)}"


def _finite(values: Numbers) -> Numbers:
    return values[np.isfinite(values)]


def span_text(drawing: Drawing, values: Numbers, unit: str) -> str:
    """Lowest and highest of a column, and when, in words; how often it was missing while the board ran."""
    if not len(_finite(values)):
        return "no valid reading"
    t_s = drawing.t_s
    low, high = int(np.nanargmin(values)), int(np.nanargmax(values))
    powered = drawing.history.powered
    missing = int((np.isnan(values) & powered).sum())
    part = 100 * missing / max(int(powered.sum()), 1)
    rest = f", no valid reading in {part:.1f} % of the time that the board ran" if part >= 0.05 else ""
    return (
        f"lowest {number_text(values[low])} {unit} at {t_s[low]:.2f} s, highest {number_text(values[high])} {unit} at "
        f"{t_s[high]:.2f} s{rest}"
    )


def number_text(value: float) -> str:
    """Four digits, in thousands with commas, never an exponent of ten for what people compare."""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"


def limits_ohm_per_v(build: BuildFile) -> tuple[float | None, float]:
    """Warning and fault level of the build, ohm/V; no warning for a monitor with a good/bad line."""
    warn = build.isolation.warn
    return (None if isinstance(warn, str) else float(warn)), build.isolation.fault


def isolation(drawing: Drawing) -> Plot:
    """Isolation in ohm per volt, logarithmic, with the warning and the fault line."""
    history = drawing.history
    values = history.ohm_per_v
    warn, fault = limits_ohm_per_v(history.build)
    drawn = np.where(values < LOWEST_DRAWN_OHM_PER_V, LOWEST_DRAWN_OHM_PER_V, values)
    figure = time_figure("isolation / (ohm/V)", 340, type="log")
    drawing.line(figure, drawn, "isolation, ohm per volt", palette.LINES[0], "%{y:,.0f} ohm/V")
    if warn is not None:
        threshold(figure, warn, f"warning below {warn:g} ohm/V", palette.WARNING, log=True)
    threshold(figure, fault, f"limit {fault:g} ohm/V", palette.LIMIT, above=False, log=True)
    seen = [*_finite(drawn).tolist(), fault, warn or fault]
    low, high = min(seen) / 2, max(seen) * 2
    figure.update_yaxes(range=[np.log10(low), np.log10(high)], **LOG_TICKS)
    told = f"Isolation resistance over time: {span_text(drawing, values, 'ohm/V')}. "
    told += f"It is the monitor's reading ({history.build.isolation.measures}) over the highest working voltage, "
    told += f"{derived.working_v(history.build)} V. Limit {fault:g} ohm/V"
    told += f", warning below {warn:g} ohm/V." if warn is not None else "; this monitor cannot warn."
    if history.build.isolation.output == "line":
        told += " This monitor has a good/bad line: its two levels stand for good and bad, no resistance was measured."
    if (values < LOWEST_DRAWN_OHM_PER_V).any():
        told += f" Readings below {LOWEST_DRAWN_OHM_PER_V} ohm/V, down to 0, are drawn at {LOWEST_DRAWN_OHM_PER_V}."
    return Plot("isolation", "Isolation", drawing.finished(figure), told)


def voltages(drawing: Drawing) -> Plot:
    """Bus and pack over the whole time."""
    history = drawing.history
    build = history.build
    figure = time_figure("V")
    pack, bus = history.volts("pack_mv"), history.volts("bus_mv")
    drawing.line(figure, pack, "pack", palette.LINES[1], "%{y:.1f} V")
    drawing.line(figure, bus, "bus", palette.LINES[0], "%{y:.1f} V")
    dead_v = derived.dead_v(build)
    threshold(figure, dead_v, f"dead below {dead_v:g} V (a reading, no proof)", palette.QUIET)
    threshold(figure, build.pack.over, f"pack over-voltage {show(build.pack.over, 'V')}", palette.LIMIT)
    threshold(figure, build.pack.under, f"pack under-voltage {show(build.pack.under, 'V')}", palette.LIMIT, above=False)
    told = f"Voltages over time. Bus: {span_text(drawing, bus, 'V')}. Pack: {span_text(drawing, pack, 'V')}."
    return Plot("voltages", "Bus and pack voltage", drawing.finished(figure), told)


def current(drawing: Drawing) -> Plot | None:
    """Pack current, positive drives; None where no sensor is fitted."""
    history = drawing.history
    if history.build.current_sense is None:
        return None
    values = history.reading("current_ma") / 1000.0
    figure = time_figure("A")
    drawing.line(figure, values, "pack current (positive drives)", palette.LINES[0], "%{y:.1f} A")
    drive_a, charge_a = history.build.pack.drive_current, history.build.pack.charge_current
    threshold(figure, drive_a, f"most to draw {show(drive_a, 'A')}", palette.LIMIT)
    threshold(figure, -charge_a, f"most to give back {show(charge_a, 'A')}", palette.WARNING, above=False)
    told = f"Pack current over time: {span_text(drawing, values, 'A')}."
    return Plot("current", "Pack current", drawing.finished(figure), told)


class Level(NamedTuple):
    """A level of a plot: where, its name, how it is drawn, which side of it the name stands, and where that ends."""

    y: float
    text: str
    style: Style
    above: bool
    x: float = 0.995


def temperatures(drawing: Drawing) -> list[Plot]:
    """Pack zones with their bands; inverter and motor with theirs."""
    plots = []
    build = drawing.history.build
    pack = build.limits.pack
    levels = [
        Level(pack.cold, "cold: no charging", palette.QUIET, False),
        Level(pack.warm, "warm: full cooling", palette.QUIET, False),
        Level(pack.hot, "hot: less power", palette.WARNING, False, 0.7),
        Level(pack.trip, "trip: wind down", palette.LIMIT, True),
    ]
    bands = [(pack.hot, pack.trip, palette.ORANGE)]
    plots.append(_temperatures(drawing, ("pack",), "pack-temperatures", "Pack temperatures", levels, bands))
    levels, bands = [], []
    for where, limits in (("inverter", build.limits.inverter), ("motor", build.limits.motor)):
        if limits is not None:
            levels += [
                Level(limits.hot, f"{where} hot: less power", palette.WARNING, False),
                Level(limits.trip, f"{where} trip: wind down", palette.LIMIT, True),
            ]
            bands.append((limits.hot, limits.trip, palette.ORANGE))
    places = ("inverter", "motor")
    if any(zone.where in places for zone in build.zone):
        heading = "Inverter and motor temperatures"
        plots.append(_temperatures(drawing, places, "drive-temperatures", heading, levels, bands))
    return plots


def _temperatures(
    drawing: Drawing,
    where: Sequence[str],
    plot_id: str,
    heading: str,
    levels: Sequence[Level],
    bands: Sequence[tuple[float, float, str]],
) -> Plot:
    history = drawing.history
    figure = time_figure("degC")
    told: list[str] = []
    seen: list[float] = []
    for number, zone in enumerate(history.build.zone):
        if zone.where not in where:
            continue
        values = history.zone_c(number)
        drawing.line(figure, values, f"zone {number + 1}: {zone.name}", palette.LINES[len(told)], "%{y:.1f} degC")
        told.append(f"{zone.name}: {span_text(drawing, values, 'degC')}")
        seen += _finite(values).tolist()
    for low, high, colour in bands:
        figure.add_shape(
            type="rect",
            xref="paper",
            x0=0,
            x1=1,
            y0=low,
            y1=high,
            fillcolor=colour,
            opacity=0.15,
            line={"width": 0},
            layer="below",
        )
    # Room for the readings and the next level on each side; what lies beyond is told below.
    low, high = min(seen, default=20.0), max(seen, default=20.0)
    low = max([level.y for level in levels if level.y <= low], default=low)
    high = min([level.y for level in levels if level.y >= high], default=high)
    shown = [level for level in levels if low <= level.y <= high]
    for level in shown:
        threshold(figure, level.y, f"{level.text} ({level.y:g} degC)", level.style, above=level.above, x=level.x)
    margin = max(0.12 * (high - low), 3.0)
    figure.update_yaxes(range=[low - margin, high + 1.6 * margin])
    bounds = "; ".join(f"{level.text} at {level.y:g} degC" for level in levels)
    return Plot(plot_id, heading, drawing.finished(figure), f"{'. '.join(told)}. Bands: {bounds or 'none'}.")


def granted(drawing: Drawing) -> Plot:
    """What is granted to inverter and charger."""
    history = drawing.history
    figure = time_figure("granted / %")
    told = []
    for name, label, style in (
        ("drive_limit_permille", "drive limit", palette.LINES[0]),
        ("charge_limit_permille", "charge limit", palette.LINES[1]),
    ):
        values = history.permille(name) / 10
        drawing.line(figure, values, label, style, "%{y:.1f} %", steps=True)
        told.append(f"{label}: {span_text(drawing, values, '%')}")
    figure.update_yaxes(range=[-4, 112], tickvals=[0, 20, 40, 60, 80, 100])
    told_text = f"Granted limits. {'; '.join(told)}. What sets them is the strip below."
    return Plot("granted", "Granted limits", drawing.finished(figure), told_text)


def speed(drawing: Drawing) -> Plot | None:
    """Speed; None where no sensor is fitted. While no pulse comes nothing is drawn: a cut wire looks the same."""
    history = drawing.history
    if history.build.motion is None:
        return None
    values = history.reading("speed_mm_s") * 0.0036
    figure = time_figure("km/h")
    drawing.line(figure, values, "speed", palette.LINES[0], "%{y:.1f} km/h")
    top = max([*_finite(values).tolist(), 1.0])
    figure.update_yaxes(range=[-0.04 * top, 1.15 * top])
    told = f"Speed over time: {span_text(drawing, values, 'km/h')}. "
    told += "Where no pulses come there is no line: standing still and a cut wire look the same to the sensor."
    return Plot("speed", "Speed", drawing.finished(figure), told)


def supply(drawing: Drawing) -> Plot:
    """The board's own supply with its levels."""
    history = drawing.history
    values = history.volts("supply_mv")
    levels = history.build.supply
    figure = time_figure("V", 240)
    drawing.line(figure, values, "supply", palette.LINES[0], "%{y:.2f} V")
    threshold(figure, levels.high, f"high: no start ({show(levels.high, 'V')})", palette.WARNING)
    threshold(figure, levels.low, f"low: half the drive limit ({show(levels.low, 'V')})", palette.WARNING)
    threshold(figure, levels.failing, f"failing ({show(levels.failing, 'V')})", palette.LIMIT, above=False)
    told = f"The board's own supply: {span_text(drawing, values, 'V')}."
    return Plot("supply", "Low-voltage supply", drawing.finished(figure), told)


def cooling(drawing: Drawing) -> Plot | None:
    """What fan and pump were told; None where neither ever ran."""
    history = drawing.history
    figure = time_figure("command / %", 220)
    told = []
    for name, style in (("pump_permille", palette.LINES[0]), ("fan_permille", palette.LINES[1])):
        values = history.permille(name) / 10
        if np.nanmax(np.append(values, 0.0)) > 0:
            drawing.line(figure, values, name.partition("_")[0], style, "%{y:.0f} %", steps=True)
            told.append(f"{name.partition('_')[0]}: {span_text(drawing, values, '%')}")
    if not told:
        return None
    figure.update_yaxes(range=[-4, 112])
    return Plot("cooling", "Cooling", drawing.finished(figure), f"Commands. {'; '.join(told)}.")
