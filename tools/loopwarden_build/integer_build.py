"""The build file to the integers that the board loads: every derived value, with its reason.

Decides nothing that the file does not say: levels and times come from derived.py, and the board's own ranges are those
of `loopwarden.build.Build`, which this refuses to leave. Minima are rounded so that the stricter side wins.
"""

import math
from collections.abc import Sequence
from typing import Any

from loopwarden.policy.fault_table import TABLE
from loopwarden_build import can_signals, derived, pins, precharge_path, rc, sensor_curves
from loopwarden_build.model import (
    ActiveCooling,
    BleedDischarge,
    BuildFile,
    CanMonitor,
    ChilledCooling,
    DutyMonitor,
    FrequencyMonitor,
    LevelLoop,
    LineMonitor,
    NtcZone,
    PassiveCooling,
    PowerLimits,
    Pt1000Zone,
    PulseMotion,
    ResistorLoop,
    SharedCooling,
    ToggledLoop,
    VoltageChannel,
)

Device = dict[str, Any]

LOOP_KINDS = ("hard", "watched", "permit_drive", "permit_charge")
ZONE_PLACES = ("pack", "inverter", "motor")
DISCHARGE_KINDS = ("resistor", "inverter", "bleed")
FEEDBACKS = ("none", "normally_open", "normally_closed")
COOLING_KINDS = ("passive", "air", "liquid", "chilled", "heat_sharing")
MEASURES = ("both poles in parallel", "the worse pole")
SIDES = ("pack", "bus")
LOOP_SENSES = ("level", "toggled", "resistor")
ISOLATION_OUTPUTS = ("line", "duty", "frequency", "can")
LIMIT_LINES = ("duty", "enable_only")
FAULT_IDS = {str(row[1]): int(row[0]) for row in TABLE}

CRAWL_PERMILLE = 100  # the roadside is reached at a tenth of the rated power
PROOF_FALL_PERMILLE = 30  # a proof pulse must bring the bus down by 3 %, or 10 V where that is more
NEVER_DC = 10_000  # a temperature that no zone reaches: this cooling is not fitted
NO_ID = -1  # no frames are sent
NEVER_COUNTS = -1  # no converter reading is below it
MONITOR_PERIODS = 3  # without an edge for so many periods a monitor's reading is stale
DUTY_STEPS = 10_000  # duty cycles in hundredths of a percent
FREQUENCY_STEPS = 100  # frequencies in hundredths of a hertz


def to_device(build: BuildFile) -> Device:
    """Return the device's values by name: integers, lists of integers and the name; units in the names.

    Errors: none for a build that passed cross_checks.
    """
    return {
        "name": build.build.name,
        **_pace(build),
        **_levels(build),
        **_charges(build),
        **_precharge(build),
        **_discharge(build),
        **_contactors(build),
        **_current_and_supply(build),
        **_loops_and_zones(build),
        **_isolation(build),
        **_temperatures(build),
        **_timing(build),
        **_fitted(build),
        **_cooling(build),
        "debounce": [[FAULT_IDS[name], _ms(time_s)] for name, time_s in sorted(build.debounce.items())],
        **_convert_voltages(build),
        **convert_zones(build.zone),
        **_convert_lines(build),
        **_convert_isolation(build),
        "can": _can(build),
        **pins.to_device(build),
    }


def _milli(value: float) -> int:
    return round(value * 1000)


_ms = _milli


def _milli_down(value: float) -> int:
    return math.floor(round(value * 1000, 6))


def _milli_up(value: float) -> int:
    return math.ceil(round(value * 1000, 6))


def _dc(degc: float) -> int:
    return round(degc * 10)


def _ticks_up(time_s: float, build: BuildFile) -> int:
    """Milliseconds of the whole ticks that `time_s` needs."""
    tick_ms = _ms(build.build.tick)
    return math.ceil(round(time_s * 1000 / tick_ms, 6)) * tick_ms


def _pace(build: BuildFile) -> Device:
    return {
        "chip": int(build.build.chip.removeprefix("rp")),
        "tick_ms": _ms(build.build.tick),
        "heartbeat_hold_ms": _ms(build.build.heartbeat_hold),
    }


