"""What a build file comes to: the numbers a builder, an inspector or a mechanic asks for, and what nobody watches.

Decides nothing: levels and times come from derived.py. Returned as plain data for `--json`; review_page.py sets it as
text.
Units stand in the names; _s, _v, _a, _ohm, _j, _w are SI.
"""

from itertools import pairwise
from typing import Any

from loopwarden_build import can_signals, derived, precharge_path, rc, sensor_curves
from loopwarden_build.cross_checks import LEGAL_OHM_PER_V, LEGAL_OHM_PER_V_PROTECTED
from loopwarden_build.model import (
    BleedDischarge,
    BuildFile,
    DutyMonitor,
    FrequencyMonitor,
    InverterDischarge,
    LineMonitor,
    PassiveCooling,
    ResistorDischarge,
    VoltageChannel,
)
from loopwarden_build.units import show

Facts = dict[str, Any]

INLET_OHM = 1e6  # charging inlet to chassis (UN R100, 5.1.3.4)
HIGH_VOLTAGE_V, HIGHEST_VOLTAGE_V = 60, 1500  # UN R100, definitions: above 60 V and up to 1500 V DC
TOUCH_V = 50  # the older, lower mark that many instructions still print
CONVERTER_STEPS = (512, 1536, 2560, 3584)  # codes at which the RP2040's converter jumps (erratum E11)
CONVERTER_STEP_COUNTS = 16
# Recoverable capacity after a year at 40 % charge, by storage temperature (battery reference pages).
RECOVERABLE_PERCENT = {0: 98, 25: 96, 40: 85, 60: 75}

CAUTIONS = (
    "Bench and learning equipment: not certified, not for the public road on its own word.",
    "The hardware interlock, the emergency stop and the discharge must work without this board.",
    "Local codes, the parts' data sheets and a qualified person rule over every number here.",
    "Prove the bus dead with a rated tester, itself proved on a live source before and after.",
)
_LOOP_EFFECTS = {
    "hard": "this connector, opened at speed, cuts the drive",
    "watched": "opened at speed the drive winds down; the contactors open at standstill",
    "permit_drive": "withdrawn at speed the drive winds down; no start without it",
    "permit_charge": "withdrawn, charging ends; no charge without it",
}


def review(build: BuildFile, digest: str) -> Facts:
    """Return every fact of the review as plain data.

    digest  SHA-256 of the packed build, so that a printed page and a board can be told to belong together
    """
    return {
        "name": build.build.name,
        "digest": digest,
        "voltage": _voltage(build),
        "isolation": _isolation(build),
        "precharge": precharge_path.facts(derived.precharge_path(build)),
        "discharge": _discharge(build),
        "ratings": _ratings(build),
        "thresholds": _thresholds(build),
        "loops": [
            {"name": loop.name, "kind": loop.kind, "sense": loop.sense, "effect": _LOOP_EFFECTS[loop.kind]}
            for loop in build.loop
        ],
        "frames": _frames(build),
        "not_watched": not_watched(build),
        "converter_cautions": converter_cautions(build),
        "lay_up": _lay_up(build),
        "cautions": list(CAUTIONS),
        "card": _card(build),
    }


def _voltage(build: BuildFile) -> Facts:
    highest = build.pack.highest
    is_high = highest > HIGH_VOLTAGE_V
    return {
        "nominal_v": build.pack.nominal,
        "highest_v": highest,
        "is_high_voltage": is_high,
        "class": (
            f"high voltage: above {HIGH_VOLTAGE_V} V and up to {HIGHEST_VOLTAGE_V} V DC"
            if is_high
            else f"low voltage: {HIGH_VOLTAGE_V} V DC or less"
        )
        + f" ({HIGH_VOLTAGE_V} V itself is low voltage)",
        "short_circuit_a": highest / build.pack.resistance,
    }


