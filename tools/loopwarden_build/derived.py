"""Values that follow from a build file: levels, times and energies, in SI units.

Read by the cross-checks, the integer build and the review, so that all three speak of the same number.
"""

import math

from loopwarden_build import rc
from loopwarden_build.discharge_path import DischargePath
from loopwarden_build.model import BleedDischarge, BuildFile
from loopwarden_build.precharge_path import PrechargePath

DEAD_V_MAX = 60.0  # the limit of what counts as high voltage (UN R100, definitions: 60 V itself is low voltage)
DEAD_PART = 0.20  # of the lowest pack voltage: a low-voltage build must see its bus fall as well
STOP_V_MAX, STOP_PART = 20.0, 0.10  # a discharge ends well below the dead level, or voltage would creep back over it
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


def precharge_path(build: BuildFile) -> PrechargePath:
    """The build's precharge; its bleed is the load."""
    precharge, contactor = build.precharge, build.contactor
    return PrechargePath(
        highest_v=build.pack.highest,
        resistance_ohm=precharge.resistance,
        resistance_tolerance=precharge.tolerance,
        capacitance_farad=build.bus.capacitance,
        capacitance_tolerance=build.bus.capacitance_tolerance,
        fraction=precharge.fraction,
        load_ohm=build.bus.bleed,
        close_s=contactor.close_time,
        release_s=contactor.release_time,
        tick_s=build.build.tick,
        pulse_j=precharge.pulse_energy,
        cooling_s=precharge.cooling_time,
        rated_v=precharge.rated_voltage,
    )


def bleed_path(build: BuildFile) -> DischargePath:
    """The build's bleed, which always drains the bus."""
    return DischargePath(
        build.pack.highest, build.bus.bleed, 0.0, build.bus.capacitance, build.bus.capacitance_tolerance
    )


def discharge_path(build: BuildFile) -> DischargePath:
    """What discharges the bus on demand; the bleed where there is nothing else."""
    discharge = build.discharge
    if isinstance(discharge, BleedDischarge):
        return bleed_path(build)
    return bleed_path(build).with_ohm(discharge.resistance, discharge.tolerance)


def precharge_rc_s(build: BuildFile) -> float:
    """Time constant of the precharge."""
    return precharge_path(build).rc_s


def precharge_s(build: BuildFile) -> float:
    """Nominal time from the closed precharge contactor to the precharge fraction."""
    return precharge_path(build).time_s


def precharge_slowest_s(build: BuildFile) -> float:
    """The same with every part at the end of its tolerance that makes it slow, the bleed as a load; inf: never."""
    return precharge_path(build).slowest_s


def precharge_fastest_s(build: BuildFile) -> float:
    """The same with every part at the end of its tolerance that makes it fast."""
    return precharge_path(build).fastest_s


def farad_max(build: BuildFile) -> float:
    """The bus capacitance at the upper end of its tolerance."""
    return bleed_path(build).farad_max


def start_j(build: BuildFile) -> float:
    """Heat in the precharge resistor by one good start from the highest pack voltage."""
    return precharge_path(build).start_j


def start_reserve_j(build: BuildFile) -> float:
    """Heat that is kept free for one start: a good one, or a short on the bus until the contactor has let go."""
    return precharge_path(build).reserve_j


def drain_ohm(build: BuildFile) -> float:
    """Nominal resistance of the path that discharges the bus on demand; the bleed where there is no other."""
    return discharge_path(build).resistance_ohm


def drain_ohm_max(build: BuildFile) -> float:
    """The same at the upper end of its tolerance."""
    return discharge_path(build).ohm_max


def discharge_s(build: BuildFile, to_v: float) -> float:
    """Longest time to discharge the bus on demand from the highest pack voltage, tolerances included."""
    return discharge_path(build).slowest_s(to_v)


def bleed_s(build: BuildFile, to_v: float) -> float:
    """Longest time until the bus has fallen through its bleed alone."""
    return bleed_path(build).slowest_s(to_v)


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
    ohm_min = discharge_path(build).ohm_min
    span_s = proof_s(build) + build.contactor.close_time + build.contactor.release_time + 2 * build.build.tick
    return start_j(build) + build.pack.highest**2 / ohm_min * span_s


def fall_check_s(build: BuildFile) -> float:
    """How long a waiting bus is watched: at the dead level its fall must stand out of the noise threefold."""
    part = 3 * build.voltage_sense.bus.error / dead_v(build)
    if not 0 < part < 1:
        return math.inf
    return max(2.0, FALL_MARGIN * build.bus.bleed * build.bus.capacitance * -math.log1p(-part))


WARN_CLEAR = 1.10  # an isolation warning heals a tenth above its limit


def ohm_limit(build: BuildFile, ohm_per_v: float) -> int:
    """An ohm-per-volt limit in ohm for this build, rounded up, the stricter side."""
    return math.ceil(round(ohm_per_v * working_v(build), 6))
