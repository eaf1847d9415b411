"""Each precharge and each discharge of a drive, tick by tick, beside what R and C let expect.

Decides where one begins. The expectation is the build check's own (loopwarden_build.derived and rc): a capacitor filled
and drained through a resistor.
"""

import math
from typing import Any

import numpy as np

from loopwarden.policy import phases
from loopwarden_build import derived
from loopwarden_build.units import show
from loopwarden_report import palette
from loopwarden_report.figures import LEFT_ALONE, Drawing, Plot, add_line, threshold, time_figure
from loopwarden_report.history import Numbers, runs

SHOWN_MAX = 6  # of each kind, the last so many
_BEFORE_S, _AFTER_S, _LONGEST_S = 0.2, 0.6, 30.0
SOURCE = "first-order R*C circuit (textbook), as the build check reckons"


def charge_v(t_s: Numbers, pack_v: float, ohm: float, farad: float) -> Numbers:
    """Voltage of a capacitor filled from empty through `ohm`, at times from the closing on; 0 before."""
    return np.where(t_s < 0, 0.0, -pack_v * np.expm1(-np.maximum(t_s, 0) / (ohm * farad)))


def drain_v(t_s: Numbers, from_v: float, ohm: float, farad: float) -> Numbers:
    """Voltage of a capacitor drained through `ohm`, at times from the closing on; `from_v` before."""
    return from_v * np.exp(-np.maximum(t_s, 0) / (ohm * farad))


def precharges(drawing: Drawing) -> list[Plot]:
    """The precharges: from the command with both contactors on to the positive main."""
    history = drawing.history
    build = history.build
    path = derived.precharge_path(build)
    filling = history.command("precharge") & history.command("negative") & ~history.command("positive")
    found = [(begin, end) for begin, end, on in runs(filling) if on]
    plots = []
    for number, (begin, end) in list(enumerate(found, 1))[-SHOWN_MAX:]:
        at_s, t_s, window = _window(drawing, begin, end)
        pack, bus = history.volts("pack_mv")[window], history.volts("bus_mv")[window]
        figure = _figure(t_s)
        add_line(figure, t_s, pack, "pack", palette.LINES[1], "%{y:.1f} V")
        add_line(figure, t_s, bus, "bus", palette.LINES[0], "%{y:.1f} V")
        pack_v = float(np.nanmedian(pack)) if np.isfinite(pack).any() else math.nan
        if math.isfinite(pack_v):
            fine = np.linspace(t_s[0], t_s[-1], 200)
            curve = charge_v(fine - path.close_s, pack_v, path.resistance_ohm, path.capacitance_farad)
            add_line(figure, fine, curve, "expected", palette.EXPECTED, "%{y:.1f} V")
            threshold(figure, path.fraction * pack_v, f"{path.fraction:.0%} of pack", palette.QUIET, above=False)
        lasted = f"{(end - begin) * history.tick_ms} ms from the command to the positive main, or to its end. "
        expected = (
            f"Expected: {show(path.fastest_s, 's')} to {show(path.slowest_s + path.close_s, 's')} to reach "
            f"{path.fraction:.0%} of pack voltage, nominal {show(path.time_s, 's')} = R*C*ln(1/(1-{path.fraction:g})) "
            f"with {show(path.resistance_ohm, 'ohm')} and {show(path.capacitance_farad, 'F')}, contactor travel up to "
            f"{show(path.close_s, 's')}; {SOURCE}. The positive main waits until the bus has settled as well, so the "
            "whole takes longer. The curve that is expected begins where the contactor closes at the latest."
        )
        heading = f"Precharge {number} at {at_s:.2f} s"
        plots.append(Plot(f"precharge-{number}", heading, figure, f"{lasted}{expected}", follows=False))
    return plots


def discharges(drawing: Drawing) -> list[Plot]:
    """The discharges on demand, proof pulses left out; where nothing discharges but the bleed, from the opening on."""
    history = drawing.history
    build = history.build
    path = derived.discharge_path(build)
    draining = history.ticks["phase"] == phases.DISCHARGING
    bleed = build.discharge.kind == "bleed"
    if not bleed:
        draining = draining & history.command("discharge")
    found = [(begin, end) for begin, end, on in runs(draining) if on]
    plots = []
    for number, (begin, end) in list(enumerate(found, 1))[-SHOWN_MAX:]:
        at_s, t_s, window = _window(drawing, begin, end)
        bus = history.volts("bus_mv")[window]
        figure = _figure(t_s)
        add_line(figure, t_s, history.volts("pack_mv")[window], "pack", palette.LINES[1], "%{y:.1f} V")
        add_line(figure, t_s, bus, "bus", palette.LINES[0], "%{y:.1f} V")
        from_v = float(bus[np.searchsorted(t_s, 0.0)])
        if math.isfinite(from_v):
            close_s = 0.0 if bleed else build.contactor.close_time
            fine = np.linspace(t_s[0], t_s[-1], 200)
            curve = drain_v(fine - close_s, from_v, path.resistance_ohm, path.capacitance_farad)
            add_line(figure, fine, curve, "expected", palette.EXPECTED, "%{y:.1f} V")
        dead_v = derived.dead_v(build)
        threshold(figure, dead_v, f"dead below {dead_v:g} V (a reading, no proof)", palette.QUIET)
        told = (
            f"{(end - begin) * history.tick_ms} ms long, from {from_v:.1f} V. Expected: falling by "
            f"exp(-t/(R*C)) with {show(path.resistance_ohm, 'ohm')} and {show(path.capacitance_farad, 'F')}, without "
            f"the bleed, which only makes it quicker, from where the contact closes at the latest; {SOURCE}."
        )
        heading = f"Discharge {number} at {at_s:.2f} s"
        plots.append(Plot(f"discharge-{number}", heading, figure, told, follows=False))
    return plots


def _window(drawing: Drawing, begin: int, end: int) -> tuple[float, Numbers, slice]:
    """When it began; the times around it from there on; the ticks."""
    t_s = drawing.t_s
    at_s = float(t_s[begin])
    until_s = min(float(t_s[end - 1]) + _AFTER_S, at_s + _LONGEST_S)
    window = slice(int(np.searchsorted(t_s, at_s - _BEFORE_S)), int(np.searchsorted(t_s, until_s)) + 1)
    return at_s, t_s[window] - at_s, window


def _figure(t_s: Numbers) -> Any:
    figure = time_figure("V", 280, LEFT_ALONE)
    figure.update_xaxes(title={"text": "time since the command / s", "standoff": 4}, hoverformat=".3f")
    if len(t_s) > 1:
        figure.update_xaxes(range=[float(t_s[0]), float(t_s[-1])])
    return figure
