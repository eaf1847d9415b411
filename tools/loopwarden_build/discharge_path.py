"""The path that drains the bus: its times, heat, and the resistor that would do, in SI units.

One copy of the arithmetic: a build's discharge and bleed (derived.py) and the calculator's all are a `DischargePath`.
"""

from dataclasses import dataclass, replace

from loopwarden_build import rc
from loopwarden_build.preferred_values import values_ohm

FULL_VOLTAGE_S = 15.0  # Formula SAE 2026 V1.0 EV.5.6.3 (seen): the discharge takes full voltage for 15 s
RESISTOR_OHM_MIN, RESISTOR_OHM_MAX = 10.0, 1e6  # as the build file allows


@dataclass(frozen=True)
class DischargePath:
    """A charged bus capacitor and the resistance that drains it."""

    highest_v: float
    resistance_ohm: float
    resistance_tolerance: float
    capacitance_farad: float
    capacitance_tolerance: float

    def with_ohm(self, resistance_ohm: float, tolerance: float | None = None) -> "DischargePath":
        """The same bus with another resistor; its tolerance stays, unless it is said."""
        kept = self.resistance_tolerance if tolerance is None else tolerance
        return replace(self, resistance_ohm=resistance_ohm, resistance_tolerance=kept)

    @property
    def ohm_min(self) -> float:
        """Resistance at the lower end of its tolerance."""
        return self.resistance_ohm * (1 - self.resistance_tolerance)

    @property
    def ohm_max(self) -> float:
        """Resistance at the upper end of its tolerance."""
        return self.resistance_ohm * (1 + self.resistance_tolerance)

    @property
    def farad_max(self) -> float:
        """Capacitance at the upper end of its tolerance."""
        return self.capacitance_farad * (1 + self.capacitance_tolerance)

    def time_s(self, to_v: float) -> float:
        """Nominal time from the highest voltage to `to_v`."""
        return rc.fall_s(self.resistance_ohm, self.capacitance_farad, self.highest_v, to_v)

    def slowest_s(self, to_v: float) -> float:
        """The same with every part at the end of its tolerance that makes it slow."""
        return rc.fall_s(self.ohm_max, self.farad_max, self.highest_v, to_v)

    @property
    def energy_j(self) -> float:
        """Nominal heat of one discharge from the highest voltage, less than a hundredth of which stays in the bus."""
        return rc.energy_j(self.capacitance_farad, self.highest_v)

    @property
    def energy_max_j(self) -> float:
        """The same with the most capacitance that the tolerance allows."""
        return rc.energy_j(self.farad_max, self.highest_v)

    @property
    def peak_w(self) -> float:
        """Power in the first moment; for as long as a contactor is welded, all the time."""
        return self.highest_v**2 / self.resistance_ohm

    @property
    def full_voltage_j(self) -> float:
        """Heat of FULL_VOLTAGE_S at full voltage, at the lower end of the resistor's tolerance."""
        return self.highest_v**2 / self.ohm_min * FULL_VOLTAGE_S

    def largest_ohm(self, to_v: float, within_s: float) -> float:
        """Largest nominal resistance that reaches `to_v` in time, both tolerances included."""
        ohm = rc.drain_ohm_max(self.farad_max, self.highest_v, to_v, within_s)
        return ohm / (1 + self.resistance_tolerance)


def largest_resistor(path: DischargePath, to_v: float, within_s: float, series: str) -> DischargePath | None:
    """`path` with the largest resistor of a series that reaches `to_v` in time, tolerances included, or None."""
    fitting = values_ohm(series, RESISTOR_OHM_MIN, min(path.largest_ohm(to_v, within_s), RESISTOR_OHM_MAX))
    return path.with_ohm(fitting[-1]) if fitting else None
