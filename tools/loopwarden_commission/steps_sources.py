"""With a low-voltage source: both voltage channels read it, and the discharge brings the bus down in time."""

import math

from loopwarden_build.derived import dead_v, drain_ohm, drain_ohm_max, farad_max
from loopwarden_build.model import BleedDischarge, BuildFile, ResistorDischarge
from loopwarden_commission.steps_coils import run_coil
from loopwarden_commission.trial import NotSeen, Trial, Wrong

_SOURCE_V_MAX = 48.0  # a usual bench source; what counts as high voltage begins at 60 V (UN R100)
_PART = 0.8  # of the dead level: above it the board would take the bus for live, and lock
_TELLING = 0.7  # the most that may be left of a good discharge must be surely less than what was there
_BLEED_PART = 0.7  # of its voltage, down to which a bus is watched that only bleeds


def source_v(build: BuildFile) -> int:
    """Whole volts of the bench source: below the dead level of this build."""
    return math.floor(min(_SOURCE_V_MAX, _PART * dead_v(build)))


def channel(t: Trial, name: str) -> None:
    """One channel against the person's meter, source on; name "bus" or "pack"."""
    volts = source_v(t.build)
    error = getattr(t.build.voltage_sense, name).error
    t.service_switch("RUN")
    t.person.do(
        f"Bench source, {volts} V, current limit 100 mA, to the {name} terminals, plus to plus. It stays below the dead"
        f" level of {dead_v(t.build):.0f} V; nothing else is connected there."
    )
    source_on(t, name)
    meter_v = t.person.number(f"Your meter across the {name} terminals", "V", 0, 60)
    read_v = t.value(name) / 1000
    t.note("meter", meter_v, "V", by="person")
    hint = "look at the divider's resistors, the build's counts and scale, and the wires"
    t.hold(f"{name} channel", read_v, "V", meter_v - error, meter_v + error, hint)
    t.notes.append(
        f"Tried at {volts} V only; at pack voltage pack and bus are held against each other in the first start."
    )


def source_on(t: Trial, name: str) -> None:
    """Wait until the source is seen at the bus or at the pack terminals: half of its voltage is no other thing."""
    volts = source_v(t.build)
    t.wait(
        f"{name} at about {volts} V",
        lambda seen: True if (seen.values.get(name) or 0) >= 500 * volts else None,
        show=lambda seen: _volts(seen.values.get(name)),
    )


def source_off(t: Trial, name: str) -> None:
    """Wait until it is seen to be gone."""
    volts = source_v(t.build)
    t.wait(
        f"{name} without the source",
        lambda seen: True if (mv := seen.values.get(name)) is not None and mv < 500 * volts else None,
        show=lambda seen: _volts(seen.values.get(name)),
    )


def _volts(mv: int | None) -> str:
    return "no valid reading" if mv is None else f"{mv / 1000:.1f} V"


def discharge(t: Trial) -> None:
    """Source taken away, the bus falls as this build's must."""
    discharge_ = t.build.discharge
    volts = source_v(t.build)
    if isinstance(discharge_, ResistorDischarge):
        t.service_switch("TEST")
    t.person.do(f"Bench source, {volts} V, current limit 100 mA, to the bus terminals.")
    source_on(t, "bus")
    level_mv = t.value("bus")
    t.person.do("Take the bench source off the bus terminals.")
    t.wait(
        "bus falling",
        lambda seen: True if (seen.values.get("bus") or 0) < level_mv - max(0.03 * level_mv, _noise_mv(t)) else None,
        show=lambda seen: _volts(seen.values.get("bus")),
    )
    if isinstance(discharge_, ResistorDischarge):
        _by_coil(t)
    else:
        _by_bleed(t)


def _noise_mv(t: Trial) -> float:
    # Some counts of its converter.
    sense = t.build.voltage_sense.bus
    return 3000 * sense.full_scale / (sense.full_counts - sense.zero_counts)


def _by_coil(t: Trial) -> None:
    """V = V0*exp(-t/(R*C)), with both parts at either end of their tolerance."""
    seen = run_coil(t, "discharge").seen
    if seen["bus_begin_mv"] is None or seen["bus_end_mv"] is None:
        raise Wrong("the bus channel had no valid reading: look at its wires")
    build, error = t.build, t.build.voltage_sense.bus.error
    begin_v, end_v, on_s = seen["bus_begin_mv"] / 1000, seen["bus_end_mv"] / 1000, seen["on_ms"] / 1000
    late_s = build.contactor.close_time + 2 * seen["tick_ms"] / 1000
    slow_v = begin_v * math.exp(-(on_s - late_s) / (drain_ohm_max(build) * farad_max(build)))
    assert isinstance(build.discharge, ResistorDischarge)
    ohm_min = drain_ohm(build) * (1 - build.discharge.tolerance)
    farad_min = build.bus.capacitance * (1 - build.bus.capacitance_tolerance)
    fast_v = begin_v * math.exp(-on_s / (ohm_min * farad_min))
    t.note("bus when the coil closed", begin_v, "V")
    if slow_v + error > _TELLING * begin_v:
        raise NotSeen(f"too little voltage was left ({begin_v:.1f} V) to tell a discharge from none: be quicker")
    hint = "look at the discharge contactor and its resistor; a bus capacitance that is not the build's does it as well"
    t.hold(f"bus after {on_s:.2f} s", end_v, "V", fast_v - error, slow_v + error, hint)


def _by_bleed(t: Trial) -> None:
    """Without a coil of its own: the bleed alone, timed by the board's clock."""
    build = t.build
    begin_v, begin_ms = t.value("bus") / 1000, t.board.status()["clock_ms"]
    nominal_s = build.bus.bleed * build.bus.capacitance * math.log(1 / _BLEED_PART)
    t.wait(
        f"bus at {_BLEED_PART * begin_v:.1f} V, in about {nominal_s:.0f} s by the bleed alone",
        lambda seen: True if (seen.values.get("bus") or 0) <= 1000 * _BLEED_PART * begin_v else None,
        seconds=max(3 * nominal_s, t.pace.settle_s),
        show=lambda seen: _volts(seen.values.get("bus")),
    )
    took_s = (t.board.status()["clock_ms"] - begin_ms) / 1000
    spread = build.bus.capacitance_tolerance + 0.15  # the bleed's own tolerance, and the channel's error: guess
    t.hold("time to fall by 30 %", took_s, "s", nominal_s * (1 - spread), nominal_s * (1 + spread), "look at the bleed")
    if not isinstance(build.discharge, BleedDischarge):
        t.notes.append("The inverter's own discharge is asked for only after a drive: the first start shows it.")
