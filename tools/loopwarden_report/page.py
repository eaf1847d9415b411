"""The page: one self-contained HTML file with its plots, its tables and everything that must be said beside them.

Decides the order and the words. Nothing is fetched; the page forbids itself to (Content-Security-Policy).
"""

import base64
import json
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files
from typing import Any

import numpy as np
from plotly.offline import get_plotlyjs

from loopwarden_build.units import show
from loopwarden_report import figures, starts, strips, trends
from loopwarden_report.figures import Drawing, Plot
from loopwarden_report.history import NOT_KNOWN, PHASE_NAMES, UNPOWERED, Cycle, History, code_of, runs
from loopwarden_report.thinning import NEAR_AFTER_S, NEAR_BEFORE_S, NEAR_MAX
from loopwarden_report.trends import Expected

_ROWS_MAX = 300  # of a table
_WITHOUT = {UNPOWERED: "the board had no power", NOT_KNOWN: "what was decided cannot be told"}
_CSP = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; font-src data:"
_CAUTIONS = (
    "Nothing on this page says that anything is dead or safe to touch. Prove it dead with a tested meter.",
    "Local codes, the parts' data sheets and a qualified person rule over every value and default shown here.",
    "The supervisor is bench and learning equipment: not certified, and no permission for any road.",
)
_ORIGIN = {
    "simulation": "A simulation: no board, no high voltage. The decisions are those of the firmware; plant and sensors "
    "are models. Wiring, parts and people are not in it, and what it does not show may still happen.",
    "recording": "From a recording: the readings are the recording's, the decisions were made anew from them.",
    "board": "As a board told over its serial port. The figures are its own measurements; this page adds none.",
}
_KEYS = (
    "<p class='small onscreen'>By keyboard: <kbd>Tab</kbd> goes to buttons, links and plots. On a plot "
    "<kbd>&larr;</kbd> <kbd>&rarr;</kbd> move a reading line (with <kbd>Shift</kbd> in larger steps), and what it "
    "reads is told below the plot; <kbd>+</kbd> <kbd>-</kbd> zoom, <kbd>0</kbd> shows the whole, <kbd>Page Up</kbd> "
    "<kbd>Page Down</kbd> move. By mouse: drag to zoom, double-click for the whole, hover to read.</p>"
)


class Part:
    """A chapter of the page: its anchor, its heading, its HTML lines."""

    def __init__(self, anchor: str, heading: str, lines: Iterable[str]) -> None:
        self.anchor = anchor
        self.heading = heading
        self.lines = list(lines)


def drive_page(history: History) -> str:
    """The page of one drive."""
    if not len(history.ticks):
        lines = ["<p>No tick was taken down, so there is nothing to draw.</p>"]
        return whole_page(
            f"Drive report: {history.title}", history.origin, [Part("nothing", "Nothing", lines)], history
        )
    drawing = Drawing(history)
    plots = [
        strips.happened(drawing),
        figures.isolation(drawing),
        figures.voltages(drawing),
        *_some(figures.current(drawing)),
        *_some(figures.speed(drawing)),
        figures.granted(drawing),
        strips.limiters(drawing),
        *figures.temperatures(drawing),
        *_some(figures.cooling(drawing)),
        strips.states(drawing),
        figures.supply(drawing),
    ]
    expected = Expected.of_build(history.build)
    parts = [
        Part("summary", "In short", facts_list(_drive_facts(history))),
        Part("codes", "Trouble codes", _codes(history)),
        Part("plots", "The drive over time", [_thinned(drawing), *(plot_html(plot) for plot in plots)]),
        Part("starts", "Precharge and discharge, tick by tick", _starts(drawing)),
        trend_part(history.cycles, expected),
        Part("why", "What it did, and why", _answers(history)),
    ]
    return whole_page(f"Drive report: {history.title}", history.origin, parts, history)


