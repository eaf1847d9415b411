"""Values as people write them ("3.3 kohm", "55 degC") to one float in the base unit, and back.

Decides what a unit means and nothing about which values are sensible: that is `quantity.Quantity`'s range.
Base units: V, A, ohm, F, J, W, Ah, s, Hz, degC, K, m, m/s, ohm/V; a percentage becomes a fraction (95 % is 0.95).
"""

import math
import re
from decimal import Decimal

# Base unit to the units it may be written in, each with its size in base units; the first is the plainest.
UNITS: dict[str, dict[str, float]] = {
    "V": {"V": 1.0, "mV": 1e-3, "kV": 1e3},
    "A": {"A": 1.0, "mA": 1e-3},
    "ohm": {"ohm": 1.0, "mohm": 1e-3, "kohm": 1e3, "Mohm": 1e6},
    "F": {"uF": 1e-6, "nF": 1e-9, "mF": 1e-3, "F": 1.0},
    "J": {"J": 1.0, "kJ": 1e3, "mJ": 1e-3},
    "W": {"W": 1.0, "kW": 1e3, "mW": 1e-3},
    "Ah": {"Ah": 1.0, "mAh": 1e-3},
    "s": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "Hz": {"Hz": 1.0, "kHz": 1e3},
    "degC": {"degC": 1.0},
    "K": {"K": 1.0},
    "m": {"mm": 1e-3, "cm": 1e-2, "m": 1.0},
    "m/s": {"km/h": 1 / 3.6, "m/s": 1.0},
    "ohm/V": {"ohm/V": 1.0, "kohm/V": 1e3},
    "fraction": {"%": 0.01},
    "fraction/s": {"%/s": 0.01},
}
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf(?:inity)?)\b", re.IGNORECASE)


class UnitError(ValueError):
    """The text is not a number with a unit of the kind asked for; the message says what is wrong with it."""


def names(unit: str) -> str:
    """The ways to write base unit `unit`, as "V, mV or kV"."""
    *most, last = UNITS[unit]
    return f"{', '.join(most)} or {last}" if most else last


def parse(text: object, unit: str) -> float:
    """Return what `text` says, in base unit `unit`; UnitError for anything but a finite number with its unit."""
    if not isinstance(text, str):
        example = f"{text} {next(iter(UNITS[unit]))}" if _is_number(text) else f"12 {next(iter(UNITS[unit]))}"
        raise UnitError(f'must be text with a unit, such as "{example}"')
    stripped = text.strip()
    if _NOT_FINITE.match(stripped):
        raise UnitError("is not a finite number")
    number = _NUMBER.match(stripped)
    if number is None:
        raise UnitError(f"does not begin with a number; write a number and {names(unit)}")
    suffix = stripped[number.end() :].strip()
    if not suffix:
        raise UnitError(f"has no unit; write {names(unit)} after the number")
    if suffix not in UNITS[unit]:
        raise UnitError(f'has the unit "{suffix}"; needs {names(unit)}')
    value = float(number[0]) * UNITS[unit][suffix]
    if not math.isfinite(value):
        raise UnitError("is not a finite number")
    return value


def show(value: float, unit: str) -> str:
    """Write `value` (base unit `unit`) for people: at most four digits, in the unit that needs the fewest zeros."""
    best, size = next(iter(UNITS[unit].items()))
    if value:
        for name, candidate in UNITS[unit].items():
            # Volts and ohm/V are compared with each other all over a page, and "0.5 min" reads worse than "30 s".
            if name in ("kV", "kohm/V", "h") or (name == "min" and value < 600):
                continue
            if _distance(value / candidate) < _distance(value / size):
                best, size = name, candidate
    return f"{Decimal(f'{value / size:.4g}'):f} {best}"  # by way of Decimal: no exponents


def _distance(number: float) -> float:
    """How far a number is from reading well: 0 from 1 to 999, else the decades missing or too many."""
    magnitude = math.log10(abs(number))
    if magnitude < 0:
        return -magnitude
    return max(0.0, magnitude - math.log10(999.5))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
