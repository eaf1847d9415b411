"""How the keys of a build file must fit together.

Decides whether a build whose every key is fine on its own may be used. Two kinds of findings: form (thresholds out of
order, names that do not exist: a slip of the pen) and rule (the described build itself is not good enough).
"""

import difflib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from loopwarden.policy.fault_table import NAME, SET_MS, TABLE
from loopwarden_build import can_signals, converter_steps, derived, pins, precharge_path, rc, sensor_curves
from loopwarden_build.integer_build import isolation_points, monitor_period_s
from loopwarden_build.model import (
    BleedDischarge,
    BuildFile,
    CanMonitor,
    DutyMonitor,
    FrequencyMonitor,
    LineMonitor,
    PassiveCooling,
    ResistorDischarge,
    ResistorLoop,
    VoltageChannel,
)
from loopwarden_build.units import show

LIVE_ZERO_COUNTS_MIN = 100  # half of it must stand clear of the converter's noise of 16 counts (board facts)
FALL_CHECK_S_MAX = 600.0  # nobody waits longer to learn whether a bus is falling or fed
LEGAL_OHM_PER_V, LEGAL_OHM_PER_V_PROTECTED = 500.0, 100.0  # UN R100 Rev 3, 5.1.3.2: DC and AC joined
PACK_TRIP_DEGC_MAX = 60.0  # Formula SAE 2026 EV.7.5.2: the lower of the cell's sheet and 60 degC, sensor error included

Path = Sequence[str | int]


@dataclass(frozen=True)
class Finding:
    """One thing that does not fit.

    path        the key to change, as in the parsed file
    text        what is allowed and why
    is_form     a slip of the pen, not a shortcoming of the build described
    """

    path: Path
    text: str
    is_form: bool = False


def findings(build: BuildFile) -> list[Finding]:
    """Return everything about `build` that does not fit, slips first; an empty list for a usable build."""
    slips = [*_orders(build), *_bands(build), *_tables_rise(build), *_names(build), *_presence(build), *_times(build)]
    slips += [finding for finding in _frames(build) if finding.is_form]
    # With thresholds in disorder the rules below would only echo it.
    return slips or [
        *_voltage_channels(build),
        *_other_channels(build),
        *_dead_level(build),
        *_precharge(build),
        *_discharge(build),
        *_ratings(build),
        *_isolation(build),
        *(finding for finding in _frames(build) if not finding.is_form),
        *_temperatures(build),
        *_board(build),
    ]


def _form(path: Path, text: str) -> Finding:
    return Finding(path, text, is_form=True)


# --- slips ---


def _orders(build: BuildFile) -> Iterator[Finding]:
    pack, supply, cooling = build.pack, build.supply, build.cooling
    yield from _rising(
        ("pack",),
        [("under", pack.under), ("lowest", pack.lowest), ("low", pack.low), ("nominal", pack.nominal)],
        "V",
        equal="lowest",
    )
    yield from _rising(
        ("pack",),
        [("nominal", pack.nominal), ("charge_end", pack.charge_end), ("highest", pack.highest), ("over", pack.over)],
        "V",
        equal="highest",
    )
    yield from _rising(
        ("supply",),
        [
            ("failing", supply.failing),
            ("low", supply.low),
            ("nominal", supply.nominal),
            ("high", supply.high),
            ("full_scale", supply.full_scale),
        ],
        "V",
    )
    limits = build.limits
    zones = limits.pack
    yield from _rising(
        ("limits", "pack"),
        [("cold", zones.cold), ("warm", zones.warm), ("hot", zones.hot), ("trip", zones.trip)],
        "degC",
    )
    for place, power in (("inverter", limits.inverter), ("motor", limits.motor)):
        if power is not None:
            yield from _rising(("limits", place), [("hot", power.hot), ("trip", power.trip)], "degC")
    if not isinstance(cooling, PassiveCooling):
        yield from _rising(("cooling",), [("on", cooling.on), ("full", cooling.full)], "degC")
    if not isinstance(build.isolation, LineMonitor):
        monitor = build.isolation
        yield from _rising(("isolation",), [("fault", monitor.fault), ("warn", monitor.warn)], "ohm/V")
    if build.timing.ramp_fast >= build.timing.ramp:
        yield _form(
            ("timing", "ramp_fast"), f"must be shorter than ramp ({show(build.timing.ramp, 's')}): it is the urgent one"
        )


