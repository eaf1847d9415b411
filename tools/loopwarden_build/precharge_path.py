"""The path that fills the bus gently: its times, heat, and the resistor that would do, in SI units.

One copy of the arithmetic: a build's precharge (derived.py) and the calculator's both are a `PrechargePath`.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

from loopwarden_build import rc
from loopwarden_build.preferred_values import values_ohm
from loopwarden_build.units import show

WINDOW_LOW, WINDOW_HIGH = 0.5, 1.5  # of the nominal time to the precharge fraction, part tolerances included
SETTLE_RC, FLAT_RC = 7.5, 0.3
RC_TICKS_MIN = 2  # fewer, and a curve cannot be told from a step
RC_S_MAX = 60.0
RESISTOR_OHM_MIN, RESISTOR_OHM_MAX = 1.0, 100e3  # as the build file allows


@dataclass(frozen=True)
class PrechargePath:
    """Source, resistor, bus capacitor and whatever draws from the bus meanwhile.

    load_ohm            rc.NO_LOAD where nothing draws
    pulse_j, cooling_s  what the resistor takes from cold, and its thermal time constant; None: not known
    close_s, release_s  travel of its contactor, bounce and coil diode included
    tick_s              period of the loop that watches it
    """

    highest_v: float
    resistance_ohm: float
    resistance_tolerance: float
    capacitance_farad: float
    capacitance_tolerance: float
    fraction: float
    load_ohm: float
    close_s: float
    release_s: float
    tick_s: float
    pulse_j: float | None = None
    cooling_s: float | None = None
    rated_v: float | None = None

    @property
    def rc_s(self) -> float:
        """Nominal time constant."""
        return self.resistance_ohm * self.capacitance_farad

    @property
    def farad_max(self) -> float:
        """Capacitance at the upper end of its tolerance."""
        return self.capacitance_farad * (1 + self.capacitance_tolerance)

    @property
    def time_s(self) -> float:
        """Nominal time to the fraction, with no load: the board's window is made of it."""
        return rc.rise_s(self.resistance_ohm, self.capacitance_farad, self.fraction)

    @property
    def slowest_s(self) -> float:
        """The same with every part at the end of its tolerance that makes it slow, and the load; inf: never."""
        ohm = self.resistance_ohm * (1 + self.resistance_tolerance)
        return rc.rise_s(ohm, self.farad_max, self.fraction, self.load_ohm)

    @property
    def fastest_s(self) -> float:
        """The same with every part at the end of its tolerance that makes it fast, and no load."""
        ohm = self.resistance_ohm * (1 - self.resistance_tolerance)
        return rc.rise_s(ohm, self.capacitance_farad * (1 - self.capacitance_tolerance), self.fraction)

    @property
    def window_s(self) -> tuple[float, float]:
        """Earlier is too fast, later too slow."""
        return WINDOW_LOW * self.time_s, WINDOW_HIGH * self.time_s

    @property
    def start_j(self) -> float:
        """Heat in the resistor by one good start from the highest voltage."""
        return rc.energy_j(self.farad_max, self.highest_v)

    @property
    def reserve_j(self) -> float:
        """Heat that is kept free for one start: above twice the good one a start is broken off, and a short on the bus
        heats with full voltage from the command until it is noticed (0.3 R*C after travel) and the contactor has let
        go."""
        flat_s = math.ceil(FLAT_RC * self.rc_s / self.tick_s) * self.tick_s
        span_s = self.close_s + flat_s + self.release_s + 2 * self.tick_s
        short_j = self.highest_v**2 / (self.resistance_ohm * (1 - self.resistance_tolerance)) * span_s
        return max(2 * self.start_j, short_j)

    def pulse_needed_j(self, starts: int) -> float:
        """Pulse energy that the resistor needs for so many starts from cold without a wait, each with its reserve."""
        return self.reserve_j + (starts - 1) * self.start_j

    @property
    def starts_in_a_row(self) -> int | None:
        """Good starts from cold without a wait; each leaves its heat, and the next needs its whole reserve."""
        if self.pulse_j is None:
            return None
        spare_j = self.pulse_j - self.reserve_j
        return 0 if spare_j < 0 else 1 + math.floor(spare_j / self.start_j + 1e-9)

    @property
    def wait_s(self) -> float | None:
        """Wait for one start more after as many in a row; None where nothing is left over, or the heat is not known."""
        starts = self.starts_in_a_row
        if self.pulse_j is None or self.cooling_s is None or starts is None:
            return None
        spare_j, heat_j = self.pulse_j - self.reserve_j, starts * self.start_j
        # Until the heat of those starts leaves room for one more; a budget of just one reserve is never quite free.
        return self.cooling_s * math.log(heat_j / spare_j) if 0 < spare_j < heat_j else None