def _isolation(build: BuildFile) -> Facts:
    monitor, volts = build.isolation, derived.working_v(build)
    legal = LEGAL_OHM_PER_V_PROTECTED if monitor.ac_protected else LEGAL_OHM_PER_V
    limits = [] if isinstance(monitor, LineMonitor) else [("warning", monitor.warn)]
    limits += [("fault", monitor.fault)]
    if not isinstance(monitor, LineMonitor):
        limits += [("fault while still settling", monitor.fault / 2)]
    warn_ohm = derived.ohm_limit(build, limits[0][1])
    legal_ohm = derived.ohm_limit(build, legal)
    return {
        "output": monitor.output,
        "measures": monitor.measures,
        "side": monitor.side,
        "working_v": volts,
        "limits": [
            {
                "name": name,
                "ohm_per_v": limit,
                "ohm": derived.ohm_limit(build, limit),
                "measures": monitor.measures,
            }
            for name, limit in limits
        ],
        "legal_minimum_ohm_per_v": legal,
        "legal_minimum_ohm": legal_ohm,
        "legal_measures": "the worse pole",
        "inlet_minimum_ohm": INLET_OHM if build.inputs.plug == "fitted" else None,
        "check_resistor_ohm": round((warn_ohm + legal_ohm) / 2),
        "trip_resistor_ohm": derived.ohm_limit(build, legal / 2),
    }


def _discharge(build: BuildFile) -> Facts:
    discharge, highest, dead = build.discharge, build.pack.highest, derived.dead_v(build)
    levels = {"dead": dead, "60_v": float(HIGH_VOLTAGE_V), "50_v": float(TOUCH_V)}
    active = not isinstance(discharge, BleedDischarge)
    facts: Facts = {
        "kind": discharge.kind,
        "dead_level_v": dead,
        "stop_level_v": derived.stop_v(build),
        "window_s": discharge.window,
        "bleed_ohm": build.bus.bleed,
        "bleed_s": {name: derived.bleed_s(build, level) for name, level in levels.items()},
        "bleed_w": highest**2 / build.bus.bleed,
        "active_s": {name: derived.discharge_s(build, level) for name, level in levels.items()} if active else None,
    }
    if not isinstance(discharge, BleedDischarge):
        facts |= {
            "resistance_ohm": discharge.resistance,
            "largest_ohm": rc.drain_ohm_max(derived.farad_max(build), highest, dead, discharge.window),
            "peak_w": highest**2 / discharge.resistance,
            "energy_j": rc.energy_j(build.bus.capacitance, highest),
            "emergency_j": derived.emergency_j(build),
            "budget_j": discharge.pulse_energy,
            "proof_s": derived.proof_s(build),
        }
    return facts


def _ratings(build: BuildFile) -> list[Facts]:
    pack, contactor = build.pack, build.contactor
    carried = {"drive": pack.drive_current, "charge": pack.charge_current, "none": None}
    most_a = max(pack.drive_current, pack.charge_current)
    rows = [
        _rating("main contactors", pack.highest, contactor.rated_voltage, most_a, contactor.rated_current),
        _rating("precharge resistor", pack.highest, build.precharge.rated_voltage, None, None),
    ]
    if isinstance(build.discharge, ResistorDischarge):
        rows.append(_rating("discharge resistor", pack.highest, build.discharge.rated_voltage, None, None))
    rows += [
        _rating(part.name, pack.highest, part.voltage, carried[part.carries], part.current) for part in build.ratings
    ]
    return rows


def _rating(part: str, needs_v: float, rated_v: float, needs_a: float | None, rated_a: float | None) -> Facts:
    return {
        "part": part,
        "needs_v": needs_v,
        "rated_v": rated_v,
        "margin_v_percent": round(100 * (rated_v / needs_v - 1)),
        "needs_a": needs_a,
        "rated_a": rated_a,
        "margin_a_percent": round(100 * (rated_a / needs_a - 1)) if rated_a and needs_a else None,
    }


def _frames(build: BuildFile) -> list[Facts]:
    """What is read from frames of a CAN bus."""
    return [
        {
            "reading": name,
            "message": reading.message.name,
            "identifier": reading.message.frame_id,
            "is_extended": reading.message.is_extended_frame,
            "length": reading.message.length,
            "signal": reading.value.name,
            "unit": reading.value.unit,
            "from": float(reading.low * reading.value.scale + reading.value.offset),
            "to": float(reading.high * reading.value.scale + reading.value.offset),
            "step": float(reading.value.scale),
            "counter": None if reading.counter is None else reading.counter.name,
            "lost_s": reading.stale_ms / 1000,
        }
        for name, reading in can_signals.readings(build)
    ]


