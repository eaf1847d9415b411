"""Power cycle by power cycle: lowest isolation, precharge and discharge times, hottest zones, so that drift is seen.

Decides what stands beside the measured values: what R and C let expect, by the build check's own arithmetic.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from loopwarden_build import derived, rc
from loopwarden_build.model import BuildFile
from loopwarden_build.units import show
from loopwarden_report import palette
from loopwarden_report.figures import LEFT_ALONE, LOG_TICKS, Plot, limits_ohm_per_v, number_text, threshold, time_figure
from loopwarden_report.history import Cycle
from loopwarden_report.palette import Style

PRECHARGE_SOURCE = (
    "t = R*C*ln(1/(1-p)) to the part p of pack voltage, first-order R*C circuit (textbook), as the build check "
    "reckons; the board's own time runs from the command until the bus has settled, so travel and settling come on top"
)
DISCHARGE_SOURCE = (
    "t = R*C*ln(V/Vend), first-order R*C circuit (textbook), as the build check reckons, from pack voltage to where "
    "the board ends the discharge; without the bleed, which makes it quicker; the board's own time counts any wait "
    "until the drive stands still as well"
)


@dataclass(frozen=True)
class Expected:
    """What a build lets expect; None where it is not known, as of a board without its build file.

    precharge_s, discharge_s   fastest, nominal, slowest
    settled_s                  nominal precharge with travel and the settling that the board waits for
    window_s                   what the board itself allows for a precharge
    """

    working_v: int | None = None
    warn_ohm_per_v: float | None = None
    fault_ohm_per_v: float | None = None
    precharge_s: tuple[float, float, float] | None = None
    settled_s: float | None = None
    window_s: tuple[float, float] | None = None
    discharge_s: tuple[float, float, float] | None = None
    parts: str = ""
    levels_c: tuple[tuple[float, str, Style], ...] = ()

    @classmethod
    def of_build(cls, build: BuildFile) -> "Expected":
        """From the build file."""
        warn, fault = limits_ohm_per_v(build)
        charge, drain = derived.precharge_path(build), derived.discharge_path(build)
        end_v = derived.dead_v(build) if build.discharge.kind == "bleed" else derived.stop_v(build)
        farad, least = drain.capacitance_farad, 1 - drain.capacitance_tolerance
        pack = build.limits.pack
        return cls(
            working_v=derived.working_v(build),
            warn_ohm_per_v=warn,
            fault_ohm_per_v=fault,
            precharge_s=(charge.fastest_s, charge.time_s, charge.slowest_s),
            settled_s=charge.close_s + settled_s(charge.rc_s, charge.fraction, charge.tick_s),
            window_s=charge.window_s,
            discharge_s=(
                rc.fall_s(drain.ohm_min, farad * least, build.pack.lowest, end_v),
                rc.fall_s(drain.resistance_ohm, farad, build.pack.nominal, end_v),
                rc.fall_s(drain.ohm_max, drain.farad_max, build.pack.highest, end_v),
            ),
            parts=(
                f"R {show(charge.resistance_ohm, 'ohm')}, C {show(charge.capacitance_farad, 'F')}, "
                f"discharge {show(drain.resistance_ohm, 'ohm')} down to {show(end_v, 'V')}, tolerances as built"
            ),
            levels_c=(
                (pack.hot, "pack hot", palette.WARNING),
                (pack.trip, "pack trip", palette.LIMIT),
            ),
        )

    @classmethod
    def of_board(cls, answer: Mapping[str, object]) -> "Expected":
        """From a board's answer to `build`, which tells limits and the precharge window but neither R nor C."""

        def number(name: str) -> int | None:
            value = answer.get(name)
            return value if isinstance(value, int) and not isinstance(value, bool) and value > 0 else None

        volts = number("working_v")
        warn, fault = number("iso_warn_ohm"), number("iso_fault_ohm")
        least, most = number("precharge_min_ms"), number("precharge_max_ms")
        return cls(
            working_v=volts,
            warn_ohm_per_v=warn / volts if warn and volts else None,
            fault_ohm_per_v=fault / volts if fault and volts else None,
            window_s=(least / 1000, most / 1000) if least and most else None,
        )