def _levels(build: BuildFile) -> Device:
    pack, bus = build.pack, build.voltage_sense.bus
    return {
        "working_v": derived.working_v(build),
        "dead_mv": _milli_down(derived.dead_v(build)),
        "discharge_stop_mv": _milli_down(derived.stop_v(build)),
        "noise_mv": _milli_up(bus.error),
        "pack_low_mv": _milli_down(derived.PLAUSIBLE_LOW * pack.lowest),
        "pack_high_mv": _milli_up(derived.PLAUSIBLE_HIGH * pack.highest),
        "pack_over_mv": _milli_down(pack.over),
        "pack_derate_mv": _milli_up(pack.low),
        "pack_under_mv": _milli_up(pack.under),
        "bus_max_mv": _milli_up(derived.PLAUSIBLE_HIGH * pack.highest),
        "charge_end_mv": _milli_down(pack.charge_end),
    }


def _charges(build: BuildFile) -> Device:
    points = build.pack.charge_table
    return {
        "charge_mv": [_milli(volts) for volts, _ in points],
        "charge_permille": [_milli(charge) for _, charge in points],
        "store_permille": _milli(derived.STORE_CHARGE),
        "refill_permille": _milli(derived.REFILL_FROM),
    }


def _precharge(build: BuildFile) -> Device:
    rc_s, nominal_s = derived.precharge_rc_s(build), derived.precharge_s(build)
    tick_ms = _ms(build.build.tick)
    return {
        "bus_c_uf": round(build.bus.capacitance * 1e6),
        "rc_ms": _ms(rc_s),
        # Two ticks at least: one reading can be a tick old.
        "half_rc_ms": max(_ticks_up(rc_s / 2, build), 2 * tick_ms),
        "fraction_permille": _milli_up(build.precharge.fraction),
        "precharge_min_ms": _milli_down(precharge_path.WINDOW_LOW * nominal_s),
        "precharge_max_ms": _milli_up(precharge_path.WINDOW_HIGH * nominal_s),
        "settle_max_ms": _milli_up(precharge_path.SETTLE_RC * rc_s),
        "flat_ms": _ticks_up(precharge_path.FLAT_RC * rc_s, build),
        "precharge_r_mohm": _milli(build.precharge.resistance),
        "precharge_start_mj": _milli_up(derived.start_reserve_j(build)),
        "precharge_budget_mj": _milli_down(build.precharge.pulse_energy),
        "precharge_cool_s": math.ceil(build.precharge.cooling_time),
    }


def _discharge(build: BuildFile) -> Device:
    discharge = build.discharge
    bleeds = isinstance(discharge, BleedDischarge)
    check_s = derived.fall_check_s(build)
    tau_s = build.bus.bleed * build.bus.capacitance
    proof_s = build.timing.proof_max if bleeds else derived.proof_s(build)
    return {
        "discharge_kind": DISCHARGE_KINDS.index(discharge.kind),
        "discharge_r_mohm": _milli(derived.drain_ohm(build)),
        "discharge_emergency_mj": _milli_up(derived.emergency_j(build)),
        "discharge_budget_mj": 0 if isinstance(discharge, BleedDischarge) else _milli_down(discharge.pulse_energy),
        "discharge_cool_s": 1 if isinstance(discharge, BleedDischarge) else math.ceil(discharge.cooling_time),
        "discharge_window_ms": _milli_up(discharge.window),
        "fall_check_ms": _ticks_up(check_s, build),
        "fall_permille": _milli_down(
            rc.fall_part(build.bus.bleed, derived.FALL_MARGIN * build.bus.capacitance, check_s)
        ),
        "bleed_tau_ms": _milli_up(tau_s),
        "proof_fall_permille": PROOF_FALL_PERMILLE,
        "proof_ms": _ticks_up(proof_s, build),
        "proof_max_ms": _ms(build.timing.proof_max),
    }


