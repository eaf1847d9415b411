"""Strips over time: phases, codes, limiters, lamps, contactors. Decides what a strip says where there is no reading."""

import textwrap
from collections.abc import Sequence
from html import escape
from itertools import pairwise
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from loopwarden import signals
from loopwarden.naming import LIMITERS
from loopwarden.policy.phases import WINDING
from loopwarden_report import palette
from loopwarden_report.figures import Drawing, Plot, time_figure, wrapped
from loopwarden_report.history import PHASE_NAMES, SWITCHES, History, code_of, runs
from loopwarden_report.palette import Fill

SPANS_MAX = 400  # of one strip; what changes more often is drawn with its short pauses filled
_ROW, _AROUND = 31, 96  # pixels
_CODES_MAX = 24
_LABEL = 24  # letters
_NOT_READ = Fill("#FFFFFF", ".")
_HOW = "%{y}<br>%{hovertext}<extra></extra>"

_RAMPS = [limiter.decode() for limiter in LIMITERS if limiter]
Span = tuple[float, float, str]  # from and to in seconds, and what to say of it


def _strip_figure(rows: Sequence[str], *, least: int = 0) -> Any:
    figure = time_figure("", max(least, _AROUND + _ROW * len(rows)))
    figure.update_yaxes(tickfont={"size": 11})
    figure.update_layout(
        hovermode="closest",
        barmode="overlay",
        bargap=0.18,
        showlegend=True,
        uniformtext={"minsize": 9, "mode": "hide"},
    )
    figure.update_yaxes(
        categoryorder="array", categoryarray=list(reversed(rows)), range=[-0.6, len(rows) - 0.4], fixedrange=True
    )
    return figure


def _add(figure: Any, row: str, spans: Sequence[Span], fill: Fill, *, text: str = "", named: bool = False) -> None:
    """Add the spans of one row; `text` is written on each where it fits; named: it stands above as well."""
    dark = fill.colour in (palette.BLACK, palette.BLUE, palette.GREEN, palette.VERMILLION)
    figure.add_trace(
        go.Bar(
            orientation="h",
            y=[row] * len(spans),
            base=[round(begin, 3) for begin, _, _ in spans],
            x=[round(end - begin, 3) for begin, end, _ in spans],
            text=[text] * len(spans),
            textposition="inside",
            insidetextanchor="middle",
            insidetextfont={"color": "#fff" if dark and not fill.pattern else "#000"},
            hovertext=[said for _, _, said in spans],
            hovertemplate=_HOW,
            name=escape(text or row),
            showlegend=named,
            marker={
                "color": fill.colour,
                "line": {"color": "#333", "width": 0.6},
                "pattern": {
                    "shape": fill.pattern,
                    "bgcolor": fill.colour,
                    "fgcolor": "#000",
                    "fgopacity": 0.45,
                    "size": 8,
                    "solidity": 0.2,
                },
            },
        )
    )


class _Clock:
    """From ticks to seconds."""

    def __init__(self, history: History) -> None:
        tick_s = history.tick_ms / 1000
        self._t_s = history.t_s
        after = np.append(self._t_s[1:], self._t_s[-1:] + tick_s)
        self._ends = np.minimum(after, self._t_s + 1.5 * tick_s)  # a state does not reach over a gap

    def span(self, begin: int, end: int) -> tuple[float, float]:
        return float(self._t_s[begin]), float(self._ends[end - 1])

    def spans(self, on: NDArray[np.bool_], what: str) -> tuple[list[Span], bool]:
        """Where a state was on; and whether short pauses were filled because there were too many."""
        found = [self.span(begin, end) for begin, end, value in runs(on) if value]
        filled = len(found) > SPANS_MAX
        if filled:
            pauses = sorted(after[0] - before[1] for before, after in pairwise(found))
            shortest = pauses[-SPANS_MAX]
            merged = [found[0]]
            for begin, end in found[1:]:
                if begin - merged[-1][1] <= shortest:
                    merged[-1] = (merged[-1][0], end)
                else:
                    merged.append((begin, end))
            found = merged
        return [(begin, end, f"{what}<br>{begin:.2f} s to {end:.2f} s") for begin, end in found], filled