def _unwatched_frames(build: BuildFile) -> list[str]:
    """What a reading that comes over a bus leaves open."""
    found = can_signals.readings(build)
    if not found:
        return []
    both = " and ".join(name for name, _ in found)
    texts = [
        f"who sends {both}: whoever can write on that CAN bus can forge such a reading, nothing here authenticates it",
        f"{both} on a board: this version has no driver for a CAN controller, so there such a reading is lost and "
        "every start is refused; it can be simulated",
    ]
    for name, reading in found:
        if reading.counter is None:
            texts.append(f"a sender of {name} that hangs and repeats its last frame: its frames have no counter")
        if not reading.has_range:
            texts.append(
                f"{name} that its sender does not have: the DBC file gives {reading.value.name} no minimum and "
                "maximum, so every number is taken for a reading"
            )
    return texts


def _thresholds(build: BuildFile) -> list[Facts]:
    pack, supply, limits, timing = build.pack, build.supply, build.limits, build.timing
    rows: list[tuple[str, float, str, str]] = [
        ("pack over voltage", pack.over, "V", "no charging, wind down"),
        ("charge end", pack.charge_end, "V", "charging ends"),
        ("pack low", pack.low, "V", "drive limit taken back"),
        ("pack under voltage", pack.under, "V", "wind down"),
        ("drive current", pack.drive_current, "A", "drive limit taken back"),
        ("charge current", pack.charge_current, "A", "charge limit taken back"),
        ("supply high", supply.high, "V", "no start, caution"),
        ("supply low", supply.low, "V", "no start, half drive"),
        ("supply failing", supply.failing, "V", "wind down, fast"),
        ("pack cold", limits.pack.cold, "degC", "no charging below"),
        ("pack warm", limits.pack.warm, "degC", "full cooling"),
        ("pack hot", limits.pack.hot, "degC", "less power"),
        ("pack over temperature", limits.pack.trip, "degC", "wind down"),
        ("pack zones apart", limits.pack.spread, "K", "caution"),
    ]
    for place, power in (("inverter", limits.inverter), ("motor", limits.motor)):
        if power is not None:
            rows += [
                (f"{place} hot", power.hot, "degC", "less drive"),
                (f"{place} over temperature", power.trip, "degC", "wind down"),
            ]
    rows += [
        ("wind-down ramp", timing.ramp, "s", "moving, to a tenth"),
        ("crawl", timing.crawl, "s", "at a tenth"),
        ("urgent ramp", timing.ramp_fast, "s", "moving, to zero"),
        ("fallback", timing.fallback, "s", "standing, where speed is unknown"),
        ("heartbeat hold", build.build.heartbeat_hold, "s", "coils let go after"),
    ]
    return [{"name": name, "value": value, "unit": unit, "effect": effect} for name, value, unit, effect in rows]