def whole_page(
    title: str, origin: str, parts: Sequence[Part], history: History | None = None, remarks: Sequence[str] = ()
) -> str:
    """The frame around the parts: cautions first, then what is missing, contents, parts, sources."""
    remarks = [*remarks, *([] if history is None else history.remarks)]
    if history is not None:
        remarks += [
            f"Nothing is known from {gap.from_ms / 1000:.2f} s to {gap.to_ms / 1000:.2f} s: {gap.why}"
            for gap in history.gaps
        ]
    source = files("loopwarden_report")
    style = source.joinpath("page.css").read_text(encoding="utf-8")
    script = source.joinpath("page.js").read_text(encoding="utf-8")
    over_time = any('data-follows="yes"' in line for part in parts for line in part.lines)
    contents = [*((part.anchor, part.heading) for part in parts), ("sources", "How to read this page, sources")]
    lines = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_CSP}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(title)}</title><style>{style}</style></head><body>",
        '<a class="skip" href="#main">To the report</a>',
        f"<header><h1>{escape(title)}</h1></header>",
        '<section class="caution" aria-label="Caution">',
        f"<p><b>{escape(_ORIGIN[origin])}</b></p>",
        _list(_CAUTIONS),
        "</section>",
    ]
    if remarks:
        lines += ['<section class="missing" aria-label="Know this first"><b>Know this first</b>', _list(remarks)]
        lines.append("</section>")
    lines += ['<nav aria-label="Contents"><b>Contents</b><ol>']
    lines += [f'<li><a href="#{anchor}">{escape(heading)}</a></li>' for anchor, heading in contents]
    lines += ["</ol></nav>", _KEYS, *([_BAR] if over_time else []), '<main id="main">']
    for part in parts:
        lines += [f'<section aria-labelledby="{part.anchor}"><h2 id="{part.anchor}">{escape(part.heading)}</h2>']
        lines += [*part.lines, "</section>"]
    lines += [
        '<section aria-labelledby="sources"><h2 id="sources">How to read this page, sources</h2>',
        _list(_SOURCES),
    ]
    lines += ["</section></main>"]
    lines += [f"<script>{get_plotlyjs()}</script>", f"<script>{script}</script>", "</body></html>"]
    return "\n".join(lines) + "\n"


_BAR = (
    '<div class="bar" role="toolbar" aria-label="Time shown in all plots over time">'
    + "".join(
        f'<button type="button" data-act="{act}">{text}</button>'
        for act, text in (
            ("whole", "Whole"),
            ("in", "Zoom in"),
            ("out", "Zoom out"),
            ("earlier", "Earlier"),
            ("later", "Later"),
        )
    )
    + '<span class="range" role="status"></span></div>'
)
_SOURCES = (
    "A line ends where there is no valid reading: a gap is never a zero.",
    "Isolation in ohm per volt is the monitor's reading over the highest working voltage; the legal minimum for a DC "
    "bus joined with an AC one is 500 ohm/V, with two layers of insulation on the AC side 100 ohm/V (UN R100 Rev 3, "
    "5.1.3.2, seen in a public copy).",
    "Trouble codes are written as SAE J2012 does, with the failure type byte of ISO 15031-6 (both from memory).",
    "Expected times are those of a capacitor filled and drained through a resistor: R*C*ln(1/(1-p)) and R*C*ln(V/Vend) "
    "(textbook), the same arithmetic that checks the build file.",
    "Colours: the palette of M. Okabe and K. Ito, Color Universal Design, 2008 (from memory). Dashes, marker shapes, "
    "patterns and names say the same without colour.",
    "Plots: plotly.js, MIT licence, in this file; nothing is fetched from anywhere.",
)


def plot_html(plot: Plot) -> str:
    """A plot with its heading, its data, the line that says what is read, and what it shows in words."""
    data = json.dumps(_plain(plot.figure.to_plotly_json()), separators=(",", ":"), allow_nan=False)
    data = data.replace("<", "\\u003c")
    follows = "yes" if plot.follows else "no"
    axis = plot.figure.layout.xaxis.title.text or ""
    unit = "s" if axis.endswith("/ s") else axis
    return "\n".join(
        (
            f'<figure id="{plot.id}-figure"><h3 id="{plot.id}-heading">{escape(plot.heading)}</h3>',
            f'<div class="plot" id="{plot.id}" tabindex="0" role="application" aria-roledescription="plot"'
            f' data-follows="{follows}" data-axis="{escape(unit)}"'
            f' aria-labelledby="{plot.id}-heading" aria-describedby="{plot.id}-told"></div>',
            '<div class="readout" role="status"></div>',
            f'<figcaption id="{plot.id}-told">{escape(plot.told)}</figcaption>',
            f'<script type="application/json" id="{plot.id}-data">{data}</script></figure>',
        )
    )


_KINDS = {"float32": "f4", "float64": "f8", "int32": "i4", "int64": "f8"}


def _plain(value: Any) -> Any:
    """Arrays as base64, since as text they would be three times as long; what JSON has no number for is missing."""
    if isinstance(value, np.ndarray):
        kind = _KINDS[value.dtype.name]
        return {"dtype": kind, "bdata": base64.b64encode(value.astype("<" + kind).tobytes()).decode()}
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value.item() if isinstance(value, np.generic) else value


def _some(plot: Plot | None) -> list[Plot]:
    return [] if plot is None else [plot]


