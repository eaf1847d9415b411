"""The first start at high voltage, watched: nothing is commanded from here, the person turns the key."""

from typing import Any

from loopwarden.policy import fault_table as T
from loopwarden_build.derived import precharge_rc_s, precharge_s
from loopwarden_build.model import BleedDischarge
from loopwarden_commission.board import Inputs
from loopwarden_commission.predict import fault_ohm
from loopwarden_commission.trial import GONE, NotSeen, Trial, Wrong
from loopwarden_link.lines import Object

_SETTLE_RC = 7.5  # promise S2's own bound
_WINDOW = 0.5  # of the nominal time to the precharge fraction
_NEAR = 0.03  # the bus counts as connected within 3 % of the pack
_TABLE: Any = T.TABLE  # device code carries no annotations
_STANDS_BY_BUTTON = {row[T.ID]: row[T.NAME] for row in _TABLE if row[T.ENDS] in (T.LOCK, T.ACKED, T.KEY_ACKED)}
_ROW_UNPROVEN = next(row for row, name in _STANDS_BY_BUTTON.items() if name == "POSITIVE_UNPROVEN")
_SILENT = "no answer any more"
_AFTER_OPENING = ("discharging", "off", "locked out")
_UNPROVEN = "refused, positive pole not proven"
_PROOF_S = 60.0  # proof pulse, creep watch of 10 s, proof of 10 s, and the folding of the journal


class Declined(Exception):
    """High voltage is left for later."""


def first_start(t: Trial) -> None:
    """Precharge, bus, isolation; then key off, discharge, proven dead. Errors: Declined."""
    if t.person.choose("High voltage now, with everybody told and a second person there?", ["now", "later"]) == "later":
        raise Declined
    t.service_switch("RUN")
    _clear(t)
    t.person.ready(
        "Bench source off, tools out, covers shut. Connect the pack as its maker says, with rated gloves; from here on"
        " the pack side is LIVE. Wheels chocked or off the ground; everybody clear of the drive."
    )
    lowest_mv = 1000 * t.build.pack.lowest
    t.wait("the pack's voltage", lambda seen: True if (seen.values.get("pack") or 0) >= 0.9 * lowest_mv else None)
    t.note("pack", t.value("pack") / 1000, "V")
    _start(t)
    _live(t)
    _down(t)


def _clear(t: Trial) -> None:
    """Locks and the like are lifted at the vehicle, with another program and the button."""
    while True:
        standing = [_STANDS_BY_BUTTON[row] for row in t.board.status().get("active", ()) if row in _STANDS_BY_BUTTON]
        if not standing:
            return
        names = ", ".join(name.lower().replace("_", " ") for name in standing)
        t.board.let_go()
        t.person.ready(
            f"These stand and refuse a start: {names}. In another terminal: loopwarden clear NAME for each, then press"
            " the wired acknowledge button; the emergency stop ends by the button and the next key-on. Then go on here."
        )
        t.answers_again()


def _start(t: Trial) -> None:
    """Until it is live. A start that is refused as the positive pole is not proven asks for the meter check first."""
    _ask_start(t)
    if _phase(t) == _UNPROVEN:
        t.person.tell(
            "Refused: the positive pole is not proven open, as the coil test spends its proof. Measure across the"
            " positive main, the pack disconnected and proven dead: open is above 1 Mohm."
        )
        _clear(t)
        t.notes.append("The positive pole was proven by the meter check, acknowledged at the vehicle.")
        _ask_start(t)
    if _phase(t) != "live":
        raise NotSeen(f"it did not go live; the board says: {t.board.why('start')}")


def _phase(t: Trial) -> str:
    try:
        status = t.board.status()
    except GONE:
        return "no answer"
    phase = str(status.get("phase"))
    return _UNPROVEN if phase in ("checking", "locked out") and _ROW_UNPROVEN in status.get("active", ()) else phase


def _ask_start(t: Trial) -> None:
    t.person.do("Turn the key off, then on; wait until the lamp test is over (2 s); then press start once.")

    def ask() -> Inputs:
        return Inputs({}, {"phase": _phase(t)}, {})

    try:
        t.until(
            "live",
            ask,
            lambda seen: True if seen.states["phase"] in ("live", _UNPROVEN) else None,
            show=lambda seen: f"phase {seen.states['phase']}",
        )
    except NotSeen as error:
        raise NotSeen(f"{error}; the board says: {t.board.why('start')}") from None


