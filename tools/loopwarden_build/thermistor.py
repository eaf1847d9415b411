"""A temperature sensor in its divider, both ways: degrees, ohm and converter counts, and what the board makes of them.

The exact equations are in sensor_curves.py; the board's reading is made by the device's own code.
"""

import math
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

from loopwarden.convert.zones import Zones
from loopwarden.signals import OK, OPEN, RANGE, SHORT
from loopwarden_build.integer_build import convert_zones
from loopwarden_build.model import NtcZone, Pt1000Zone
from loopwarden_build.sensor_curves import (
    COUNTS_MAX,
    FINE,
    FROM_DEGC,
    KELVIN,
    POINTS,
    STEP_K,
    A,
    B,
    degc_per_count,
    pt1000_ohm,
    zone_counts,
    zone_ohm,
    zone_rails,
)

Facts = dict[str, Any]
Zone = NtcZone | Pt1000Zone

STATES = {OK: "ok", OPEN: "open", SHORT: "short", RANGE: "out of range"}
DEGC_MIN, DEGC_MAX = -100.0, 400.0  # beyond it neither equation means anything for the sensors of a drive


@dataclass(frozen=True)
class BoardReading:
    """What the board says: a temperature, or None beside the state that says why."""

    degc: float | None
    state: str


def degc_of_ohm(zone: Zone, ohm: float) -> float | None:
    """The temperature at which a sensor has `ohm`, by its exact equation; None outside DEGC_MIN to DEGC_MAX."""
    if isinstance(zone, NtcZone):
        per_kelvin = 1 / (25 + KELVIN) + (math.log(ohm) - math.log(zone.r25)) / zone.beta
        degc = 1 / per_kelvin - KELVIN if per_kelvin > 0 else math.inf
    elif ohm >= 1000:
        root = A**2 - 4 * B * (1 - ohm / 1000)
        degc = (-A + math.sqrt(root)) / (2 * B) if root >= 0 else math.inf
    else:
        degc = _pt1000_below_zero(ohm)
    return degc if DEGC_MIN - 1e-9 <= degc <= DEGC_MAX + 1e-9 else None


def _pt1000_below_zero(ohm: float) -> float:
    """Half the span again and again: with C the equation has no closed form."""
    low, high = DEGC_MIN - 1, 0.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if pt1000_ohm(middle) < ohm else (low, middle)
    return high


def counts_of_ohm(zone: Zone, ohm: float) -> float:
    """Converter counts of a resistance in the zone's divider, not rounded."""
    return COUNTS_MAX * ohm / (ohm + zone.pull_up)


def ohm_of_counts(zone: Zone, counts: float) -> float:
    """Resistance that gives so many counts; inf at the upper rail."""
    return zone.pull_up * counts / (COUNTS_MAX - counts) if counts < COUNTS_MAX else math.inf


def board_of(zone: Zone) -> Zones:
    """The device's own conversion, with the table that a build with this zone would load."""
    return Zones(SimpleNamespace(**convert_zones([zone])))


def board_reading(board: Zones, counts: float) -> BoardReading:
    """What the device makes of these counts, from a converter without an error of its own."""
    inputs = SimpleNamespace(zone_dc=[None], zone_state=[None])
    board.bind(inputs)
    board.step([round(FINE * counts)])
    tenths: int | None = inputs.zone_dc[0]
    return BoardReading(None if tenths is None else tenths / 10, STATES[inputs.zone_state[0]])


def at_counts(zone: Zone, counts: float) -> Facts:
    """One reading: counts, ohm, the exact temperature and the board's."""
    ohm = ohm_of_counts(zone, counts)
    return _row(zone, ohm if math.isfinite(ohm) else None, counts)


def at_ohm(zone: Zone, ohm: float) -> Facts:
    """One reading, from a resistance."""
    return _row(zone, ohm, counts_of_ohm(zone, ohm))


def at_degc(zone: Zone, degc: float) -> Facts:
    """One reading, from a temperature."""
    return at_ohm(zone, zone_ohm(zone, degc))


def _row(zone: Zone, ohm: float | None, counts: float) -> Facts:
    exact_degc = degc_of_ohm(zone, ohm) if ohm else None
    board = board_reading(board_of(zone), counts)
    return {
        "ohm": ohm,
        "counts": counts,
        "exact_degc": exact_degc,
        "board_degc": board.degc,
        "board_state": board.state,
        "board_off_k": None if board.degc is None or exact_degc is None else board.degc - exact_degc,
        "k_per_count": None if exact_degc is None else degc_per_count(zone, exact_degc),
    }


def board_off_max(zone: Zone) -> tuple[float, float]:
    """How far the board is off the equation at most along its table, and at which temperature; every half kelvin."""
    board = board_of(zone)
    worst_k, at_degc = 0.0, FROM_DEGC
    for half in range(1, round(2 * STEP_K * (POINTS - 1))):  # the ends themselves may round out of the table
        degc = FROM_DEGC + half / 2
        read = board_reading(board, zone_counts(zone, degc)).degc
        if read is not None and abs(read - degc) > worst_k:
            worst_k, at_degc = abs(read - degc), degc
    return worst_k, at_degc


def of_zone(zone: Zone) -> Facts:
    """The sensor, its divider, and the rails beyond which it counts as shorted or open."""
    low, high = zone_rails(zone)
    off_k, off_at_degc = board_off_max(zone)
    return {
        "sensor": zone.sensor,
        "r25_ohm": zone.r25 if isinstance(zone, NtcZone) else None,
        "beta_k": zone.beta if isinstance(zone, NtcZone) else None,
        "pull_up_ohm": zone.pull_up,
        "short_below_counts": low,
        "open_above_counts": high,
        "short_below_ohm": ohm_of_counts(zone, low),
        "open_above_ohm": ohm_of_counts(zone, high),
        "board_off_max_k": off_k,
        "board_off_max_degc": off_at_degc,
    }


def table(zone: Zone, from_degc: float, to_degc: float, step_k: float) -> list[Facts]:
    """Readings at `from_degc` and every `step_k` up to `to_degc`."""
    number = math.floor((to_degc - from_degc) / step_k + 1e-9) + 1
    return [{"degc": degc, **at_degc(zone, degc)} for degc in (from_degc + step_k * n for n in range(number))]