def _rising(table: Path, keys: Sequence[tuple[str, float]], unit: str, equal: str = "") -> Iterator[Finding]:
    """Each key must be above the one before; `equal` names the one that may be as high as the one before."""
    for (below, low), (above, high) in pairwise(keys):
        if high < low or (high == low and above != equal):
            order = " < ".join(key for key, _ in keys).replace(f" < {equal} ", f" <= {equal} ")
            if equal and order.endswith(f" < {equal}"):
                order = order.replace(f" < {equal}", f" <= {equal}")
            yield _form((*table, above), f"must be above {below} ({show(low, unit)}); the order is {order}")


def _bands(build: BuildFile) -> Iterator[Finding]:
    for place, channel in (("pack", build.voltage_sense.pack), ("bus", build.voltage_sense.bus)):
        if channel.full_counts <= channel.zero_counts:
            yield _form(("voltage_sense", place, "full_counts"), f"must be above zero_counts ({channel.zero_counts})")
    current = build.current_sense
    if current is not None and not current.zero_counts < current.full_counts < 2 * current.zero_counts:
        yield _form(
            ("current_sense", "full_counts"),
            f"must be {current.zero_counts + 1} to {2 * current.zero_counts - 1}: above zero_counts, and no further "
            "than "
            "the same current backwards can be read",
        )
    if build.supply.full_counts < 1:
        yield _form(("supply", "full_counts"), "must be 1 to 4095")
    for number, loop in enumerate(build.loop):
        if isinstance(loop, ResistorLoop):
            bands = [0, loop.ground_below, *loop.closed_counts, loop.supply_above, 4095]
            if any(high <= low for low, high in pairwise(bands)):
                yield _form(
                    ("loop", number, "closed_counts"),
                    "the order is 0 < ground_below < closed_counts < supply_above < 4095, so that each state has "
                    "its band",
                )
    monitor = build.isolation
    band = (
        monitor.fault_duty
        if isinstance(monitor, DutyMonitor)
        else monitor.fault_frequency
        if isinstance(monitor, FrequencyMonitor)
        else None
    )
    if band is not None and isinstance(monitor, DutyMonitor | FrequencyMonitor):
        key = "fault_duty" if isinstance(monitor, DutyMonitor) else "fault_frequency"
        if band[0] > band[1]:
            yield _form(("isolation", key), "the lowest comes first")
        elif any(band[0] <= x <= band[1] for x, _ in monitor.table):
            yield _form(("isolation", key), "must not hold a point of the table: the same output would mean two things")


def _tables_rise(build: BuildFile) -> Iterator[Finding]:
    points = build.pack.charge_table
    if any(v1 <= v0 or c1 <= c0 for (v0, c0), (v1, c1) in pairwise(points)):
        yield _form(("pack", "charge_table"), "voltage and charge must rise from point to point")
    if isinstance(build.isolation, DutyMonitor | FrequencyMonitor):
        table = build.isolation.table
        ohms = [ohm for _, ohm in sorted(table)]
        if any(high <= low for low, high in pairwise(isolation_points(build.isolation))):
            yield _form(("isolation", "table"), "no two points may be closer than 0.01 % of duty or 0.01 Hz")
        elif not (all(b > a for a, b in pairwise(ohms)) or all(b < a for a, b in pairwise(ohms))):
            yield _form(("isolation", "table"), "the resistance must rise all the way or fall all the way")