def settled_s(rc_s: float, fraction: float, tick_s: float) -> float:
    """Time until a filling bus is at the fraction and rose by less than 1 % of pack in the last half R*C (S2), seconds.

    Such windows lie end to end, so the answer is a whole number of them; exp(-t/(R*C)) left, less than 1 % a window.
    """
    half_s = max(2, math.ceil(rc_s / 2 / tick_s - 1e-9)) * tick_s
    count = 1
    while (
        1 - math.exp(-count * half_s / rc_s) < fraction
        or math.exp(-(count - 1) * half_s / rc_s) - math.exp(-count * half_s / rc_s) >= 0.01
    ):
        count += 1
    return count * half_s


def started(cycles: Sequence[Cycle]) -> list[Cycle]:
    """The power cycles in which a bus was precharged, as the board's own list of starts has them."""
    return [cycle for cycle in cycles if cycle.precharge_ms is not None]


def trends(cycles: Sequence[Cycle], expected: Expected) -> list[Plot]:
    """The plots; none where no start is on record."""
    found = started(cycles)
    if not found:
        return []
    return [
        _isolation(found, expected),
        _precharge(found, expected),
        _discharge(found, expected),
        _hottest(found, expected),
    ]


def _figure(found: Sequence[Cycle], unit: str, **axis: Any) -> Any:
    figure = time_figure(unit, 280, LEFT_ALONE, **axis)
    numbers = [cycle.cycle for cycle in found]
    figure.update_xaxes(
        title={"text": "power cycle", "standoff": 4},
        hoverformat="d",
        tickformat="d",
        range=[min(numbers) - 0.6, max(numbers) + 0.6],
        **({"dtick": 1} if max(numbers) - min(numbers) < 12 else {}),
    )
    return figure


def _points(figure: Any, found: Sequence[Cycle], values: Sequence[float | None], name: str, style: Style) -> None:
    y = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    figure.add_trace(
        go.Scatter(
            x=[cycle.cycle for cycle in found],
            y=y,
            name=name,
            mode="lines+markers",
            line={"color": style.colour, "dash": style.dash, "width": 1.4},
            marker={"symbol": style.shape, "color": style.colour, "size": 9},
            hovertemplate="%{y:.4g}<extra>" + name + "</extra>",
        )
    )


def _band(figure: Any, low: float, high: float, text: str) -> None:
    figure.add_shape(
        type="rect",
        xref="paper",
        x0=0,
        x1=1,
        y0=low,
        y1=high,
        fillcolor=palette.SKY_BLUE,
        opacity=0.25,
        line={"width": 0},
        layer="below",
    )
    figure.add_annotation(
        xref="paper",
        x=0.005,
        xanchor="left",
        yref="paper",
        y=0.99,
        yanchor="top",
        text=f"shaded: {text}",
        showarrow=False,
        font={"size": 11},
    )


def _in_words(found: Sequence[Cycle], values: Sequence[float | None], unit: str) -> str:
    known = [(value, cycle.cycle) for value, cycle in zip(values, found, strict=True) if value is not None]
    if not known:
        return "nothing was measured"
    (low, at_low), (high, at_high), last = min(known), max(known), known[-1]
    return (
        f"lowest {number_text(low)} {unit} in cycle {at_low}, highest {number_text(high)} in cycle {at_high}, "
        f"latest {number_text(last[0])}"
    )


def _isolation(found: Sequence[Cycle], expected: Expected) -> Plot:
    per_v = expected.working_v
    values = [None if cycle.lowest_ohm is None or not per_v else cycle.lowest_ohm / per_v for cycle in found]
    figure = _figure(found, "lowest isolation / (ohm/V)", type="log", **LOG_TICKS)
    _points(figure, found, [None if value is None else max(value, 0.1) for value in values], "lowest", palette.LINES[0])
    seen = [max(value, 0.1) for value in values if value is not None]
    for level, text, style, above in (
        (expected.warn_ohm_per_v, "warning", palette.WARNING, True),
        (expected.fault_ohm_per_v, "limit", palette.LIMIT, False),
    ):
        if level:
            threshold(figure, level, f"{text} {level:g} ohm/V", style, above=above, log=True)
            seen.append(level)
    if seen:
        figure.update_yaxes(range=[math.log10(min(seen) / 2), math.log10(max(seen) * 2)])
    told = f"Lowest isolation of each power cycle with a start: {_in_words(found, values, 'ohm/V')}."
    return Plot("trend-isolation", "Lowest isolation", figure, told, follows=False)