def not_watched(build: BuildFile) -> list[str]:
    """What no input of this build sees, one sentence each."""
    kinds = {loop.kind for loop in build.loop}
    lines, cooling, monitor = build.inputs, build.cooling, build.isolation
    pack_zones = [zone for zone in build.zone if zone.where == "pack"]
    texts: list[tuple[bool, str]] = [
        (
            not kinds & {"permit_drive", "permit_charge"},
            "single cells: no cell monitor has a say, one weak cell goes unseen",
        ),
        (
            "permit_charge" in kinds and "permit_drive" not in kinds,
            "single cells while driving: the cell monitor permits charging only",
        ),
        (
            "permit_drive" in kinds and "permit_charge" not in kinds,
            "single cells while charging: the cell monitor permits driving only",
        ),
        (build.motion is None, "speed: it counts as unknown, so opening waits for the fallback time"),
        (build.current_sense is None, "pack current: no over-current limit, opening under load goes unseen"),
        (
            build.contactor.feedback == "none",
            "contactor contacts: a weld shows only by what the bus does; without a proof a meter check is asked for",
        ),
        (
            build.contactor.feedback == "normally_open",
            "contactor contacts while open: a broken feedback wire looks the same, so they prove nothing",
        ),
        (lines.crash is None, "a crash: nothing but the loops and the stop button reacts to one"),
        (lines.plug == "none", "a charge plug: nothing keeps it from driving off while plugged in"),
        (
            lines.plug == "fitted" and lines.charger_done == "none",
            "the charger's own end: a charge ends by pack voltage alone",
        ),
        (build.reference_sense is None, "the converter itself: no known voltage tests it"),
        (build.pins.get("supply") == "GP29", "the coils' supply: the channel on the board sees the board's own only"),
        (not build.pins, "the wiring: there is no pin plan, so this build can be simulated and not installed"),
        (
            build.can is not None,
            "whoever goes by the frames that it is to send: this version has no driver for a CAN controller, so a "
            "board sends none, and anybody on the bus could forge them",
        ),
        (
            build.voltage_sense.pack.proof == "none",
            "the pack channel's wire: it has no live zero and reads broken as empty",
        ),
        (len(pack_zones) == 1, "the spread of the pack's zones, and the hottest place: it has one sensor"),
        (
            any(not zone.covered_by for zone in pack_zones),
            "pack zones without a second sensor: " + ", ".join(zone.name for zone in pack_zones if not zone.covered_by),
        ),
        (build.limits.inverter is None, "the inverter's temperature"),
        (build.limits.motor is None, "the motor's temperature"),
        (
            not isinstance(cooling, PassiveCooling) and lines.coolant_feedback == "none",
            "whether the coolant moves: a dead pump shows by heat alone",
        ),
        (lines.coil_feedback == "none", "the coil drivers"),
        (lines.lamp_feedback == "none", "the lamps: a dead lamp is seen at the lamp test only, by the driver"),
        (isinstance(monitor, LineMonitor), "isolation above the fault level: a good/bad line gives no early warning"),
        (
            monitor.side == "bus",
            "isolation of the pack side while the contactors are open",
        ),
        (
            monitor.side == "pack",
            "isolation of the bus side while the contactors are open",
        ),
        (monitor.active_while_plugged is False, "isolation while plugged in: this monitor is off then"),
        (
            build.limit_line.kind == "enable_only",
            "the limits: the inverter takes on or off only, so a partial limit is up to the driver",
        ),
        (
            isinstance(build.discharge, InverterDischarge),
            "the inverter's own discharge while moving: it is asked for at standstill only",
        ),
        (isinstance(build.discharge, BleedDischarge), "an active discharge: there is none, only the bleed"),
    ]
    return [text for applies, text in texts if applies] + _unwatched_frames(build)


def converter_cautions(build: BuildFile) -> list[str]:
    """What the RP2040's converter is not good enough for: thresholds at its jumps, errors stated too small."""
    pack, sense, supply = build.pack, build.voltage_sense, build.supply
    levels = [
        ("pack.over", _voltage_counts(sense.pack, pack.over)),
        ("pack.charge_end", _voltage_counts(sense.pack, pack.charge_end)),
        ("pack.low", _voltage_counts(sense.pack, pack.low)),
        ("pack.under", _voltage_counts(sense.pack, pack.under)),
        ("the dead level", _voltage_counts(sense.bus, derived.dead_v(build))),
        ("the level at which a discharge ends", _voltage_counts(sense.bus, derived.stop_v(build))),
    ]
    per_volt = supply.full_counts / supply.full_scale
    levels += [
        (f"supply.{key}", volts * per_volt)
        for key, volts in (("failing", supply.failing), ("low", supply.low), ("high", supply.high))
    ]
    trips = {"pack": build.limits.pack, "inverter": build.limits.inverter, "motor": build.limits.motor}
    for zone in build.zone:
        limits = trips[zone.where]
        if limits is not None:
            levels += [
                (f"{key} of {zone.name}", sensor_curves.zone_counts(zone, degc))
                for key, degc in (("hot", limits.hot), ("trip", limits.trip))
            ]
    found = [
        f"{name} lies at count {counts:.0f}, within {CONVERTER_STEP_COUNTS} of {step}, where the converter jumps"
        for name, counts in levels
        for step in CONVERTER_STEPS
        if abs(counts - step) <= CONVERTER_STEP_COUNTS
    ]
    for name, channel in (("pack", sense.pack), ("bus", sense.bus)):
        step_v = CONVERTER_STEP_COUNTS * channel.full_scale / (channel.full_counts - channel.zero_counts)
        if channel.error < step_v:
            found.append(
                f"voltage_sense.{name}.error is {show(channel.error, 'V')}, but the converter's jumps alone are "
                f"{show(step_v, 'V')}: calibrate, or state more"
            )
    return found + _coarse_isolation(build)


