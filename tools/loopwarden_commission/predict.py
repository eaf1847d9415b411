"""What the isolation test must show: the resistor to take, the reading to expect, the meter method's own answer.

Source of the meter method: UN Regulation No. 100, isolation resistance measurement with a voltmeter: R = Ro * Vb *
(1/V1' - 1/V1), V1 the larger of the two pole voltages, V1' the same with the known resistor Ro across it.
"""

from loopwarden_build.derived import ohm_limit
from loopwarden_build.model import BuildFile

_E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)  # IEC 60063
_BELOW, _ABOVE = 0.9, 1.3  # of the limit: surely bad, surely good


def fault_ohm(build: BuildFile) -> int:
    """The isolation limit of this build, in ohm."""
    return ohm_limit(build, build.isolation.fault)


def _series() -> list[float]:
    return [part * 10.0**decade for decade in range(2, 9) for part in _E12]


def bad_ohm(build: BuildFile) -> float:
    """The largest E12 value that alone is surely below the limit."""
    return max(ohm for ohm in _series() if ohm <= _BELOW * fault_ohm(build))


def good_ohm(build: BuildFile) -> float:
    """The smallest E12 value that a monitor with a good/bad line must still call good."""
    return min(ohm for ohm in _series() if ohm >= _ABOVE * fault_ohm(build))


def with_resistor_ohm(before_ohm: float, known_ohm: float) -> float:
    """The monitor's reading once `known_ohm` lies from one pole to chassis, if it read `before_ohm`.

    Exact for a monitor that sees both poles as one; for one that reads the worse pole where its reading before was that
    of two equal leaks, else the most that it may read.
    """
    return 1 / (1 / before_ohm + 1 / known_ohm)


def parallel_ohm(v1: float, v1_with: float, known_ohm: float, meter_ohm: float) -> float:
    """Both poles to chassis in parallel, by the meter: V1' = V1 * Ro / (Ro + R), the meter's own resistance taken off.

    Errors: ValueError for voltages that no resistance gives.
    """
    if not 0 < v1_with < v1:
        raise ValueError(f"with the resistor in, {v1_with:g} V must be less than {v1:g} V and more than nothing")
    seen_ohm = known_ohm * (v1 / v1_with - 1)
    rest = 1 / seen_ohm - 1 / meter_ohm
    return 1 / rest if rest > 0 else float("inf")


def worse_pole_ohm(parallel: float, pole_to_pole_v: float, v1: float) -> float:
    """What the regulation's formula calls the isolation resistance: the parallel value times Vb / V1."""
    return parallel * pole_to_pole_v / v1