def _names(build: BuildFile) -> Iterator[Finding]:
    for key, parts in (("loop", build.loop), ("zone", build.zone)):
        seen: set[str] = set()
        for number, part in enumerate(parts):
            if part.name in seen:
                yield _form((key, number, "name"), "is taken: every fault names its place, so each needs its own name")
            seen.add(part.name)
    by_name = {zone.name: zone for zone in build.zone}
    for number, zone in enumerate(build.zone):
        for name in zone.covered_by:
            path = ("zone", number, "covered_by")
            if name == zone.name:
                yield _form(path, "a zone cannot stand in for itself")
            elif name not in by_name:
                yield _form(path, f'there is no zone "{name}"{_near(name, list(by_name))}')
            elif by_name[name].where != zone.where:
                yield _form(path, f'"{name}" is a zone of the {by_name[name].where}, not of the {zone.where}')
    adjustable = {str(row[NAME]) for row in TABLE if row[SET_MS]}
    known = [str(row[NAME]) for row in TABLE]
    tick_ms = build.build.tick * 1000
    for name, time_s in build.debounce.items():
        if name not in known:
            yield _form(("debounce", name), f"is not a fault's name{_near(name, known)}")
        elif name not in adjustable:
            yield _form(
                ("debounce", name), "has no set time to change: it is judged at once or by a sequence of its own"
            )
        elif not _is_whole(time_s * 1000 / tick_ms):
            yield _form(("debounce", name), f"must be whole ticks of {show(build.build.tick, 's')}")


def _frames(build: BuildFile) -> Iterator[Finding]:
    for path, text, is_form in can_signals.findings(build):
        yield Finding(path, text, is_form)