def _voltage_counts(channel: VoltageChannel, volts: float) -> float:
    return channel.zero_counts + (channel.full_counts - channel.zero_counts) * volts / channel.full_scale


def _coarse_isolation(build: BuildFile) -> list[str]:
    """A monitor's curve is bent, and the straight line between two far points reads high: the unsafe side."""
    monitor = build.isolation
    if not isinstance(monitor, DutyMonitor | FrequencyMonitor):
        return []
    ohms = sorted(ohm for _, ohm in monitor.table)
    found = []
    for name, per_v in (("fault", monitor.fault), ("warn", monitor.warn)):
        limit = per_v * derived.working_v(build)
        below, above = max(ohm for ohm in ohms if ohm <= limit), min(ohm for ohm in ohms if ohm >= limit)
        if above > 1.6 * max(below, 1.0):
            found.append(
                f"isolation.table has no point between {show(below, 'ohm')} and {show(above, 'ohm')}, where "
                f"isolation.{name} lies: the straight line between them reads high"
            )
    return found


def rest_v(build: BuildFile, charge: float) -> float:
    """Rest voltage of the pack at a charge (0 to 1), by the build's own table; its ends hold beyond them."""
    points = build.pack.charge_table
    if charge <= points[0][1]:
        return points[0][0]
    for (low_v, low), (high_v, high) in pairwise(points):
        if charge <= high:
            return low_v + (high_v - low_v) * (charge - low) / (high - low)
    return points[-1][0]


def _lay_up(build: BuildFile) -> Facts:
    return {
        "store_charge": derived.STORE_CHARGE,
        "store_rest_v": rest_v(build, derived.STORE_CHARGE),
        "store_degc": 15,
        "range_degc": [-25, 27],
        "refill_from": derived.REFILL_FROM,
        "refill_from_rest_v": rest_v(build, derived.REFILL_FROM),
        "refill_to": derived.REFILL_TO,
        "refill_to_rest_v": rest_v(build, derived.REFILL_TO),
        "refill_ah": (derived.REFILL_TO - derived.REFILL_FROM) * build.pack.capacity,
        "recoverable_percent_after_a_year": {str(degc): percent for degc, percent in RECOVERABLE_PERCENT.items()},
    }


def _card(build: BuildFile) -> Facts:
    discharge, dead = build.discharge, derived.dead_v(build)
    has = {
        "resistor": "a discharge resistor with its own contactor",
        "inverter": "the inverter's own discharge, at standstill only",
        "bleed": "NO active discharge, only a passive bleed",
    }[discharge.kind]
    glove = "class 00 (750 V DC)" if build.pack.highest <= 750 else "class 0 (1500 V DC)"
    return {
        "name": build.build.name,
        "highest_v": build.pack.highest,
        "is_high_voltage": build.pack.highest > HIGH_VOLTAGE_V,
        "disconnect": list(build.card.disconnect),
        "discharge": has,
        "dead_level_v": dead,
        "live_s": discharge.window if not isinstance(discharge, BleedDischarge) else derived.bleed_s(build, dead),
        "live_if_discharge_fails_s": derived.bleed_s(build, dead),
        "live_if_discharge_fails_60_v_s": derived.bleed_s(build, float(HIGH_VOLTAGE_V)),
        "board_stays_on_s": build.timing.hold_max if build.build.hold_relay else None,
        "gloves": glove if build.pack.highest > HIGH_VOLTAGE_V else None,
    }