def _contactors(build: BuildFile) -> Device:
    contactor = build.contactor
    return {
        "close_ms": _milli_up(contactor.close_time),
        "release_ms": _milli_up(contactor.release_time),
        "feedback": FEEDBACKS.index(contactor.feedback),
        "break_ma": _milli(contactor.break_current),
        "inspect_after": contactor.inspect_after,
    }


def _current_and_supply(build: BuildFile) -> Device:
    pack, sense, supply, reference = build.pack, build.current_sense, build.supply, build.reference_sense
    return {
        "current_fitted": int(sense is not None),
        "current_threshold_ma": 0 if sense is None else _milli(sense.threshold),
        "drive_current_ma": _milli(pack.drive_current),
        "charge_current_ma": _milli(pack.charge_current),
        "over_current_ms": _ms(pack.over_current_time),
        "supply_low_mv": _milli(supply.low),
        "supply_fail_mv": _milli(supply.failing),
        "supply_high_mv": _milli(supply.high),
        "reference_fitted": int(reference is not None),
        "reference_mv": 0 if reference is None else _milli(reference.volts),
        "reference_tol_mv": 0 if reference is None else _milli_down(reference.volts * reference.tolerance),
    }


def _loops_and_zones(build: BuildFile) -> Device:
    index = {zone.name: number for number, zone in enumerate(build.zone)}
    return {
        "loop_kind": [LOOP_KINDS.index(loop.kind) for loop in build.loop],
        "zone_where": [ZONE_PLACES.index(zone.where) for zone in build.zone],
        "zone_cover": [sum(1 << index[name] for name in set(zone.covered_by)) for zone in build.zone],
    }


def _isolation(build: BuildFile) -> Device:
    monitor = build.isolation
    warn = 0 if isinstance(monitor, LineMonitor) else derived.ohm_limit(build, monitor.warn)
    return {
        "iso_side": SIDES.index(monitor.side),
        "iso_measures": MEASURES.index(monitor.measures),
        "iso_warn_ohm": warn,
        "iso_warn_clear_ohm": math.ceil(round(warn * derived.WARN_CLEAR, 6)),
        "iso_fault_ohm": derived.ohm_limit(build, monitor.fault),
        "iso_settle_ms": _milli_up(monitor.settle),
        "iso_while_plugged": int(bool(monitor.active_while_plugged)),
    }


def _temperatures(build: BuildFile) -> Device:
    pack = build.limits.pack
    return {
        "pack_warm_dc": _dc(pack.warm),
        "pack_hot_dc": _dc(pack.hot),
        "pack_trip_dc": _dc(pack.trip),
        "pack_clear_dc": _dc(pack.warm),
        "pack_cold_dc": _dc(pack.cold),
        "pack_spread_dc": _dc(pack.spread),
        **_power_limits("inverter", build.limits.inverter),
        **_power_limits("motor", build.limits.motor),
    }


def _power_limits(place: str, limits: PowerLimits | None) -> Device:
    return {
        f"{place}_hot_dc": NEVER_DC if limits is None else _dc(limits.hot),
        f"{place}_trip_dc": NEVER_DC if limits is None else _dc(limits.trip),
    }


def _timing(build: BuildFile) -> Device:
    timing = build.timing
    return {
        "ramp_ms": _ms(timing.ramp),
        "ramp_fast_ms": _ms(timing.ramp_fast),
        "crawl_ms": _ms(timing.crawl),
        "crawl_permille": CRAWL_PERMILLE,
        "fallback_ms": _milli_up(timing.fallback),
        "coast_ms": _milli_up(timing.coast),
        "rise_permille_s": _milli_down(timing.limit_rise),
        "creep_ms": _milli_up(timing.creep),
        "hold_max_ms": _ms(timing.hold_max),
        "after_run_ms": _ms(timing.after_run),
    }