def _thinned(drawing: Drawing) -> str:
    size = drawing.thinning.size
    if size == 1:
        return '<p class="small">Every tick is drawn.</p>'
    part_s = size * drawing.history.tick_ms / 1000
    return (
        f'<p class="small">Of every {part_s:g} s ({size} ticks) the lowest and the highest reading are drawn, so '
        f"that no peak is lost, and the first missing one; from {NEAR_BEFORE_S:g} s before to {NEAR_AFTER_S:g} s after "
        f"a code or a new phase (the first {NEAR_MAX}) every tick. <code>loopwarden export</code> writes them all.</p>"
    )


def _drive_facts(history: History) -> list[tuple[str, str, str]]:
    t_s = history.t_s
    per_v = history.ohm_per_v
    facts = [
        ("build", history.build.build.name, f"tick {history.tick_ms} ms"),
        ("time", f"{float(t_s[-1]):.2f} s", f"{len(t_s)} ticks"),
        _codes_fact(history),
    ]
    if np.isfinite(per_v).any():
        low = int(np.nanargmin(per_v))
        warn, fault = figures.limits_ohm_per_v(history.build)
        level = "below the limit" if per_v[low] < fault else "below the warning" if per_v[low] < (warn or 0) else "good"
        ohm = show(float(history.reading("isolation_ohm")[low]), "ohm")
        facts.append(("lowest isolation", f"{per_v[low]:,.0f} ohm/V", f"{ohm} at {t_s[low]:.2f} s: {level}"))
    for label, values, unit in (
        ("highest speed", history.reading("speed_mm_s") * 0.0036, "km/h"),
        ("most current drawn", history.reading("current_ma") / 1000, "A"),
    ):
        if np.isfinite(values).any():
            top = int(np.nanargmax(values))
            facts.append((label, f"{values[top]:.1f} {unit}", f"at {t_s[top]:.2f} s"))
    zones = [(history.zone_c(number), zone.name) for number, zone in enumerate(history.build.zone)]
    tops = [(float(np.nanmax(values)), name) for values, name in zones if np.isfinite(values).any()]
    if tops:
        facts.append(("hottest zone", f"{max(tops)[0]:.1f} degC", max(tops)[1]))
    for label, times in (
        ("precharge", [cycle.precharge_ms for cycle in history.cycles]),
        ("discharge", [cycle.discharge_ms for cycle in history.cycles]),
    ):
        known = [value for value in times if value is not None]
        if known:
            wait = ", with any wait until it stands" if label == "discharge" else ""
            facts.append((f"latest {label}", f"{known[-1]} ms", f"of {len(known)}{wait}"))
    return facts


def _codes_fact(history: History) -> tuple[str, str, str]:
    count = len(history.occurrences)
    still = sum(one.end_ms is None for one in history.occurrences)
    return ("codes", f"{count}" if count else "none", f"{still} not seen to end" if count else "none came")


def facts_list(facts: Sequence[tuple[str, str, str]]) -> list[str]:
    """Label, value and what more there is to say, side by side."""
    lines = ['<dl class="facts">']
    for label, value, more in facts:
        lines.append(f"<div><dt>{escape(label)}</dt><dd>{escape(value)} <small>{escape(more)}</small></dd></div>")
    return [*lines, "</dl>"]


def _codes(history: History) -> list[str]:
    found = history.occurrences
    if not found:
        return ["<p>None came.</p>"]
    heads = (("no.", True), ("came at", True), ("ended at", True), ("code", False), ("what", False), ("why", False))
    rows = []
    for number, one in list(enumerate(found, 1))[:_ROWS_MAX]:
        at_s = one.t_ms / 1000
        seen = "" if one.seen_ms is None else f", known until {one.seen_ms / 1000:.2f} s"
        ended = f"not seen to end{seen}" if one.end_ms is None else f"{one.end_ms / 1000:.2f} s"
        button = (
            f'<button type="button" class="onscreen" data-at="{at_s:.3f}" aria-label="show code {number} in the plots">'
            "show</button>"
        )
        rows.append(
            [
                f'<span class="mark" aria-hidden="true">&#9660;</span> {number}',
                f"{at_s:.2f} s<br>{button}",
                f'<span class="wrap">{escape(ended)}</span>',
                f'<span class="nowrap">{escape(one.code or "no code")}</span>',
                escape(one.name),
                escape(one.why),
            ]
        )
    return [*table("Trouble codes in the order in which they came", heads, rows), *_left_out(len(found))]


def _left_out(count: int) -> list[str]:
    return [f"<p>{count - _ROWS_MAX} more are left out here.</p>"] if count > _ROWS_MAX else []