def _near(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f'; did you mean "{near[0]}"?' if near else ""


def _presence(build: BuildFile) -> Iterator[Finding]:
    places = {zone.where for zone in build.zone}
    if "pack" not in places:
        yield _form(("zone",), "one zone at least must be in the pack")
    for place, limits in (("inverter", build.limits.inverter), ("motor", build.limits.motor)):
        if place in places and limits is None:
            yield _form(("limits", place), f"there is a zone in the {place}, so it needs its limits")
        if place not in places and limits is not None:
            yield _form(("limits", place), f'there is no zone in the {place}; write "none"')
    lines, board = build.inputs, build.build
    plugged = build.isolation.active_while_plugged
    if lines.plug == "fitted" and plugged is None:
        yield _form(
            ("isolation", "active_while_plugged"),
            "is missing: with a charge plug two monitors may disturb each other, so say true or false",
        )
    if lines.plug == "none" and plugged is not None:
        yield _form(("isolation", "active_while_plugged"), "there is no charge plug; leave it out")
    if lines.plug == "none" and lines.charger_done == "fitted":
        yield _form(("inputs", "charger_done"), 'there is no charge plug; write "none"')
    if board.hold_relay and board.supply_through_key is not None:
        yield _form(("build", "supply_through_key"), "only counts without a hold relay; leave it out")
    if not board.hold_relay and board.supply_through_key is None:
        yield _form(("build", "supply_through_key"), "is missing: without a hold relay it must be stated (false)")
    discharge = build.discharge
    if isinstance(discharge, ResistorDischarge):
        if discharge.normally_closed and discharge.release_delay is None:
            # A rule, not a slip, but the key is there to be filled.
            yield _form(
                ("discharge", "release_delay"),
                "a normally closed contact needs a hardware delay, or it closes while a main is still opening (S6)",
            )
        if not discharge.normally_closed and discharge.release_delay is not None:
            yield _form(("discharge", "release_delay"), 'only a normally closed contact has one; write "none"')
    if isinstance(build.cooling, PassiveCooling) and lines.coolant_feedback == "fitted":
        yield _form(("inputs", "coolant_feedback"), 'passive cooling moves no coolant; write "none"')


def _times(build: BuildFile) -> Iterator[Finding]:
    if not _is_whole(build.build.tick * 1000):
        yield _form(("build", "tick"), "must be whole milliseconds")
    if build.build.heartbeat_hold <= build.build.tick:
        yield _form(
            ("build", "heartbeat_hold"),
            f"must be longer than a tick ({show(build.build.tick, 's')}), or the coils drop out between two heartbeats",
        )
    for key, time_s in (("close_time", build.contactor.close_time), ("release_time", build.contactor.release_time)):
        if not _is_whole(time_s * 1000):
            yield _form(("contactor", key), "must be whole milliseconds")


def _is_whole(number: float) -> bool:
    return abs(number - round(number)) < 1e-6


# --- rules ---


def _voltage_channels(build: BuildFile) -> Iterator[Finding]:
    sense, pack = build.voltage_sense, build.pack
    if sense.bus.proof == "none":
        yield Finding(
            ("voltage_sense", "bus", "proof"),
            'must be "live_zero": a bus channel that cannot prove itself reads a broken wire as a dead bus',
        )
    for place, channel in (("pack", sense.pack), ("bus", sense.bus)):
        yield from _voltage_channel(place, channel, derived.PLAUSIBLE_HIGH * pack.highest)
    if pack.over >= derived.PLAUSIBLE_HIGH * pack.highest:
        yield Finding(
            ("pack", "over"),
            f"must be below {show(derived.PLAUSIBLE_HIGH * pack.highest, 'V')}, 1.1 times pack.highest: from there "
            "on a "
            "reading is implausible, not too high",
        )
    if pack.under <= derived.PLAUSIBLE_LOW * pack.lowest:
        yield Finding(
            ("pack", "under"),
            f"must be above {show(derived.PLAUSIBLE_LOW * pack.lowest, 'V')}, half of pack.lowest: from there down a "
            "reading is implausible, not too low",
        )


def _voltage_channel(place: str, channel: VoltageChannel, needed_v: float) -> Iterator[Finding]:
    path = ("voltage_sense", place)
    if channel.full_scale < needed_v:
        yield Finding(
            (*path, "full_scale"),
            f"must be {show(needed_v, 'V')} or more, 1.1 times pack.highest, so that a voltage too high is still read",
        )
    if channel.proof == "live_zero" and channel.zero_counts < LIVE_ZERO_COUNTS_MIN:
        yield Finding(
            (*path, "zero_counts"),
            f"must be {LIVE_ZERO_COUNTS_MIN} or more for a live zero: a broken wire reads near 0, give or take 16 "
            "counts",
        )
    per_count_v = channel.full_scale / (channel.full_counts - channel.zero_counts)
    if channel.error < per_count_v:
        yield Finding((*path, "error"), f"must be {show(per_count_v, 'V')} or more: that is one converter count")
    if channel.full_counts > sensor_curves.COUNTS_MAX - 32:
        yield Finding(
            (*path, "full_counts"), "must be 4063 or less, so that full scale can be told from the upper rail"
        )


def _other_channels(build: BuildFile) -> Iterator[Finding]:
    current, reference, pack = build.current_sense, build.reference_sense, build.pack
    if current is not None:
        most_a = max(pack.drive_current, pack.charge_current)
        if current.full_scale < 1.1 * most_a:
            yield Finding(
                ("current_sense", "full_scale"),
                f"must be {show(1.1 * most_a, 'A')} or more, 1.1 times the pack's limits, so that too much is still "
                "read",
            )
        if current.threshold <= current.error:
            yield Finding(
                ("current_sense", "threshold"),
                f"must be above the sensor's error ({show(current.error, 'A')}), or no current is never seen",
            )
        if 2 * current.zero_counts - current.full_counts < 32 or current.full_counts > sensor_curves.COUNTS_MAX - 32:
            yield Finding(
                ("current_sense", "full_counts"), "leaves less than 32 counts to a rail, which must stay recognisable"
            )
    if reference is not None and reference.volts >= 0.95 * reference.full_scale:
        yield Finding(
            ("reference_sense", "volts"),
            f"must be below {show(0.95 * reference.full_scale, 'V')}, or a converter stuck at its rail would pass",
        )


def _dead_level(build: BuildFile) -> Iterator[Finding]:
    error, lowest = build.voltage_sense.bus.error, build.pack.lowest
    dead = derived.dead_v(build)
    path = ("voltage_sense", "bus", "error")
    if dead <= 3 * error:
        allowed = min(derived.DEAD_V_MAX, derived.DEAD_PART * lowest) / 4
        yield Finding(
            path,
            f"must be below {show(allowed, 'V')}: the dead level, min(60 V, 20 % of pack.lowest) less this error, must "
            "stand out of it threefold",
        )
    elif derived.stop_v(build) <= error:
        yield Finding(path, f"must be below the level at which a discharge ends ({show(derived.stop_v(build), 'V')})")
    elif derived.fall_check_s(build) > FALL_CHECK_S_MAX:
        yield Finding(
            ("bus", "bleed"),
            f"at the dead level it would take {show(derived.fall_check_s(build), 's')} to tell a falling bus from a "
            "live "
            f"one, allowed are {show(FALL_CHECK_S_MAX, 's')}: lower the bleed, the capacitance or the bus channel's "
            "error",
        )


def _precharge(build: BuildFile) -> Iterator[Finding]:
    precharge, bus, pack = build.precharge, build.bus, build.pack
    rc_s, tick_s = derived.precharge_rc_s(build), build.build.tick
    path = ("precharge", "resistance")
    if rc_s < precharge_path.RC_TICKS_MIN * tick_s - 1e-9:
        yield Finding(
            path,
            f"must be {show(precharge_path.RC_TICKS_MIN * tick_s / bus.capacitance, 'ohm')} or more with "
            f"{show(bus.capacitance, 'F')}: R*C "
            "of less than two ticks cannot be told from a short",
        )
    if rc_s > precharge_path.RC_S_MAX:
        yield Finding(
            path,
            f"must be {show(precharge_path.RC_S_MAX / bus.capacitance, 'ohm')} or less: R*C may last a minute at most",
        )
    end = rc.rise_end(precharge.resistance * (1 + precharge.tolerance), bus.bleed)
    window_s = precharge_path.WINDOW_HIGH * derived.precharge_s(build)
    slowest_s, fastest_s = derived.precharge_slowest_s(build), derived.precharge_fastest_s(build)
    if math.isinf(slowest_s):
        yield Finding(
            ("precharge", "fraction"),
            f"is never reached: the bleed of {show(bus.bleed, 'ohm')} holds the bus at {show(end, 'fraction')}",
        )
    elif slowest_s > window_s:
        yield Finding(
            ("precharge", "tolerance"),
            f"the slowest parts reach the fraction after {show(slowest_s, 's')}, the window ends at "
            f"{show(window_s, 's')} "
            "(1.5 times nominal): closer tolerances, or a bleed that draws less",
        )
    if fastest_s < precharge_path.WINDOW_LOW * derived.precharge_s(build):
        yield Finding(
            ("precharge", "tolerance"),
            f"the fastest parts reach the fraction after {show(fastest_s, 's')}, before the window opens (half of "
            "nominal)",
        )
    if build.contactor.close_time >= precharge_path.SETTLE_RC * rc_s:
        yield Finding(
            ("contactor", "close_time"),
            f"must be shorter than the whole precharge ({show(precharge_path.SETTLE_RC * rc_s, 's')})",
        )
    reserve_j = derived.start_reserve_j(build)
    if precharge.pulse_energy < reserve_j:
        yield Finding(
            ("precharge", "pulse_energy"),
            f"must be {show(reserve_j, 'J')} or more: so much one start from {show(pack.highest, 'V')} may take, or a "
            "short on the bus until it is noticed (S12)",
        )
    if precharge.pulse_energy / precharge.cooling_time > precharge.continuous:
        yield Finding(
            ("precharge", "cooling_time"),
            f"must be {show(precharge.pulse_energy / precharge.continuous, 's')} or more: faster cooling would shed "
            "more "
            f"than the {show(precharge.continuous, 'W')} that it stands for ever",
        )


def _discharge(build: BuildFile) -> Iterator[Finding]:
    discharge, timing = build.discharge, build.timing
    dead = derived.dead_v(build)
    if dead <= 0:
        return  # _dead_level says why
    needed_s = derived.discharge_s(build, dead)
    if needed_s > discharge.window:
        key = ("discharge", "window") if isinstance(discharge, BleedDischarge) else ("discharge", "resistance")
        part = f" ({show(derived.drain_ohm_max(build), 'ohm')} at most)"
        ohm = rc.drain_ohm_max(derived.farad_max(build), build.pack.highest, dead, discharge.window)
        cure = (
            ""
            if isinstance(discharge, BleedDischarge)
            else f"; {show(ohm, 'ohm')} or less, tolerance included, would do"
        )
        yield Finding(
            key,
            f"from {show(build.pack.highest, 'V')} the dead level of {show(dead, 'V')} is reached after "
            f"{show(needed_s, 's')}{part}, the window ends at {show(discharge.window, 's')}{cure}",
        )
    if build.contactor.release_time >= discharge.window:
        yield Finding(("contactor", "release_time"), "must be shorter than the discharge window")
    if derived.proof_s(build) > timing.proof_max:
        yield Finding(
            ("timing", "proof_max"),
            f"must be {show(derived.proof_s(build), 's')} or more: so long the bus needs to fall far enough to "
            "prove the "
            "positive main open",
        )
    if isinstance(discharge, BleedDischarge):
        return
    if discharge.pulse_energy < derived.emergency_j(build):
        yield Finding(
            ("discharge", "pulse_energy"),
            f"must be {show(derived.emergency_j(build), 'J')} or more: one proof pulse and one emergency discharge "
            "from "
            f"{show(build.pack.highest, 'V')} (S12)",
        )
    delay_s = discharge.release_delay if isinstance(discharge, ResistorDischarge) else None
    if delay_s is not None and delay_s < build.contactor.release_time:
        yield Finding(
            ("discharge", "release_delay"),
            f"must be {show(build.contactor.release_time, 's')} or more, the mains' release time (S6)",
        )


def _ratings(build: BuildFile) -> Iterator[Finding]:
    pack, contactor, discharge = build.pack, build.contactor, build.discharge
    most_a = max(pack.drive_current, pack.charge_current)
    rated: list[tuple[Path, float]] = [
        (("contactor", "rated_voltage"), contactor.rated_voltage),
        (("precharge", "rated_voltage"), build.precharge.rated_voltage),
    ]
    if isinstance(discharge, ResistorDischarge):
        rated.append((("discharge", "rated_voltage"), discharge.rated_voltage))
    rated += [(("ratings", number, "voltage"), part.voltage) for number, part in enumerate(build.ratings)]
    for path, volts in rated:
        if volts < pack.highest:
            yield Finding(path, f"must be {show(pack.highest, 'V')} or more, the highest working voltage")
    if contactor.rated_current < most_a:
        yield Finding(
            ("contactor", "rated_current"), f"must be {show(most_a, 'A')} or more, the pack's highest current"
        )
    for number, part in enumerate(build.ratings):
        carried = {"drive": pack.drive_current, "charge": pack.charge_current, "none": 0.0}[part.carries]
        if part.current is not None and part.current < carried:
            yield Finding(
                ("ratings", number, "current"), f"must be {show(carried, 'A')} or more, the {part.carries} current"
            )
        if part.current is None and part.carries != "none":
            yield Finding(("ratings", number, "current"), "must be given for a part that carries current")


def _isolation(build: BuildFile) -> Iterator[Finding]:
    monitor = build.isolation
    legal = LEGAL_OHM_PER_V_PROTECTED if monitor.ac_protected else LEGAL_OHM_PER_V
    side = "protected" if monitor.ac_protected else "unprotected"
    law = f"the legal minimum of {legal:.0f} ohm/V (UN R100, {side} AC side)"
    if isinstance(monitor, LineMonitor):
        # Its one level is the only warning there is, and a warning must come before the minimum is reached.
        if monitor.fault <= legal:
            yield Finding(
                ("isolation", "fault"), f"must be above {law}: without a warning level it is the only warning"
            )
        return
    if monitor.fault < legal:
        yield Finding(("isolation", "fault"), f"must not be below {law}")
    if monitor.warn <= legal:
        yield Finding(("isolation", "warn"), f"must be above {law}: the warning has to come before it is reached")
    if isinstance(monitor, CanMonitor):
        return  # what its signal can say is looked at by can_signals.py
    ohms = [ohm for _, ohm in monitor.table]
    volts = derived.working_v(build)
    for key, limit in (("fault", monitor.fault), ("warn", 1.1 * monitor.warn)):
        if not min(ohms) <= limit * volts / (2 if key == "fault" else 1) <= max(ohms):
            yield Finding(
                ("isolation", "table"),
                f"must reach from {show(monitor.fault * volts / 2, 'ohm')} (half of fault) to "
                f"{show(1.1 * monitor.warn * volts, 'ohm')} (warn and a tenth) at {volts} V, or a limit is out of "
                "sight",
            )
            break
    if monitor_period_s(monitor) > 2:
        yield Finding(
            ("isolation", "table"), "the slowest output must have a period of 2 s or less, or it reads as lost"
        )


def _temperatures(build: BuildFile) -> Iterator[Finding]:
    limits, cooling = build.limits, build.cooling
    pack = limits.pack
    highest = min(pack.cell_max, PACK_TRIP_DEGC_MAX) - pack.sensor_error
    if pack.trip > highest:
        yield Finding(
            ("limits", "pack", "trip"),
            f"must be {show(highest, 'degC')} or less: the lower of cell_max and 60 degC, less the sensor's error",
        )
    if not isinstance(cooling, PassiveCooling) and cooling.full > pack.warm:
        yield Finding(
            ("cooling", "full"), f"must be {show(pack.warm, 'degC')} or less: from limits.pack.warm on cooling is full"
        )
    trips = {
        "pack": pack.trip,
        "inverter": limits.inverter.trip if limits.inverter else 0.0,
        "motor": limits.motor.trip if limits.motor else 0.0,
    }
    for number, zone in enumerate(build.zone):
        if trips[zone.where] + 10 > sensor_curves.FROM_DEGC + sensor_curves.STEP_K * (sensor_curves.POINTS - 1):
            yield Finding(
                ("limits", zone.where, "trip"), "must be 140 degC or less: the sensors' tables end at 150 degC"
            )
        table = sensor_curves.zone_table(zone)
        if len(set(table)) < len(table):
            yield Finding(
                ("zone", number, "pull_up"),
                "is so far from the sensor's resistance that whole stretches of temperature give the same counts",
            )
        for degc in (pack.cold if zone.where == "pack" else 25.0, trips[zone.where]):
            if sensor_curves.degc_per_count(zone, degc) > 1:
                yield Finding(
                    ("zone", number, "pull_up"),
                    f"at {show(degc, 'degC')} one converter count is worth "
                    f"{show(sensor_curves.degc_per_count(zone, degc), 'K')}, allowed is 1 K: choose it nearer to the "
                    "sensor's resistance there",
                )


def _board(build: BuildFile) -> Iterator[Finding]:
    if build.build.supply_through_key:
        yield Finding(
            ("build", "supply_through_key"),
            "must be false: key off would take the board's supply before the bus is proven dead",
        )
    for number, loop in enumerate(build.loop):
        if loop.kind == "hard" and loop.sense != "level":
            yield Finding(
                ("loop", number, "sense"), 'must be "level": a hard loop carries the coil supply and cannot be tested'
            )
    for misfit in pins.misfits(build):
        yield Finding(("pins", misfit.signal) if misfit.signal else ("pins",), misfit.text)
    for threshold, step in converter_steps.on_a_step(build):
        yield Finding(
            ("pins", threshold.signal),
            f"{threshold.name} lies at {threshold.counts:.0f} counts, within {converter_steps.MARGIN_COUNTS} of "
            f"{step}, where the {build.build.chip.upper()}'s own converter has a step: move the threshold, scale the "
            "channel otherwise, or put it on an external converter",
        )