def _fitted(build: BuildFile) -> Device:
    lines = build.inputs
    return {
        "speed_fitted": int(build.motion is not None),
        "crash_fitted": int(lines.crash is not None),
        "plug_fitted": int(lines.plug == "fitted"),
        "charged_fitted": int(lines.charger_done == "fitted"),
        "coolant_fitted": int(lines.coolant_feedback == "fitted"),
        "coil_feedback_fitted": int(lines.coil_feedback == "fitted"),
        "lamp_feedback_fitted": int(lines.lamp_feedback == "fitted"),
        "hold_fitted": int(build.build.hold_relay),
    }


def _cooling(build: BuildFile) -> Device:
    cooling = build.cooling
    return {
        "cool_kind": COOLING_KINDS.index(cooling.kind),
        "cool_on_dc": _dc(cooling.on) if not isinstance(cooling, PassiveCooling) else NEVER_DC,
        "cool_full_dc": _dc(cooling.full) if not isinstance(cooling, PassiveCooling) else NEVER_DC,
        "chill_dc": _dc(cooling.chill) if isinstance(cooling, ChilledCooling) else NEVER_DC,
        "heat_dc": _heat_dc(cooling),
        "drive_cool_dc": _dc(cooling.drive_on) if not isinstance(cooling, PassiveCooling) else NEVER_DC,
    }


def _heat_dc(cooling: PassiveCooling | ActiveCooling | ChilledCooling | SharedCooling) -> int:
    """Below this the pack is warmed; -NEVER_DC where nothing can warm it."""
    if isinstance(cooling, ChilledCooling | SharedCooling) and cooling.heat_below is not None:
        return _dc(cooling.heat_below)
    return -NEVER_DC


def _channel(place: str, channel: VoltageChannel) -> Device:
    # Half the live zero is out of reach of a healthy channel and of a broken wire's drift alike.
    low = channel.zero_counts // 2 if channel.proof == "live_zero" else NEVER_COUNTS
    return {
        f"convert_{place}_zero_counts": channel.zero_counts,
        f"convert_{place}_full_counts": channel.full_counts,
        f"convert_{place}_full_mv": _milli(channel.full_scale),
        f"convert_{place}_low_counts": low,
        f"convert_{place}_high_counts": (channel.full_counts + sensor_curves.COUNTS_MAX) // 2,
    }


def _convert_voltages(build: BuildFile) -> Device:
    current, reference = build.current_sense, build.reference_sense
    values = {**_channel("pack", build.voltage_sense.pack), **_channel("bus", build.voltage_sense.bus)}
    values |= {
        "convert_current_zero_counts": 0 if current is None else current.zero_counts,
        "convert_current_full_counts": 1 if current is None else current.full_counts,
        "convert_current_full_ma": 0 if current is None else _milli(current.full_scale),
        # Rails: half way from the ends of the range to the ends of the converter.
        "convert_current_low_counts": 0 if current is None else (2 * current.zero_counts - current.full_counts) // 2,
        "convert_current_high_counts": 0 if current is None else (current.full_counts + sensor_curves.COUNTS_MAX) // 2,
        "convert_supply_full_counts": build.supply.full_counts,
        "convert_supply_full_mv": _milli(build.supply.full_scale),
        "convert_reference_full_mv": 0 if reference is None else _milli(reference.full_scale),
    }
    return values


def convert_zones(zones: Sequence[NtcZone | Pt1000Zone]) -> Device:
    """Tables of sixteenths of counts, one for each different sensor; a zone names where its table begins."""
    tables: list[list[int]] = []
    starts, lows, highs = [], [], []
    for zone in zones:
        table = sensor_curves.zone_table(zone)
        if table not in tables:
            tables.append(table)
        starts.append(tables.index(table) * sensor_curves.POINTS)
        low, high = sensor_curves.zone_rails(zone)
        lows.append(low)
        highs.append(high)
    return {
        "convert_zone_counts16": [counts for table in tables for counts in table],
        "convert_zone_start": starts,
        "convert_zone_points": sensor_curves.POINTS,
        "convert_zone_from_dc": _dc(sensor_curves.FROM_DEGC),
        "convert_zone_step_dc": _dc(sensor_curves.STEP_K),
        "convert_zone_low_counts": lows,
        "convert_zone_high_counts": highs,
    }


