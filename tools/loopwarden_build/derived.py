"""Values that follow from a build file: levels, times and energies, in SI units.

Read by the cross-checks, the integer build and the review, so that all three speak of the same number.
"""

import math

from loopwarden_build import rc
from loopwarden_build.model import BleedDischarge, BuildFile

DEAD_V_MAX = 60.0  # the limit of what counts as high voltage (UN R100, definitions: 60 V itself is low voltage)
DEAD_PART = 0.20  # of the lowest pack voltage: a low-voltage build must see its bus fall as well
STOP_V_MAX, STOP_PART = 20.0, 0.10  # a discharge ends well below the dead level, or voltage would creep back over it
WINDOW_LOW, WINDOW_HIGH = 0.5, 1.5  # of the nominal time to the precharge fraction, part tolerances included
SETTLE_RC, FLAT_RC = 7.5, 0.3
FALL_MARGIN = 1.5  # slower than the slowest path by this much is not falling
FALL_V_MIN, FALL_PART = 10.0, 0.03  # what a proof pulse must bring the bus down by
STORE_CHARGE, REFILL_FROM, REFILL_TO = 0.40, 0.10, 0.30
PLAUSIBLE_LOW, PLAUSIBLE_HIGH = 0.5, 1.1  # of lowest and highest pack voltage: outside, the channel is wrong


def working_v(build: BuildFile) -> int:
    """Highest working voltage, whole volts rounded up: the divisor of every ohm-per-volt limit."""
    return math.ceil(build.pack.highest)


def dead_v(build: BuildFile) -> float:
    """Below this reading of the bus it counts as dead; may come out negative for a channel that is too coarse."""
    return min(DEAD_V_MAX, DEAD_PART * build.pack.lowest) - build.voltage_sense.bus.error


def stop_v(build: BuildFile) -> float:
    """A discharge goes on until the bus reads below this."""
    return min(STOP_V_MAX, STOP_PART * build.pack.lowest)


def precharge_rc_s(build: BuildFile) -> float:
    """Time constant of the precharge."""
    return build.precharge.resistance * build.bus.capacitance


def precharge_s(build: BuildFile) -> float:
    """Nominal time from the closed precharge contactor to the precharge fraction."""
    return rc.rise_s(build.precharge.resistance, build.bus.capacitance, build.precharge.fraction)


def precharge_slowest_s(build: BuildFile) -> float:
    """The same with every part at the end of its tolerance that makes it slow, the bleed as a load; inf: never."""
    ohm = build.precharge.resistance * (1 + build.precharge.tolerance)
    return rc.rise_s(ohm, farad_max(build), build.precharge.fraction, build.bus.bleed)


def precharge_fastest_s(build: BuildFile) -> float:
    """The same with every part at the end of its tolerance that makes it fast."""
    ohm = build.precharge.resistance * (1 - build.precharge.tolerance)
    farad = build.bus.capacitance * (1 - build.bus.capacitance_tolerance)
    return rc.rise_s(ohm, farad, build.precharge.fraction)


def farad_max(build: BuildFile) -> float:
    """The bus capacitance at the upper end of its tolerance."""
    return build.bus.capacitance * (1 + build.bus.capacitance_tolerance)


def start_j(build: BuildFile) -> float:
    """Heat in the precharge resistor by one good start from the highest pack voltage."""
    return rc.energy_j(farad_max(build), build.pack.highest)


def start_reserve_j(build: BuildFile) -> float:
    """Heat that is kept free for one start: above twice the good one a start is broken off, and a short on the bus
    heats with full voltage from the command until it is noticed (0.3 R*C after travel) and the contactor has let go."""
    precharge, contactor = build.precharge, build.contactor
    flat_s = math.ceil(FLAT_RC * precharge_rc_s(build) / build.build.tick) * build.build.tick
    span_s = contactor.close_time + flat_s + contactor.release_time + 2 * build.build.tick
    short_j = build.pack.highest**2 / (precharge.resistance * (1 - precharge.tolerance)) * span_s
    return max(2 * start_j(build), short_j)


def starts_in_a_row(build: BuildFile) -> int:
    """Good starts from a cold resistor without a wait; each leaves its heat, and the next needs its whole reserve."""
    spare_j = build.precharge.pulse_energy - start_reserve_j(build)
    return 0 if spare_j < 0 else 1 + math.floor(spare_j / start_j(build) + 1e-9)


def drain_ohm(build: BuildFile) -> float:
    """Nominal resistance of the path that discharges the bus on demand; the bleed where there is no other."""
    if isinstance(build.discharge, BleedDischarge):
        return build.bus.bleed
    return build.discharge.resistance


def drain_ohm_max(build: BuildFile) -> float:
    """The same at the upper end of its tolerance."""
    if isinstance(build.discharge, BleedDischarge):
        return build.bus.bleed
    return build.discharge.resistance * (1 + build.discharge.tolerance)


def discharge_s(build: BuildFile, to_v: float) -> float:
    """Longest time to discharge the bus on demand from the highest pack voltage, tolerances included."""
    return rc.fall_s(drain_ohm_max(build), farad_max(build), build.pack.highest, to_v)


def bleed_s(build: BuildFile, to_v: float) -> float:
    """Longest time until the bus has fallen through its bleed alone."""
    return rc.fall_s(build.bus.bleed, farad_max(build), build.pack.highest, to_v)


def proof_s(build: BuildFile) -> float:
    """Watch of the bus that proves the positive main open: twice what the required fall needs.

    Taken at the lowest pack voltage, the slowest: there the fixed 10 V are the larger part.
    """
    lowest = build.pack.lowest
    fall_v = max(FALL_V_MIN, FALL_PART * lowest)
    return 2 * rc.fall_s(drain_ohm_max(build), farad_max(build), lowest, lowest - fall_v)


def emergency_j(build: BuildFile) -> float:
    """Heat in the discharge path by one emergency discharge, after a proof pulse against a welded main: the pulse and
    the contact's own travel at full voltage."""
    if isinstance(build.discharge, BleedDischarge):
        return 0.0
    ohm_min = build.discharge.resistance * (1 - build.discharge.tolerance)
    span_s = proof_s(build) + build.contactor.close_time + build.contactor.release_time + 2 * build.build.tick
    return start_j(build) + build.pack.highest**2 / ohm_min * span_s


def fall_check_s(build: BuildFile) -> float:
    """How long a waiting bus is watched: at the dead level its fall must stand out of the noise threefold."""
    part = 3 * build.voltage_sense.bus.error / dead_v(build)
    if not 0 < part < 1:
        return math.inf
    return max(2.0, FALL_MARGIN * build.bus.bleed * build.bus.capacitance * -math.log1p(-part))


def ohm_limit(build: BuildFile, ohm_per_v: float) -> int:
    """An ohm-per-volt limit in ohm for this build, rounded up, the stricter side."""
    return math.ceil(round(ohm_per_v * working_v(build), 6))
