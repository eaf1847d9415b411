"""The page of a board that was asked: its codes with freeze frames, its latest hard reaction, its starts one by one.

Decides nothing of what is true: every figure is what the board told, and what it did not tell stands as a dash.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np

from loopwarden import words
from loopwarden.policy import phases
from loopwarden_report import palette
from loopwarden_report.figures import LEFT_ALONE, LOG_TICKS, Plot, add_line, number_text, threshold, time_figure
from loopwarden_report.history import Cycle, Numbers
from loopwarden_report.page import Part, facts_list, plot_html, table, trend_part, whole_page
from loopwarden_report.trends import Expected

Object = Mapping[str, object]

_FRAME = (
    ("time since power-up", "t_ms"),
    ("phase", "phase"),
    ("bus", "bus_mv"),
    ("pack", "pack_mv"),
    ("current", "current_ma"),
    ("isolation", "isolation_ohm"),
    ("hottest", "hottest_dc"),
    ("coldest", "coldest_dc"),
    ("speed", "speed_mm_s"),
    ("drive limit", "drive_limit_permille"),
    ("charge limit", "charge_limit_permille"),
)


@dataclass(frozen=True)
class Told:
    """What a board told of one code when asked for it."""

    frames: Sequence[Object] = ()
    strip: Sequence[Object] = ()
    means: str = ""
    checks: Sequence[str] = ()


@dataclass(frozen=True)
class Answers:
    """What a board answered.

    first_line   what is to be read first: the bus, and that nothing here says "dead"
    details      by code or name, as asked for
    """

    port: str
    asked_at: str
    first_line: str
    status: Object
    faults: Sequence[Object] = ()
    details: Mapping[str, Told] = field(default_factory=dict)
    starts: Sequence[Object] = ()
    storage: Object = field(default_factory=dict)
    build: Object = field(default_factory=dict)
    remarks: Sequence[str] = ()


def board_page(answers: Answers, expected: Expected) -> str:
    """The whole page; `expected` from the build file, or from what the board itself tells."""
    name = _text(answers.build.get("name")) if answers.build.get("name") else "a board"
    cycles = [Cycle.of(start) for start in answers.starts]
    parts = [
        Part("summary", "In short", [f"<p><b>{escape(answers.first_line)}</b></p>", *facts_list(_facts(answers))]),
        Part("codes", "Trouble codes", _codes(answers)),
        _strip(answers, expected),
        trend_part(cycles, expected),
        Part("storage", "Fit to be laid up?", _storage(answers.storage)),
    ]
    return whole_page(f"Board report: {name}", "board", parts, remarks=answers.remarks)


def value_text(name: str, value: object) -> str:
    """A value in the unit that its name ends with; a dash where the board told none."""
    if value is None:
        return "-"
    if not isinstance(value, int) or isinstance(value, bool):
        return _text(value)
    if name == "phase":
        return str(phases.NAMES[value]) if 0 <= value < len(phases.NAMES) else str(value)
    if name == "speed_mm_s":
        return f"{value * 0.0036:.1f} km/h"
    return str(words.quantity(name, value))


def _text(value: object) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in str(value))


def _facts(answers: Answers) -> list[tuple[str, str, str]]:
    status = answers.status
    per_v = status.get("isolation_ohm_per_v")
    active = status.get("active")
    return [
        ("asked", answers.asked_at, answers.port),
        ("phase", _text(status.get("phase", "-")), f"power cycle {value_text('', status.get('cycle'))}"),
        ("pack", value_text("pack_mv", status.get("pack_mv")), f"bus {value_text('bus_mv', status.get('bus_mv'))}"),
        (
            "isolation",
            f"{per_v} ohm/V" if isinstance(per_v, int) else "-",
            value_text("isolation_ohm", status.get("isolation_ohm")),
        ),
        ("active faults", str(len(active)) if isinstance(active, list) else "not known", "as it told"),
        ("codes", str(len(answers.faults)), "stored or active"),
        ("starts on record", str(len(answers.starts)), "compared below"),
    ]


def _codes(answers: Answers) -> list[str]:
    if not answers.faults:
        return ["<p>None stored, none active, as far as the board told.</p>"]
    heads = (
        ("code", False),
        ("what", False),
        ("times", True),
        ("state", False),
        ("first cycle", True),
        ("latest", True),
    )
    rows = []
    for fault in answers.faults:
        rows.append(
            [
                f'<span class="nowrap">{escape(_text(fault.get("code")))}</span>',
                escape(_name(fault)),
                value_text("", fault.get("count")),
                escape(_state(fault)),
                value_text("", fault.get("first_cycle")),
                value_text("", fault.get("latest_cycle")),
            ]
        )
    lines = table("Trouble codes of the board", heads, rows)
    for fault in answers.faults:
        told = answers.details.get(_text(fault.get("code"))) or answers.details.get(_name(fault))
        if told is None:
            continue
        lines.append(f"<h3>{escape(_text(fault.get('code')))} {escape(_name(fault))}</h3>")
        if told.means:
            lines.append(f"<p>{escape(_text(told.means))}</p>")
        if told.checks:
            lines.append("<ol>" + "".join(f"<li>{escape(_text(check))}</li>" for check in told.checks) + "</ol>")
        if told.frames:
            frame_heads = [("freeze frame", False), *((_text(frame.get("which")), True) for frame in told.frames)]
            frame_rows = [
                [label, *(escape(value_text(name, frame.get(name))) for frame in told.frames)] for label, name in _FRAME
            ]
            lines += table(f"Freeze frames of {_name(fault)}", frame_heads, frame_rows)
    return lines


def _name(fault: Object) -> str:
    return _text(fault.get("name")).lower().replace("_", " ")


def _state(fault: Object) -> str:
    state = "active" if fault.get("active") else "present" if fault.get("present") else "past"
    return state + (", LOCK" if fault.get("lock") else "")


def _strip(answers: Answers, expected: Expected) -> Part:
    """The seconds before the latest hard reaction; every code's answer carries the same one."""
    strip = next((told.strip for told in answers.details.values() if told.strip), [])
    heading = "Before the latest hard reaction"
    if not strip:
        return Part("strip", heading, ["<p>The board keeps none, or told none.</p>"])
    t_s = -_column(strip, "before_ms", 1000)
    bus, pack = _column(strip, "bus_dv", 10), _column(strip, "pack_dv", 10)
    volts = _figure("V")
    add_line(volts, t_s, pack, "pack", palette.LINES[1], "%{y:.1f} V")
    add_line(volts, t_s, bus, "bus", palette.LINES[0], "%{y:.1f} V")
    volts.update_yaxes(rangemode="tozero")
    plots = [_plot("voltages", "Bus and pack voltage", volts, (("bus", bus, "V"), ("pack", pack, "V")))]
    if expected.working_v:
        per_v = _column(strip, "isolation_kohm", 0.001) / expected.working_v
        figure = _figure("isolation / (ohm/V)", type="log", **LOG_TICKS)
        add_line(figure, t_s, np.maximum(per_v, 0.1), "isolation", palette.LINES[0], "%{y:,.0f} ohm/V")
        if expected.fault_ohm_per_v:
            threshold(figure, expected.fault_ohm_per_v, "limit", palette.LIMIT, log=True)
        plots.append(_plot("isolation", "Isolation", figure, (("isolation", per_v, "ohm/V"),)))
    motion = _figure("km/h, A")
    speed, current = _column(strip, "speed_cm_s", 1 / 0.036), _column(strip, "current_da", 10)
    add_line(motion, t_s, speed, "speed / (km/h)", palette.LINES[0], "%{y:.1f} km/h")
    add_line(motion, t_s, current, "current / A", palette.LINES[1], "%{y:.1f} A")
    motion.update_yaxes(rangemode="tozero")
    plots.append(_plot("motion", "Speed and current", motion, (("speed", speed, "km/h"), ("current", current, "A"))))
    limit = _column(strip, "drive_limit_permille", 10)
    granted = _figure("granted / %")
    add_line(granted, t_s, limit, "drive limit", palette.LINES[0], "%{y:.1f} %", steps=True)
    granted.update_yaxes(range=[-4, 112])
    plots.append(_plot("limit", "Granted drive limit", granted, (("drive limit", limit, "%"),)))
    lines = ['<div class="pair">', *(plot_html(plot) for plot in plots), "</div>"]
    heads = [("at / s", True), ("phase", False), ("bus / V", True), ("pack / V", True), ("current / A", True)]
    heads += [("speed / (km/h)", True), ("drive limit / %", True), ("isolation / kohm", True)]
    columns = (bus, pack, current, speed, limit, _column(strip, "isolation_kohm", 1))
    rows = [
        [
            f"{t_s[n] + 0.0:.1f}",
            escape(value_text("phase", sample.get("phase"))),
            *("-" if np.isnan(column[n]) else f"{column[n]:.4g}" for column in columns),
        ]
        for n, sample in enumerate(strip)
    ]
    return Part("strip", heading, [*lines, *table("The same in figures", heads, rows)])