def _convert_lines(build: BuildFile) -> Device:
    motion, lines = build.motion, build.inputs
    limits = [_loop_counts(loop) for loop in build.loop]
    return {
        "convert_loop_sense": [LOOP_SENSES.index(loop.sense) for loop in build.loop],
        "convert_loop_ground_counts": [counts[0] for counts in limits],
        "convert_loop_closed_low_counts": [counts[1] for counts in limits],
        "convert_loop_closed_high_counts": [counts[2] for counts in limits],
        "convert_loop_supply_counts": [counts[3] for counts in limits],
        "convert_pulse_um": round(motion.per_pulse * 1e6) if isinstance(motion, PulseMotion) else 0,
        "convert_speed_max_mm_s": 0 if motion is None else _milli_up(motion.max_speed),
        "convert_stop_pulse_us": round(lines.stop_pulse * 1e6),
        "convert_crash_pulse_ms": 0 if lines.crash is None else _ms(lines.crash),
        "convert_limit_line": LIMIT_LINES.index(build.limit_line.kind),
    }


def _loop_counts(loop: LevelLoop | ToggledLoop | ResistorLoop) -> tuple[int, int, int, int]:
    """Ground, closed from, closed to, supply; for a loop that is no analogue one, numbers that decide nothing."""
    if isinstance(loop, ResistorLoop):
        return loop.ground_below, loop.closed_counts[0], loop.closed_counts[1], loop.supply_above
    return NEVER_COUNTS, 0, 0, sensor_curves.COUNTS_MAX


def _can(build: BuildFile) -> list[int]:
    """The first identifier sent, how many numbers the monitor's frame takes, those, the speed's; empty without CAN."""
    isolation, speed = can_signals.isolation_layout(build), can_signals.speed_layout(build)
    if build.can is None and not isolation and not speed:
        return []
    return [NO_ID if build.can is None else build.can.first_id, len(isolation), *isolation, *speed]


def _convert_isolation(build: BuildFile) -> Device:
    monitor = build.isolation
    fault_ohm = derived.ohm_limit(build, monitor.fault)
    values: Device = {
        "convert_iso_output": ISOLATION_OUTPUTS.index(monitor.output),
        # A good line says no more than "at or above the response value", a bad one no less than "anything below".
        "convert_iso_good_ohm": fault_ohm if isinstance(monitor, LineMonitor) else 0,
        "convert_iso_bad_ohm": 0,
        "convert_iso_points": [],
        "convert_iso_ohm": [],
        "convert_iso_fault_low": -1,
        "convert_iso_fault_high": -1,
        "convert_iso_stale_ms": 0,
    }
    if isinstance(monitor, LineMonitor | CanMonitor):
        return values
    steps = _steps(monitor)
    values["convert_iso_points"] = isolation_points(monitor)
    values["convert_iso_ohm"] = [round(ohm) for _, ohm in sorted(monitor.table)]
    band = monitor.fault_duty if isinstance(monitor, DutyMonitor) else monitor.fault_frequency
    if band is not None:
        values["convert_iso_fault_low"], values["convert_iso_fault_high"] = (round(x * steps) for x in band)
    values["convert_iso_stale_ms"] = _milli_up(MONITOR_PERIODS * monitor_period_s(monitor))
    return values


def _steps(monitor: DutyMonitor | FrequencyMonitor) -> int:
    return DUTY_STEPS if isinstance(monitor, DutyMonitor) else FREQUENCY_STEPS


def isolation_points(monitor: DutyMonitor | FrequencyMonitor) -> list[int]:
    """The inputs of a monitor's table as the board counts them, rising."""
    return [round(x * _steps(monitor)) for x, _ in sorted(monitor.table)]


def monitor_period_s(monitor: DutyMonitor | FrequencyMonitor) -> float:
    """The longest period of a healthy monitor's output."""
    if isinstance(monitor, DutyMonitor):
        return monitor.period
    lowest = min(x for x, _ in monitor.table)
    return 1 / (lowest if monitor.fault_frequency is None else min(lowest, *monitor.fault_frequency))