def _live(t: Trial) -> None:
    build = t.build
    cycle = t.board.status()["cycle"]
    start = _of_cycle(t, cycle)
    low_ms, high_ms = (
        1000 * _WINDOW * precharge_s(build),
        1000 * (build.contactor.close_time + _SETTLE_RC * precharge_rc_s(build)),
    )
    hint = "look at the precharge resistor, its contactor, and what loads the bus; key off"
    t.hold("precharge", start["precharge_ms"], "ms", low_ms, high_ms + 2000 * build.build.tick, hint)
    status = t.board.status()  # less to make for a live board than its inputs
    pack_mv, bus_mv = status.get("pack_mv"), status.get("bus_mv")
    if pack_mv is None or bus_mv is None:
        raise Wrong("pack or bus has no valid reading while live: key off, look at its wires")
    pack_v, bus_v = pack_mv / 1000, bus_mv / 1000
    errors_v = build.voltage_sense.pack.error + build.voltage_sense.bus.error
    apart_v = max(_NEAR * pack_v, errors_v)
    t.hold("bus beside the pack", bus_v, "V", pack_v - apart_v, pack_v + apart_v, "look at both channels; key off")
    limit = fault_ohm(build)

    def ask() -> Inputs:
        status = t.board.status()
        return Inputs({"isolation": status.get("isolation_ohm")}, {"phase": str(status.get("phase"))}, {})

    def look(seen: Inputs) -> int | None:
        if seen.states["phase"] != "live":
            raise Wrong(f"it is {seen.states['phase']} and no longer live: look at the board's faults")
        ohm = seen.values["isolation"]
        return ohm if ohm is not None and ohm >= limit else None

    ohm = t.until(
        "isolation settled above its limit",
        ask,
        look,
        seconds=build.isolation.settle + t.pace.settle_s,
        poll_s=t.pace.live_poll_s,
    )
    t.hold("isolation, live", ohm, "ohm", limit, None, "look for a leak on the bus side; key off")


def _down(t: Trial) -> None:
    build, cycle = t.build, t.board.status()["cycle"]
    window_s = build.discharge.window
    t.person.do("Touch nothing. Turn the key off and leave it off until this says more.")
    seconds = build.timing.fallback + build.timing.coast + window_s + _PROOF_S + t.pace.patience_s
    lost, phase = False, "live"

    def ask() -> Inputs:
        nonlocal lost, phase
        try:
            status = t.board.status()
        except GONE as error:
            if phase not in _AFTER_OPENING:
                raise Wrong(f"the board stopped answering while {phase}; take the drive as LIVE ({error})") from None
            lost = True
            return Inputs({}, {"phase": _SILENT}, {})
        phase = str(status.get("phase"))
        dead = phase in ("off", "locked out") and status.get("mark") == "dead"
        return Inputs({}, {"phase": "proven dead" if dead else phase}, {})

    ends = ("proven dead", _SILENT) if build.build.hold_relay else ("proven dead",)
    t.until(
        "discharged and proven dead",
        ask,
        lambda seen: True if seen.states["phase"] in ends else None,
        seconds=seconds,
        poll_s=t.pace.live_poll_s,
        show=lambda seen: f"phase {seen.states['phase']}",
    )
    try:
        start, status = _of_cycle(t, cycle), t.board.status()
    except GONE:  # just after it was seen, or before
        lost = True
    if lost:
        t.person.do(
            "The board does not answer: it may have let its own supply go, as it does once proven dead, and nobody"
            " knows yet. Take the drive as LIVE. Key on again, do not press start."
        )
        t.answers_again()
        start, status = _of_cycle(t, cycle), t.board.status()
    if start.get("discharge_ms") is None:
        raise Wrong("no discharge time is on record for this start: look at the board's faults")
    hint = "look at the discharge resistor and its contactor; the bus may be live"
    what = "bus down by its bleed" if isinstance(build.discharge, BleedDischarge) else "discharge"
    t.hold(what, start["discharge_ms"], "ms", None, 1000 * window_s, hint)
    if status.get("mark") != "dead" or not status.get("proven"):
        raise Wrong("the board did not prove bus and positive pole: take it as live, and look at its faults")
    t.seen("bus proven dead, positive pole proven open")


def _of_cycle(t: Trial, cycle: int) -> Object:
    found = [one for one in t.board.starts() if one.get("cycle") == cycle]
    if not found or found[-1].get("precharge_ms") is None:
        raise Wrong("no precharge time is on record for this start: look at the board's faults")
    return found[-1]