def _column(strip: Sequence[Object], name: str, parts: float) -> Numbers:
    """A column of the strip over `parts`; nan where the board told none."""
    values = [sample.get(name) for sample in strip]
    return np.array([value / parts if isinstance(value, int) else np.nan for value in values], dtype=np.float64)


def _figure(unit: str, **axis: Any) -> Any:
    figure = time_figure(unit, 270, LEFT_ALONE, **axis)
    figure.update_xaxes(title={"text": "time before it / s", "standoff": 4})
    return figure


def _plot(name: str, heading: str, figure: Any, shown: Sequence[tuple[str, Numbers, str]]) -> Plot:
    told = []
    for label, values, unit in shown:
        known = values[np.isfinite(values)]
        told.append(
            f"{label} from {number_text(known[0])} to {number_text(known[-1])} {unit}"
            if len(known)
            else f"{label}: no reading"
        )
    return Plot(f"strip-{name}", heading, figure, f"{'; '.join(told)}.", follows=False)


def _storage(storage: Object) -> list[str]:
    if not storage:
        return ["<p>The board told nothing of it.</p>"]
    ready = "yes" if storage.get("ready") == 1 else "not yet"
    facts = [
        ("lay it up", ready, _text(storage.get("text", ""))),
        ("pack at rest", value_text("pack_mv", storage.get("pack_mv")), "by its reading"),
        ("charge", value_text("charge_permille", storage.get("charge_permille")), "by the build's table"),
        ("look again", f"{value_text('', storage.get('look_again_days'))} days", "at the latest (common practice)"),
    ]
    return facts_list(facts)