def _precharge(found: Sequence[Cycle], expected: Expected) -> Plot:
    values = [None if cycle.precharge_ms is None else cycle.precharge_ms / 1000 for cycle in found]
    figure = _figure(found, "precharge / s")
    _points(figure, found, values, "measured, until settled", palette.LINES[0])
    top = max([value for value in values if value is not None], default=0.0)
    told = f"Precharge times: {_in_words(found, values, 's')}."
    if expected.precharge_s is not None and expected.settled_s is not None:
        fastest_s, nominal_s, slowest_s = expected.precharge_s
        threshold(figure, nominal_s, f"R*C: {show(nominal_s, 's')} to the fraction", palette.QUIET, above=False)
        text = f"R*C until settled, with travel: {show(expected.settled_s, 's')}"
        threshold(figure, expected.settled_s, text, palette.EXPECTED)
        slowest = f"{show(slowest_s, 's')}" if math.isfinite(slowest_s) else "never"
        told += (
            f" Expected {show(nominal_s, 's')} nominal ({show(fastest_s, 's')} to {slowest} with tolerances) to the "
        )
        told += f"fraction, about {show(expected.settled_s, 's')} until settled: {PRECHARGE_SOURCE}. {expected.parts}."
        top = max(top, expected.settled_s)
    elif expected.window_s is not None:
        low_s, high_s = expected.window_s
        _band(figure, low_s, high_s, "the board's window to the fraction")
        told += (
            f" The board allows {show(low_s, 's')} to {show(high_s, 's')} to the fraction; it does not tell R and C."
        )
        told += " Give its build file (--build) for the expected time."
        top = max(top, high_s)
    figure.update_yaxes(range=[0, 1.25 * top or 1])
    return Plot("trend-precharge", "Precharge time", figure, told, follows=False)


def _discharge(found: Sequence[Cycle], expected: Expected) -> Plot:
    values = [None if cycle.discharge_ms is None else cycle.discharge_ms / 1000 for cycle in found]
    figure = _figure(found, "discharge / s")
    _points(figure, found, values, "measured", palette.LINES[0])
    top = max([value for value in values if value is not None], default=0.0)
    told = f"Discharge times: {_in_words(found, values, 's')}."
    if expected.discharge_s is not None:
        fastest_s, nominal_s, slowest_s = expected.discharge_s
        _band(figure, fastest_s, slowest_s, "R*C with tolerances, lowest to highest pack")
        threshold(figure, nominal_s, f"R*C at nominal voltage: {show(nominal_s, 's')}", palette.QUIET)
        told += f" Expected {show(nominal_s, 's')} at nominal pack voltage, {show(fastest_s, 's')} to "
        told += f"{show(slowest_s, 's')} with tolerances and over the pack's voltages: {DISCHARGE_SOURCE}. "
        told += f"{expected.parts}."
        top = max(top, slowest_s)
    figure.update_yaxes(range=[0, 1.25 * top or 1])
    return Plot("trend-discharge", "Discharge time", figure, told, follows=False)


def _hottest(found: Sequence[Cycle], expected: Expected) -> Plot:
    figure = _figure(found, "degC")
    told = []
    for name, style in (("hottest", palette.LINES[0]), ("inverter", palette.LINES[1]), ("motor", palette.LINES[2])):
        tenths = [getattr(cycle, f"{name}_dc") for cycle in found]
        values = [None if value is None else value / 10 for value in tenths]
        if any(value is not None for value in values):
            label = "pack, hottest zone" if name == "hottest" else name
            _points(figure, found, values, label, style)
            told.append(f"{label}: {_in_words(found, values, 'degC')}")
    for level, text, style in expected.levels_c:
        threshold(figure, level, f"{text} {level:g} degC", style, above=style is palette.LIMIT)
    return Plot(
        "trend-hottest", "Hottest zones", figure, f"{'. '.join(told) or 'Nothing was measured'}.", follows=False
    )