def _starts(drawing: Drawing) -> list[str]:
    plots = [*starts.precharges(drawing), *starts.discharges(drawing)]
    if not plots:
        return ["<p>Neither a precharge nor a discharge is in it.</p>"]
    note = f'<p class="small">Every tick is drawn. The last {starts.SHOWN_MAX} of each kind are shown.</p>'
    return [note, '<div class="pair">', *(plot_html(plot) for plot in plots), "</div>"]


def trend_part(cycles: Sequence[Cycle], expected: Expected) -> Part:
    """Power cycle by power cycle, as plots and as a table."""
    heading = "From power cycle to power cycle"
    plots = trends.trends(cycles, expected)
    if not plots:
        return Part("trends", heading, ["<p>No start is on record, so there is nothing to compare.</p>"])
    return Part(
        "trends",
        heading,
        ['<div class="pair">', *(plot_html(plot) for plot in plots), "</div>", *_cycles(cycles, expected)],
    )


def _cycles(cycles: Sequence[Cycle], expected: Expected) -> list[str]:
    names = ("cycle", "precharge / s", "discharge / s", "lowest isolation / (ohm/V)", "lowest isolation", "pack / degC")
    heads = [
        *((name, True) for name in (*names, "inverter / degC", "motor / degC")),
        ("drove", False),
        ("codes", False),
    ]
    rows = []
    found = trends.started(cycles)
    for one in found[-_ROWS_MAX:]:
        per_v = None if one.lowest_ohm is None or not expected.working_v else one.lowest_ohm / expected.working_v
        rows.append(
            [
                str(one.cycle),
                _cell(one.precharge_ms, 1000, ".2f"),
                _cell(one.discharge_ms, 1000, ".2f"),
                _cell(per_v, 1, ",.0f"),
                "-" if one.lowest_ohm is None else escape(show(one.lowest_ohm, "ohm")),
                _cell(one.hottest_dc, 10, ".1f"),
                _cell(one.inverter_dc, 10, ".1f"),
                _cell(one.motor_dc, 10, ".1f"),
                "yes" if one.drove else "no",
                escape(", ".join(code_of(row) or f"row {row}" for row in one.rows)) or "none",
            ]
        )
    return [*table("Starts, newest last; a dash: nothing was measured", heads, rows), *_left_out(len(found))]


def _cell(value: float | None, parts: int, form: str) -> str:
    return "-" if value is None else format(value / parts, form)


def _answers(history: History) -> list[str]:
    lines = []
    phases = []
    clock = history.t_s
    whys = {answer.t_ms: answer.text for answer in history.answers if answer.subject == "phase"}
    spans = runs(history.ticks["phase"])
    for begin, end, phase in spans[:_ROWS_MAX]:
        until_s = float(clock[end - 1]) + history.tick_ms / 1000
        why = whys.get(int(history.ticks["t_ms"][begin]), _WITHOUT.get(phase, "-"))
        phases.append(
            [f"{clock[begin]:.2f} s", f"{until_s - clock[begin]:.2f} s", escape(PHASE_NAMES[phase]), escape(why)]
        )
    lines += ["<h3>Phase by phase</h3>"]
    heads = (("from", True), ("lasted", True), ("phase", False), ("the device's own words as it began", False))
    lines += [*table("Phases in order", heads, phases), *_left_out(len(spans))]
    limits = [answer for answer in history.answers if answer.subject != "phase"]
    rows = [[f"{one.t_ms / 1000:.2f} s", escape(one.subject), escape(one.text)] for one in limits[:_ROWS_MAX]]
    if rows:
        lines += ["<h3>When another limiter took over</h3>", '<p class="small">Asked once a second at most.</p>']
        limit_heads = (("at", True), ("which", False), ("the device's own words", False))
        lines += [*table("Limits, each time another limiter took over", limit_heads, rows), *_left_out(len(limits))]
    return lines


def table(caption: str, heads: Sequence[tuple[str, bool]], rows: Sequence[Sequence[str]]) -> list[str]:
    """A table whose cells are HTML; heads: name, and whether of numbers. It may scroll, so the keyboard reaches it."""
    kinds = ["number" if number else "text" for _, number in heads]
    lines = [f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}"><table><thead><tr>']
    lines += [
        f'<th scope="col" class="{kind}">{escape(name)}</th>' for (name, _), kind in zip(heads, kinds, strict=True)
    ]
    lines.append("</tr></thead><tbody>")
    for row in rows:
        cells = zip(row, kinds, strict=True)
        lines.append("<tr>" + "".join(f'<td class="{kind}">{cell}</td>' for cell, kind in cells) + "</tr>")
    return [*lines, "</tbody></table></div>"]


def _list(texts: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>"