def happened(drawing: Drawing) -> Plot:
    """Phases as a labelled strip, with a row for each code that came: when it did, how long, and why."""
    history = drawing.history
    clock = _Clock(history)
    rows = list(dict.fromkeys(one.row for one in history.occurrences))[:_CODES_MAX]
    names = {row: f"{code_of(row) or 'no code'}" for row in rows}
    labels = {row: _label(names[row], one.name) for row in rows for one in history.occurrences if one.row == row}
    figure = _strip_figure(["phase", *labels.values()], least=150)
    whys = {answer.t_ms: answer.text for answer in history.answers if answer.subject == "phase"}
    for phase, fill in enumerate(palette.PHASES):
        spans: list[Span] = []
        for begin, end, value in runs(history.ticks["phase"]):
            if value == phase:
                from_s, to_s = clock.span(begin, end)
                why = whys.get(int(history.ticks["t_ms"][begin]), "")
                text = f"{PHASE_NAMES[phase]}, {from_s:.2f} s to {to_s:.2f} s<br>{wrapped(why) if why else ''}"
                spans.append((from_s, to_s, text))
        if spans:
            _add(figure, "phase", spans, fill, text=PHASE_NAMES[phase], named=True)
    for number, one in enumerate(history.occurrences, 1):
        if one.row not in labels:
            continue
        begin_s = one.t_ms / 1000
        last_ms = one.seen_ms if one.end_ms is None else one.end_ms
        end_s = drawing.end_s if last_ms is None else last_ms / 1000
        lasted = f"{'not seen to end, known' if one.end_ms is None else 'active'} until {end_s:.2f} s"
        said = f"{begin_s:.2f} s, {lasted}<br>{wrapped(one.why)}"
        fill = Fill(palette.ORANGE, "/")
        _add(figure, labels[one.row], [(begin_s, max(end_s, begin_s + 1e-3), said)], fill)
        figure.add_trace(
            go.Scatter(
                x=[begin_s],
                y=[labels[one.row]],
                mode="markers+text",
                text=[f"<b>{number}</b>"],
                textposition="middle right",
                marker={"symbol": palette.CODE.shape, "color": palette.CODE.colour, "size": 12},
                hovertext=[said],
                hovertemplate=_HOW,
                name=escape(labels[one.row]),
                showlegend=False,
                cliponaxis=False,
            )
        )
    drawing.gaps(figure)
    figure.update_xaxes(range=drawing.range_s)
    left = len({one.row for one in history.occurrences}) - len(rows)
    told = f"Phases in order: {_phase_story(history)}. "
    told += f"{len(history.occurrences)} codes came; their numbers are those of the table of codes."
    told += f" {left} more rows are in that table alone." if left else ""
    return Plot("happened", "What happened", figure, told)


def _label(code: str, name: str) -> str:
    """Code and name for the margin, which has room for two lines of so many letters."""
    first, *rest = textwrap.wrap(f"{code} {name}", _LABEL)
    return first if not rest else f"{first}<br>{textwrap.shorten(' '.join(rest), _LABEL, placeholder=' ...')}"


def _phase_story(history: History) -> str:
    story = [PHASE_NAMES[value] for _, _, value in runs(history.ticks["phase"])]
    return ", ".join(story[:30]) + (f" and {len(story) - 30} more" if len(story) > 30 else "")


def limiters(drawing: Drawing) -> Plot:
    """Which limiter held each side, by name."""
    history = drawing.history
    clock = _Clock(history)
    rows = ("drive limit set by", "charge limit set by")
    figure = _strip_figure(rows)
    told = []
    seen: set[str] = set()
    for row, side, subject in zip(rows, ("drive", "charge"), ("drive limit", "charge limit"), strict=True):
        whys = {answer.t_ms: answer.text for answer in history.answers if answer.subject == subject}
        held = [one for one in history.limiters("drive" if side == "drive" else "charge") if one[2]]
        names = list(dict.fromkeys(name for _, _, name in held))
        told.append(f"{row}: {', '.join(names) or 'nothing'}")
        for name in names:
            spans: list[Span] = []
            for begin, end, by in held:
                if by == name and len(spans) < SPANS_MAX:
                    from_s, to_s = clock.span(begin, end)
                    why = whys.get(int(history.ticks["t_ms"][begin]), "")
                    text = f"{escape(name)}, {from_s:.2f} s to {to_s:.2f} s<br>{wrapped(why) if why else ''}"
                    spans.append((from_s, to_s, text))
            _add(figure, row, spans, _limiter_fill(name), text=name, named=name not in seen)
            seen.add(name)
    drawing.gaps(figure)
    figure.update_xaxes(range=drawing.range_s)
    told_text = f"{'. '.join(told)}. Where there is no strip nothing limits, or nothing is decided or known."
    return Plot("limiters", "What sets the limits", figure, told_text)


