"""A capacitor filled and drained through a resistor: the formulas, written once.

SI units throughout. Textbook first-order circuit; checked against an ODE solver in tests/build/test_rc.py.
"""

import math

NO_LOAD = math.inf  # a load resistance that draws nothing


def rise_end(series_ohm: float, load_ohm: float = NO_LOAD) -> float:
    """The fraction of the source's voltage at which a capacitor filled through `series_ohm` ends, under a load."""
    return 1.0 if load_ohm == NO_LOAD else load_ohm / (series_ohm + load_ohm)


def rise_s(series_ohm: float, farad: float, fraction: float, load_ohm: float = NO_LOAD) -> float:
    """Seconds until a capacitor, filled from empty, holds `fraction` of the source's voltage; inf if it never does."""
    end = rise_end(series_ohm, load_ohm)
    if fraction >= end:
        return math.inf
    return series_ohm * end * farad * math.log(1 / (1 - fraction / end))


def fall_s(drain_ohm: float, farad: float, from_v: float, to_v: float) -> float:
    """Seconds until a capacitor drained by `drain_ohm` has fallen from `from_v` to `to_v`; 0 if it is already there."""
    return drain_ohm * farad * math.log(from_v / to_v) if from_v > to_v else 0.0


def fall_part(drain_ohm: float, farad: float, after_s: float) -> float:
    """The part of its voltage that a draining capacitor has lost after `after_s` seconds, 0 to 1."""
    return -math.expm1(-after_s / (drain_ohm * farad))


def drain_ohm_max(farad: float, from_v: float, to_v: float, within_s: float) -> float:
    """The largest resistor that drains a capacitor from `from_v` to `to_v` within `within_s` seconds."""
    return within_s / (farad * math.log(from_v / to_v))


def energy_j(farad: float, volt: float) -> float:
    """Energy in a capacitor; also the heat in any resistor that fills it from a stiff source."""
    return farad * volt * volt / 2
