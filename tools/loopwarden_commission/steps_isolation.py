"""Isolation: a known resistor, the person's meter beside the monitor, and the monitor's own reading seen to move."""

import math
import time

from loopwarden_build.model import LineMonitor
from loopwarden_commission import predict
from loopwarden_commission.board import Inputs
from loopwarden_commission.steps_sources import source_off, source_on, source_v
from loopwarden_commission.trial import NotSeen, Trial

_SPREAD = 0.25  # guess: what a monitor's reading may be off, by its usual data sheet and the resistor's tolerance
_STILL = 0.02  # a reading that moves by less stands still
_BACK = 0.7  # of its reading before, once the resistor is gone
_METER_V_MIN = 0.5  # below it a meter's last digits decide


def isolation(t: Trial) -> None:
    """The meter method with a bench source, then the monitor against the same resistor."""
    pole = _by_meter(t)
    limit = predict.fault_ohm(t.build)
    if isinstance(t.build.isolation, LineMonitor):
        _line(t, pole, limit)
    else:
        _reading(t, pole, limit)
    t.person.do("Take the bench source off again; the resistor is off.")
    source_off(t, t.build.isolation.side)


def _by_meter(t: Trial) -> str:
    """The pole that the resistor went to."""
    build, person, volts = t.build, t.person, source_v(t.build)
    side = build.isolation.side
    known = predict.bad_ohm(build)
    t.service_switch("RUN")
    person.do(
        f"Bench source, {volts} V, current limit 100 mA, to the {side} terminals: the monitor is on the {side} side."
        f" Have a resistor of {_ohms(known)} at hand. Switch the monitor off or unplug its measuring leads while you"
        " measure, where its maker asks for it: its own resistance counts in the meter."
    )
    source_on(t, side)
    known = person.number("The resistor by your ohmmeter", "ohm", 0.5 * known, 1.5 * known)
    meter = person.number("Input resistance of your voltmeter (usually 10e6)", "ohm", 1e5, 1e12)
    vb = person.number(f"Voltage pole to pole at the {side} terminals", "V", 1, 60)
    negative = person.number("Voltage from the negative pole to chassis, its amount", "V", 0, 60)
    positive = person.number("Voltage from the positive pole to chassis, its amount", "V", 0, 60)
    pole, v1 = ("negative", negative) if negative >= positive else ("positive", positive)
    if v1 < _METER_V_MIN:
        raise NotSeen(f"neither pole has {_METER_V_MIN:g} V to chassis: is the meter on chassis, is the source on?")
    person.do(f"Put the resistor from the {pole} pole to chassis, at the {side} terminals.")
    v1_with = person.number(f"Voltage from the {pole} pole to chassis now, its amount", "V", 0, 60)
    for what, value, unit in (
        ("resistor", known, "ohm"),
        ("meter's input resistance", meter, "ohm"),
        ("pole to pole", vb, "V"),
        ("negative pole to chassis", negative, "V"),
        ("positive pole to chassis", positive, "V"),
        (f"{pole} pole to chassis with the resistor", v1_with, "V"),
    ):
        t.note(what, value, unit, by="person")
    try:
        parallel = predict.parallel_ohm(v1, v1_with, known, meter)
    except ValueError as error:
        raise NotSeen(f"{error}: measure once more, at the same pole") from None
    worse = predict.worse_pole_ohm(parallel, vb, v1)
    found = parallel if build.isolation.measures == "both poles in parallel" else worse
    hint = "look for moisture, chafed cables, a filter or a charger that is connected"
    what = f"isolation by the meter method, {build.isolation.measures}"
    t.hold(what, min(found, 1e12), "ohm", predict.fault_ohm(build), None, hint, by="person")
    person.do(f"Take the resistor off the {pole} pole again; monitor on and connected.")
    return pole


def _reading(t: Trial, pole: str, limit: int) -> None:
    known, before = _known(t), _steady(t)
    expected = predict.with_resistor_ohm(before, known)
    t.note("monitor without the resistor", before, "ohm")
    t.person.tell(
        f"With the resistor the monitor should come to about {_ohms(expected)}, below the limit of {_ohms(limit)}."
    )
    t.person.do(f"Put the resistor from the {pole} pole to chassis.")
    low, high = expected * (1 - _SPREAD), expected * (1 + _SPREAD)

    with_it = _steady(t, f"isolation {_ohms(low)} to {_ohms(high)}", low, high)
    t.hold("monitor with the resistor", with_it, "ohm", low, high, "look at the monitor's wires and the build's table")
    t.hold(
        "the same against the limit",
        with_it,
        "ohm",
        None,
        limit,
        "the monitor would not stop a start: look at its table",
    )
    t.person.do("Take the resistor off.")
    back = t.wait("isolation back", lambda seen: _above(seen, _BACK * before), seconds=t.pace.settle_s, show=_shown)
    t.note("monitor once it was off", back, "ohm")


def _known(t: Trial) -> float:
    return next(float(one.value) for one in t.readings if one.what == "resistor" and one.value is not None)


def _steady(t: Trial, what: str = "a steady isolation reading", low: float = 1.0, high: float = math.inf) -> int:
    """A valid reading from low to high that has stood still for a while."""
    stood = 0
    since_s = time.monotonic()

    def look(seen: Inputs) -> int | None:
        nonlocal stood, since_s
        ohm = seen.values.get("isolation")
        if ohm is None or not low <= ohm <= high or abs(ohm - stood) > _STILL * stood:
            stood, since_s = ohm or 0, time.monotonic()
            return None
        return ohm if time.monotonic() >= since_s + t.pace.steady_s else None

    return t.wait(what, look, seconds=t.pace.settle_s, show=_shown)


def _line(t: Trial, pole: str, limit: int) -> None:
    good, bad = predict.good_ohm(t.build), _known(t)
    t.wait("the monitor's line good", lambda seen: _above(seen, limit), seconds=t.pace.settle_s, show=_shown)
    t.person.tell(f"The line must stay good with {_ohms(good)} and go bad with {_ohms(bad)}; limit {_ohms(limit)}.")
    t.person.ready(f"Put {_ohms(good)} from the {pole} pole to chassis, and wait {t.build.isolation.settle:g} s.")
    if _above(t.board.inputs(), limit) is None:
        t.hold("monitor with the larger resistor", 0, "ohm", limit, None, "it answers too early: look at its setting")
    t.seen(f"line good with {_ohms(good)} at the {pole} pole")
    t.person.do(f"Put {_ohms(bad)} there in its place.")
    t.wait(
        "the monitor's line bad",
        lambda seen: True if _above(seen, limit) is None else None,
        seconds=t.pace.settle_s,
        show=_shown,
    )
    t.seen(f"line bad with {_ohms(bad)} at the {pole} pole")
    t.person.do("Take the resistor off.")
    t.wait("the monitor's line good again", lambda seen: _above(seen, limit), seconds=t.pace.settle_s, show=_shown)
    t.seen("line good again")


def _above(seen: Inputs, ohm: float) -> int | None:
    value = seen.values.get("isolation")
    return value if value is not None and value >= ohm else None


def _shown(seen: Inputs) -> str:
    ohm = seen.values.get("isolation")
    return "no valid reading" if ohm is None else f"monitor {_ohms(ohm)}"


def _ohms(ohm: float) -> str:
    return f"{ohm / 1e6:.3g} Mohm" if ohm >= 1e6 else f"{ohm / 1e3:.4g} kohm"