_LIMITER_FILLS = (
    Fill(palette.SKY_BLUE, ""),
    Fill(palette.YELLOW, "/"),
    Fill(palette.PURPLE, "x"),
    Fill(palette.GREEN, "|"),
    Fill("#FFFFFF", "-"),
    Fill(palette.SKY_BLUE, "+"),
    Fill(palette.YELLOW, "."),
)


def _limiter_fill(name: str) -> Fill:
    """The same name looks the same in both rows, and in every report."""
    if name == "not live":
        return palette.PHASES[0]
    if name == "winding down":
        return palette.PHASES[WINDING]
    if name.startswith(("fault", "a fault")):
        return Fill(palette.ORANGE, "\\")
    return _LIMITER_FILLS[_RAMPS.index(name) % len(_LIMITER_FILLS)]


def states(drawing: Drawing) -> Plot:
    """Lamps, contactor commands with what their contacts report, enables, switches and loops."""
    history = drawing.history
    build = history.build
    clock = _Clock(history)
    rows: list[tuple[str, NDArray[np.bool_], NDArray[np.bool_] | None, Fill]] = []
    for label, name, colour, pattern in (
        ("lamp: ready", "lamp_ready", palette.GREEN, ""),
        ("lamp: caution", "lamp_caution", palette.ORANGE, "/"),
        ("lamp: stop", "lamp_stop", palette.VERMILLION, "x"),
        ("lamp: high voltage", "lamp_hv", palette.PURPLE, "|"),
        ("commanded: positive", "positive", palette.BLUE, ""),
        ("commanded: negative", "negative", palette.BLUE, ""),
        ("commanded: precharge", "precharge", palette.BLUE, "/"),
        ("commanded: discharge", "discharge", palette.BLUE, "\\"),
        ("enabled: inverter", "inverter_enable", palette.SKY_BLUE, ""),
        ("enabled: charger", "charger_enable", palette.SKY_BLUE, "/"),
    ):
        if name == "discharge" and build.discharge.kind == "bleed":
            continue
        rows.append((label, history.command(name), None, Fill(colour, pattern)))
    if build.contactor.feedback != "none":
        for side in ("positive", "negative"):
            on, known = history.switch(SWITCHES[f"{side}_reported_closed"])
            place = next(k for k, row in enumerate(rows) if row[0] == f"commanded: {side}") + 1
            rows.insert(place, (f"reported closed: {side}", on, known, Fill(palette.YELLOW, "-")))
    for label, mask in (("key", signals.KEY), ("charge plug", signals.PLUG), ("emergency stop", signals.STOP)):
        on, known = history.switch(mask)
        if label != "charge plug" or build.inputs.plug == "fitted":
            rows.append((label, on, known, Fill("#BBBBBB", "")))
    if build.inputs.coolant_feedback == "fitted":
        rows.append(("coolant moving", *history.switch(signals.COOLANT), Fill(palette.SKY_BLUE, ".")))
    for number in range(len(build.loop)):
        on, known = history.switch(signals.LOOP0 << number)
        rows.append((f"loop {number + 1} open", ~on & known, known, Fill(palette.VERMILLION, "\\")))
    figure = _strip_figure([label for label, *_ in rows])
    told, coarse = [], []
    powered = history.powered
    for label, on, read, fill in rows:
        spans, filled = clock.spans(on, escape(label))
        coarse += [label] if filled else []
        _add(figure, label, spans, fill)
        if read is not None and (unread := powered & ~read).any():
            spans, _ = clock.spans(unread, "could not be read")
            _add(figure, label, spans, _NOT_READ, text="not read")
        on_s = float(on.sum()) * history.tick_ms / 1000
        told.append(f"{label} for {on_s:.2f} s")
    drawing.gaps(figure)
    figure.update_xaxes(range=drawing.range_s)
    text = f"A strip stands where the state is on. On in all: {'; '.join(told)}."
    if coarse:
        text += f" Changed too often to be drawn in full, so short pauses are filled: {', '.join(coarse)}."
    loops = "; ".join(f"loop {number + 1} is {loop.name}" for number, loop in enumerate(build.loop))
    return Plot("states", "Lamps, contactors, switches, loops", figure, f"{text} {loops}.")
