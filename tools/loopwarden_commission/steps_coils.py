"""The coils, without high voltage: each moves alone, none in SERVICE, and all let go with the heartbeat."""

import time

from loopwarden.policy import fault_table as T
from loopwarden_build.model import BuildFile, ResistorDischarge
from loopwarden_commission.board import CoilAnswer
from loopwarden_commission.steps_inputs import LAMPS
from loopwarden_commission.trial import NotSeen, Trial, Wrong

_TICKS = 2  # a contact is read once a tick, and a command driven once a tick
_PROVEN_S = 20.0  # the board takes 10 s for it
_NOT_YET = "bus is not proven dead"
_NONE = "none of them"
_LAMP_DRIVER = next(row[T.ID] for row in T.TABLE if row[T.NAME] == "LAMP_DRIVER_FAULT")


def coils_of(build: BuildFile) -> list[str]:
    """The coils of a build, in the order in which they are tried."""
    return [
        "negative",
        "precharge",
        "positive",
        *(["discharge"] if isinstance(build.discharge, ResistorDischarge) else []),
    ]


def run_coil(t: Trial, name: str, *, hold: bool = False) -> CoilAnswer:
    """A coil test that ran to its end, once the bus is proven dead. Errors: NotSeen with the board's own reason."""
    t.person.tell(f"The {name} coil now{', for 1 s, then without a heartbeat' if hold else ', for 2 s'}.")
    until_s = time.monotonic() + _PROVEN_S
    answer = t.board.coil(name, hold=hold)
    while _NOT_YET in answer.ended and not answer.seen and time.monotonic() < until_s:
        t.person.waiting("waiting for the bus to be proven dead, 10 s")
        time.sleep(t.pace.poll_s)
        answer = t.board.coil(name, hold=hold)
    if answer.ended:
        raise NotSeen(answer.ended)
    return answer


def no_supply(t: Trial) -> None:
    """In SERVICE the switch's second pole breaks the coil supply: commanded, and nothing moves."""
    t.service_switch("SERVICE")
    answer = run_coil(t, "negative")
    if answer.seen.get("during") is None:
        moved = t.person.choose("Which contactor moved?", [*coils_of(t.build), _NONE])
        t.note("moved in SERVICE", moved, by="person")
        stayed = moved == _NONE
    else:
        stayed = answer.seen["during"] == 0
        t.note("negative contact in SERVICE", "open" if stayed else "closed")
    if not stayed:
        raise Wrong(
            "a contactor moved in SERVICE: the switch's second pole does not break the coil supply; look at its wires"
        )


def coil(t: Trial, name: str) -> None:
    """One coil in TEST: its own contact moves, and no other."""
    t.service_switch("TEST")
    seen = run_coil(t, name).seen
    tick_ms, contactor = seen["tick_ms"], t.build.contactor
    t.note("commanded", seen["on_ms"] / 1000, "s")
    if seen.get("coil_fault") == 1:
        raise Wrong(
            f"the driver of the {name} coil reports that it differs from its command: look at coil, wires, driver"
        )
    if seen.get("during") is None:
        moved = t.person.choose(
            "Which contactor moved, by its sound and its own indication?", [*coils_of(t.build), _NONE]
        )
        t.note("moved", moved, by="person")
        if moved != name:
            raise Wrong(f"{moved} moved where {name} was commanded: look at the coil's supply and for swapped wires")
    else:
        if (seen["before"], seen["during"], seen["after"]) != (0, 1, 0):
            raise Wrong(
                f"its contact read {_words(seen['before'])} before, {_words(seen['during'])} during and"
                f" {_words(seen['after'])} after: look at the coil's supply, the contactor, and for swapped wires"
            )
        late_ms = _TICKS * tick_ms
        hint = "look at the coil's voltage while it moves, and at the contactor"
        t.hold("closed after", seen["closed_ms"], "ms", None, 1000 * contactor.close_time + late_ms, hint)
        hint = "look at the diode over the coil, and at the contactor"
        t.hold("opened after", seen["opened_ms"], "ms", None, 1000 * contactor.release_time + late_ms, hint)
    _lamps(t)


def _words(level: object) -> str:
    return "not seen" if level is None else "closed" if level else "open"


def _lamps(t: Trial) -> None:
    if t.build.inputs.lamp_feedback == "fitted":
        if _LAMP_DRIVER in t.board.status().get("active", ()):
            raise Wrong("a lamp driver reports that a lamp differs from its command: look at the high-voltage lamps")
        return
    lit = t.person.several("Which lamps were lit while the coil was on?", LAMPS)
    t.note("lit meanwhile", ", ".join(sorted(lit)) or "none", by="person")
    if "high voltage" not in lit:
        raise Wrong("the high-voltage lamps were dark while a coil was commanded: look at the lamps and their gate")


def hold(t: Trial, name: str) -> None:
    """How long a coil holds without a heartbeat: the build's time at the most."""
    t.service_switch("TEST")
    seen = run_coil(t, name, hold=True).seen
    limit_ms = seen["heartbeat_hold_ms"]
    hint = "the heartbeat gate holds for too long: look at its timing capacitor and resistor"
    if not seen.get("seen"):
        t.notes.append("The board has no feedback that tells when this coil lets go.")
        held_ms = t.person.number(
            "The board cannot see it. Measured by your own instrument, how long after the heartbeat's last edge was"
            f" the supply of the {name} coil gone?",
            "ms",
            0,
            500,
        )
        t.hold("coil supply gone after the last edge", held_ms, "ms", None, limit_ms, hint, by="person")
        return
    if seen.get("held_ms") is None:
        silent_ms = seen["silent_ms"]
        t.note("still closed after", silent_ms, "ms")
        raise Wrong(f"it did not let go within {silent_ms} ms, the build allows {limit_ms} ms: {hint}")
    most_ms = limit_ms + seen["release_ms"] + _TICKS * seen["tick_ms"]
    t.notes.append(
        f"Allowed are the hold time of {limit_ms} ms, the contact's release of {seen['release_ms']} ms and"
        f" {_TICKS} ticks of {seen['tick_ms']} ms, as contact and command are seen once a tick."
    )
    t.hold("contact open after the last edge", seen["held_ms"], "ms", None, most_ms, hint)