def facts(path: PrechargePath) -> dict[str, Any]:
    """Everything about a path that the review prints, SI units in the names."""
    return {
        "resistance_ohm": path.resistance_ohm,
        "capacitance_farad": path.capacitance_farad,
        "rc_s": path.rc_s,
        "fraction": path.fraction,
        "time_s": path.time_s,
        "window_s": list(path.window_s),
        "slowest_s": path.slowest_s,
        "fastest_s": path.fastest_s,
        "end_with_bleed": rc.rise_end(path.resistance_ohm, path.load_ohm),
        "peak_a": path.highest_v / path.resistance_ohm,
        "peak_w": path.highest_v**2 / path.resistance_ohm,
        "energy_j": rc.energy_j(path.capacitance_farad, path.highest_v),
        "reserve_j": path.reserve_j,
        "budget_j": path.pulse_j,
        "starts_in_a_row": path.starts_in_a_row,
        "wait_s": path.wait_s,
        "closing_loss_j": rc.energy_j(path.capacitance_farad, path.highest_v * (1 - path.fraction)),
    }


def shortcomings(path: PrechargePath, within_s: float | None = None) -> list[str]:
    """What would keep a path from being used, a sentence each; `within_s`: the longest time that is wanted."""
    found = []
    low_s, high_s = path.window_s
    end = rc.rise_end(path.resistance_ohm * (1 + path.resistance_tolerance), path.load_ohm)
    if math.isinf(path.slowest_s):
        found.append(
            f"It may never reach {show(path.fraction, 'fraction')}: the load of {show(path.load_ohm, 'ohm')} holds the "
            f"bus at {show(end, 'fraction')}. A start would end with P0C78, precharge too long."
        )
    elif path.slowest_s > high_s:
        found.append(
            f"Too slow: parts and load allow {show(path.slowest_s, 's')}, the window ends at {show(high_s, 's')} "
            "(1.5 times nominal)."
        )
    if path.fastest_s < low_s:
        found.append(
            f"Too fast: parts allow {show(path.fastest_s, 's')}, the window opens at {show(low_s, 's')} (half of "
            "nominal)."
        )
    if within_s is not None and not math.isinf(path.slowest_s) and path.slowest_s > within_s:
        found.append(f"It may take {show(path.slowest_s, 's')}, wanted are {show(within_s, 's')} at most.")
    if path.rc_s < RC_TICKS_MIN * path.tick_s - 1e-9:
        found.append(
            f"R*C of {show(path.rc_s, 's')} is less than two ticks of {show(path.tick_s, 's')}: the board could not "
            f"tell it from a short; {show(RC_TICKS_MIN * path.tick_s / path.capacitance_farad, 'ohm')} or more."
        )
    if path.rc_s > RC_S_MAX:
        found.append(f"R*C of {show(path.rc_s, 's')} is more than the minute that the board allows.")
    if path.pulse_j is not None and path.pulse_j < path.reserve_j:
        found.append(
            f"The resistor takes {show(path.pulse_j, 'J')}; one start needs {show(path.reserve_j, 'J')} kept free "
            "(twice a good start, or a short on the bus until the contactor has let go, S12)."
        )
    if path.rated_v is not None and path.rated_v < path.highest_v:
        found.append(
            f"The resistor stands {show(path.rated_v, 'V')}; at the first moment it takes {show(path.highest_v, 'V')}."
        )
    return found


def largest_resistor(path: PrechargePath, within_s: float, series: str) -> PrechargePath | None:
    """`path` with the largest resistor of a series that reaches the fraction in time and in the board's window.

    Tolerances and load are included. None: there is no such resistor, nothing_fits says why.
    """
    for ohm in reversed(values_ohm(series, RESISTOR_OHM_MIN, RESISTOR_OHM_MAX)):
        candidate = replace(path, resistance_ohm=ohm, pulse_j=None, cooling_s=None, rated_v=None)
        if candidate.slowest_s <= min(within_s, candidate.window_s[1]):
            return candidate
    return None


def nothing_fits(path: PrechargePath, within_s: float) -> str:
    """Why `largest_resistor` found none, by the smallest that there is."""
    smallest = replace(path, resistance_ohm=RESISTOR_OHM_MIN)
    if math.isinf(smallest.slowest_s):
        return "No resistor does: the load holds the bus below the fraction."
    if smallest.slowest_s > within_s:
        return "No resistor does: even 1 ohm, the least that the board reckons with, is too slow."
    return "No resistor does: load and tolerances leave the board's window, 1.5 times nominal, whatever the resistor."
