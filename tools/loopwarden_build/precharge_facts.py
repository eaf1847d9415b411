"""What the precharge calculator answers, as one flat object: a path, what it lacks, and which resistor would do."""

import math
from typing import Any

from loopwarden_build import precharge_path
from loopwarden_build.precharge_path import PrechargePath, largest_resistor, shortcomings

Facts = dict[str, Any]


def precharge_facts(
    path: PrechargePath,
    build_name: str | None,
    has_resistor: bool,
    within_s: float | None,
    series: str,
    starts: int,
) -> Facts:
    """Return the answer; `ok` is true if nothing speaks against it.

    has_resistor    false: `path.resistance_ohm` counts for nothing, a resistor is only proposed
    within_s        longest time that is wanted to the fraction; None: not asked
    starts          starts from cold without a wait
    """
    why = shortcomings(path, within_s) if has_resistor else []
    if has_resistor and path.starts_in_a_row is not None and 0 < path.starts_in_a_row < starts:
        why.append(f"Its pulse energy is enough for {path.starts_in_a_row} of the {starts} starts in a row.")
    of_path = _of_path(path, starts)
    facts: Facts = (of_path if has_resistor else dict.fromkeys(of_path)) | {  # every key is always there
        "build": build_name,
        "highest_v": path.highest_v,
        "capacitance_farad": path.capacitance_farad,
        "capacitance_tolerance": path.capacitance_tolerance,
        "resistance_tolerance": path.resistance_tolerance,
        "load_ohm": _finite(path.load_ohm),
        "fraction": path.fraction,
        "starts": starts,
    }
    proposed = None if within_s is None else largest_resistor(path, within_s, series)
    of_proposal = _of_proposal(proposed or path, starts)
    facts |= {"within_s": within_s, "series": series}
    facts |= dict.fromkeys(of_proposal) if proposed is None else of_proposal
    if within_s is not None and not has_resistor:
        why += [precharge_path.nothing_fits(path, within_s)] if proposed is None else shortcomings(proposed)
    return facts | {"ok": not why, "why": "\n".join(why)}


def _of_path(path: PrechargePath, starts: int) -> Facts:
    known = precharge_path.facts(path)
    low_s, high_s = known.pop("window_s")
    known["end_fraction"] = known.pop("end_with_bleed")
    known["slowest_s"] = _finite(known["slowest_s"])
    return {
        **known,
        "window_from_s": low_s,
        "window_to_s": high_s,
        "rated_v": path.rated_v,
        "pulse_needed_j": path.pulse_needed_j(starts),
    }


def _of_proposal(path: PrechargePath, starts: int) -> Facts:
    return {
        "proposed_ohm": path.resistance_ohm,
        "proposed_time_s": path.time_s,
        "proposed_slowest_s": path.slowest_s,
        "proposed_peak_a": path.highest_v / path.resistance_ohm,
        "proposed_peak_w": path.highest_v**2 / path.resistance_ohm,
        "proposed_pulse_needed_j": path.pulse_needed_j(starts),
        "proposed_rated_v": path.highest_v,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None  # JSON has no number for "never"
