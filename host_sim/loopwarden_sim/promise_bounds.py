"""The numbers the promise monitor holds a run against, worked out from the build file alone.

They come from the design's sequences, not from the integer build that the policy loads, so that a slip in one is seen
by the other. Sensor errors are added on the side that is kind to the policy: a breach is never a matter of one count.
"""

from dataclasses import dataclass
from math import ceil, log
from typing import Literal

from loopwarden import signals
from loopwarden_build.model import BleedDischarge, BuildFile

DischargeKind = Literal["resistor", "inverter", "bleed"]
HIGH_VOLTAGE_V = 60.0  # UN R100, definitions: above 60 V DC is high voltage, 60.0 V itself is not
_ISOLATION_LOST_MS = 3000  # no edge and no frame for so long: common practice


@dataclass(frozen=True)
class ZoneBound:
    """One temperature channel: where it sits, its trip in tenths of a degree, and which zones stand in for it."""

    where: str
    trip_dc: int
    covered_by: tuple[int, ...] = ()


@dataclass(frozen=True)
class Bounds:
    """What the promises mean for one build; units as in the names, times in ms, heat in joule."""

    tick_ms: int
    dead_mv: int  # a valid reading below it is dead (S5)
    pack_low_mv: int
    pack_high_mv: int
    fraction_permille: int
    half_rc_ms: int
    fraction_min_ms: int
    fraction_max_ms: int
    settle_max_ms: int
    close_ms: int
    release_ms: int
    start_heat_j: float  # one full start: 2 * C*V^2/2 at the highest pack voltage
    discharge_heat_j: float  # one emergency discharge: C*V^2/2
    precharge_budget_j: float
    discharge_budget_j: float | None  # None: no resistor of its own to watch
    discharge_kind: DischargeKind
    discharge_window_ms: int
    proof_pulse_ms: int  # longest discharge pulse with one pole closed
    hard_loops: int  # masks as in Inputs.bits
    other_loops: int
    drive_permits: int
    charge_permits: int
    crash_fitted: bool
    plug_fitted: bool
    feedback: Literal["none", "normally_open", "normally_closed"]
    current_fitted: bool
    current_threshold_ma: int
    speed_fitted: bool
    isolation_fault_ohm: int
    isolation_warn_ohm: int | None
    isolation_settle_ms: int
    isolation_lost_ms: int
    isolation_while_plugged: bool
    supply_low_mv: int
    supply_high_mv: int
    zones: tuple[ZoneBound, ...]
    pack_hot_dc: int
    pack_trip_dc: int
    pack_cold_dc: int
    rise_permille_s: int
    ramp_ms: int
    ramp_fast_ms: int
    crawl_ms: int
    fallback_ms: int
    coast_ms: int


def precharge_times_s(build: BuildFile) -> tuple[float, float]:
    """Earliest and latest time to the fraction, from both contacts made: 0.5 and 1.5 times R*C*ln(1/(1-k)).

    The tolerances of resistor and capacitance widen both ends.
    Source: the charging curve V = V0*(1 - exp(-t/(R*C))), solved for t.
    """
    nominal_s = build.precharge.resistance * build.bus.capacitance * log(1 / (1 - build.precharge.fraction))
    resistor, capacitor = build.precharge.tolerance, build.bus.capacitance_tolerance
    return 0.5 * nominal_s * (1 - resistor) * (1 - capacitor), 1.5 * nominal_s * (1 + resistor) * (1 + capacitor)


def proof_pulse_s(build: BuildFile) -> float:
    """Twice the time in which the bus falls by max(10 V, 3 %) through the discharge path, longest at the lowest pack.

    Source: V = V0*exp(-t/tau), solved for t.
    """
    discharge = build.discharge
    if isinstance(discharge, BleedDischarge):
        return 0.0  # it has no pulse: it watches its bleed
    tau_s = discharge.resistance * (1 + discharge.tolerance) * build.bus.capacitance
    tau_s *= 1 + build.bus.capacitance_tolerance
    return -2 * tau_s * log(1 - max(10 / build.pack.lowest, 0.03)) + build.contactor.close_time


def whole_ticks_ms(time_s: float, tick_ms: int) -> int:
    """The time rounded up to whole ticks, in ms; a time that is whole ticks but for the last bit is not rounded."""
    return ceil(time_s * 1000 / tick_ms - 1e-9) * tick_ms


