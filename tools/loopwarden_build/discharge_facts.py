"""What the discharge calculator answers, as one flat object: times, heat, the bleed, and which resistor would do."""

from typing import Any

from loopwarden_build.discharge_path import FULL_VOLTAGE_S, DischargePath, largest_resistor
from loopwarden_build.units import show

Facts = dict[str, Any]

LEVELS_V = {"60_v": 60.0, "50_v": 50.0}  # the limit of high voltage (UN R100), and the older mark of many instructions


def discharge_facts(
    path: DischargePath | None,
    parts: DischargePath,
    bleed: DischargePath | None,
    dead_v: float,
    to_v: float,
    within_s: float | None,
    series: str,
    pulse_j: float | None,
    rated_v: float | None,
    build_name: str | None,
) -> Facts:
    """Return the answer; `ok` is true if nothing speaks against it.

    path        what discharges on demand; None: nothing does, or one is to be proposed
    parts       voltage, capacitance and tolerances; its resistance counts for nothing
    bleed       what always drains; None: not known
    to_v        the level that --within and the proposal are about
    """
    why = []
    facts: Facts = {
        "build": build_name,
        "highest_v": parts.highest_v,
        "capacitance_farad": parts.capacitance_farad,
        "capacitance_tolerance": parts.capacitance_tolerance,
        "resistance_tolerance": parts.resistance_tolerance,
        "dead_level_v": dead_v,
        "to_v": to_v,
        "within_s": within_s,
        "energy_j": parts.energy_j,
        "energy_highest_j": parts.energy_max_j,
        "full_voltage_s": FULL_VOLTAGE_S,
    }
    levels = {**LEVELS_V, "dead": dead_v, "level": to_v}
    if path is not None:
        why += _shortcomings(path, to_v, within_s, pulse_j, rated_v)
    of_path = _of_path(path or parts, levels, pulse_j, rated_v)
    facts |= of_path if path is not None else dict.fromkeys(of_path)  # every key is always there
    of_bleed = _of_bleed(bleed or parts, levels)
    facts |= of_bleed if bleed is not None else dict.fromkeys(of_bleed)
    proposed = None if within_s is None else largest_resistor(parts, to_v, within_s, series)
    facts |= {"series": series, "largest_ohm": None if within_s is None else parts.largest_ohm(to_v, within_s)}
    of_proposal = _of_proposal(proposed or parts, to_v)
    facts |= of_proposal if proposed is not None else dict.fromkeys(of_proposal)
    if within_s is not None and proposed is None and path is None:
        why.append("No resistor does: even 10 ohm, the least that the board reckons with, is too slow.")
    return facts | {"ok": not why, "why": "\n".join(why)}


def _of_path(path: DischargePath, levels: dict[str, float], pulse_j: float | None, rated_v: float | None) -> Facts:
    facts: Facts = {"resistance_ohm": path.resistance_ohm, "rc_s": path.resistance_ohm * path.capacitance_farad}
    for name, volt in levels.items():
        facts |= {f"{name}_s": path.time_s(volt), f"{name}_slowest_s": path.slowest_s(volt)}
    return facts | {
        "peak_a": path.highest_v / path.resistance_ohm,
        "peak_w": path.peak_w,
        "full_voltage_j": path.full_voltage_j,
        "pulse_energy_j": pulse_j,
        "rated_v": rated_v,
        "stands_full_voltage": None if pulse_j is None else pulse_j >= path.full_voltage_j,
    }


def _of_bleed(bleed: DischargePath, levels: dict[str, float]) -> Facts:
    times = {f"bleed_{name}_slowest_s": bleed.slowest_s(volt) for name, volt in levels.items()}
    return {"bleed_ohm": bleed.resistance_ohm, "bleed_w": bleed.peak_w, **times}


def _of_proposal(path: DischargePath, to_v: float) -> Facts:
    return {
        "proposed_ohm": path.resistance_ohm,
        "proposed_slowest_s": path.slowest_s(to_v),
        "proposed_peak_a": path.highest_v / path.resistance_ohm,
        "proposed_peak_w": path.peak_w,
        "proposed_pulse_needed_j": path.energy_max_j,
        "proposed_full_voltage_j": path.full_voltage_j,
        "proposed_rated_v": path.highest_v,
    }


def _shortcomings(
    path: DischargePath, to_v: float, within_s: float | None, pulse_j: float | None, rated_v: float | None
) -> list[str]:
    found = []
    slowest_s = path.slowest_s(to_v)
    if within_s is not None and slowest_s > within_s:
        found.append(
            f"Too slow: {show(to_v, 'V')} may take {show(slowest_s, 's')}, wanted are {show(within_s, 's')} at most."
        )
    if pulse_j is not None and pulse_j < path.energy_max_j:
        found.append(
            f"The resistor takes {show(pulse_j, 'J')}; one discharge may leave {show(path.energy_max_j, 'J')} in it."
        )
    if rated_v is not None and rated_v < path.highest_v:
        found.append(f"It stands {show(rated_v, 'V')}; at the first moment it takes {show(path.highest_v, 'V')}.")
    return found