def bounds_of(build: BuildFile) -> Bounds:
    """Return what the promises mean for this build. Errors: none, for a build that passed its checks."""
    tick_ms = round(build.build.tick * 1000)
    rc_s = build.precharge.resistance * build.bus.capacitance
    fraction_min_s, fraction_max_s = precharge_times_s(build)
    energy_j = build.bus.capacitance * build.pack.highest**2 / 2
    discharge = build.discharge
    sensed = build.current_sense
    names = [zone.name for zone in build.zone]
    pack, inverter, motor = build.limits.pack, build.limits.inverter, build.limits.motor
    trips_dc = {"pack": _dc(pack.trip)}
    if inverter is not None:
        trips_dc["inverter"] = _dc(inverter.trip)
    if motor is not None:
        trips_dc["motor"] = _dc(motor.trip)
    working_v = ceil(build.pack.highest)
    isolation = build.isolation
    warn = isolation.warn

    def loops(kind: str) -> int:
        return sum(signals.LOOP0 << n for n, loop in enumerate(build.loop) if loop.kind == kind)

    return Bounds(
        tick_ms=tick_ms,
        dead_mv=round(1000 * (min(HIGH_VOLTAGE_V, 0.2 * build.pack.lowest) - build.voltage_sense.bus.error)),
        pack_low_mv=round(500 * build.pack.lowest),
        pack_high_mv=round(1100 * build.pack.highest),
        fraction_permille=round(1000 * build.precharge.fraction),
        half_rc_ms=max(2 * tick_ms, whole_ticks_ms(rc_s / 2, tick_ms)),
        fraction_min_ms=int(1000 * fraction_min_s),
        fraction_max_ms=ceil(1000 * fraction_max_s),
        settle_max_ms=ceil(7500 * rc_s),
        close_ms=_ms(build.contactor.close_time),
        release_ms=_ms(build.contactor.release_time),
        start_heat_j=2 * energy_j,
        discharge_heat_j=energy_j,
        precharge_budget_j=build.precharge.pulse_energy,
        discharge_budget_j=None if isinstance(discharge, BleedDischarge) else discharge.pulse_energy,
        discharge_kind=discharge.kind,
        discharge_window_ms=_ms(discharge.window),
        proof_pulse_ms=whole_ticks_ms(proof_pulse_s(build), tick_ms),
        hard_loops=loops("hard"),
        other_loops=loops("watched"),
        drive_permits=loops("permit_drive"),
        charge_permits=loops("permit_charge"),
        crash_fitted=build.inputs.crash is not None,
        plug_fitted=build.inputs.plug == "fitted",
        feedback=build.contactor.feedback,
        current_fitted=sensed is not None,
        current_threshold_ma=round(1000 * sensed.threshold) if sensed is not None else 0,
        speed_fitted=build.motion is not None,
        isolation_fault_ohm=ceil(isolation.fault * working_v),
        isolation_warn_ohm=None if isinstance(warn, str) else ceil(warn * working_v),
        isolation_settle_ms=_ms(isolation.settle),
        isolation_lost_ms=_ISOLATION_LOST_MS,
        isolation_while_plugged=isolation.active_while_plugged is not False,
        supply_low_mv=round(1000 * build.supply.low),
        supply_high_mv=round(1000 * build.supply.high),
        zones=tuple(
            ZoneBound(zone.where, trips_dc[zone.where], tuple(names.index(other) for other in zone.covered_by))
            for zone in build.zone
        ),
        pack_hot_dc=_dc(pack.hot),
        pack_trip_dc=_dc(pack.trip),
        pack_cold_dc=_dc(pack.cold),
        rise_permille_s=round(1000 * build.timing.limit_rise),
        ramp_ms=_ms(build.timing.ramp),
        ramp_fast_ms=_ms(build.timing.ramp_fast),
        crawl_ms=_ms(build.timing.crawl),
        fallback_ms=_ms(build.timing.fallback),
        coast_ms=_ms(build.timing.coast),
    )


def _ms(time_s: float) -> int:
    return round(1000 * time_s)


def _dc(temperature_degc: float) -> int:
    return round(10 * temperature_degc)
