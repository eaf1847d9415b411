"""Every input moved once by hand, and seen by the board: key, lamps, loops, temperatures, buttons, plug, crash."""

from loopwarden.policy import fault_table as T
from loopwarden_commission.board import Inputs
from loopwarden_commission.trial import GONE, Trial, Wrong

RISE_K = 2.0  # a warmed sensor rises by it; the noise of a channel is some tenths
OTHERS_K = 1.0  # no other sensor may rise by so much meanwhile
_BASE_READS = 4
_ROW = {str(row[T.NAME]): int(row[T.ID]) for row in T.TABLE}
LAMPS = ("ready", "caution", "stop", "high voltage")
_LAMP_OF = {"ready": "lamp_ready", "caution": "lamp_caution", "stop": "lamp_stop", "high voltage": "lamp_hv"}


def key(t: Trial) -> None:
    """Off and on again; where the key carries the supply, a new power cycle tells that it was off."""
    t.person.do("Turn the key on.")
    t.answers_again()
    t.switch("key", 1, "key on")
    cycle = t.board.status().get("cycle")
    t.person.do("Turn the key off.")

    def ask() -> Inputs:
        try:
            with t.board.briefly():
                return t.board.inputs()
        except GONE:
            return Inputs({}, {}, {"key": 0})

    t.until("key off", ask, lambda seen: seen if seen.switches.get("key") == 0 else None)
    t.person.do("Turn the key on again.")
    t.answers_again()
    t.switch("key", 1, "key on again")
    t.seen("key off and on")
    if t.board.status().get("cycle") != cycle:
        t.notes.append("The board's supply went with the key, and came back with it.")


def lamps(t: Trial) -> None:
    """The lamp test at key-on. Where a driver's feedback is fitted the board sees it, else the person tells."""
    if t.build.inputs.lamp_feedback == "fitted":
        _lamps_seen(t)
        return
    t.person.do("Turn the key off, then on again, and watch the lamps: some are lit for 2 s only.")
    _key_cycle(t)
    named = t.person.several("Which lamps were lit right after the key came on?", LAMPS)
    t.note("lit in the lamp test", ", ".join(sorted(named)) or "none", by="person")
    dark = {"ready", "caution", "stop"} - named
    if dark:
        raise Wrong(f"dark in the lamp test: {', '.join(sorted(dark))}; look at the lamp, its fuse, its driver")
    t.wait("the lamp test is over", lambda _: True if not _tests(t) else None)
    status = t.board.status()
    wanted = {name for name, field in _LAMP_OF.items() if status.get(field)}
    named = t.person.several("Which lamps are lit now?", LAMPS)
    t.note("lit afterwards", ", ".join(sorted(named)) or "none", by="person")
    if named != wanted:
        raise Wrong(
            f"lit now: {', '.join(sorted(named)) or 'none'}, commanded: {', '.join(sorted(wanted)) or 'none'}; look for"
            " swapped wires"
        )


def _tests(t: Trial) -> bool:
    status = t.board.status()
    return all(status.get(_LAMP_OF[name]) for name in ("ready", "caution", "stop"))


def _key_cycle(t: Trial) -> None:
    """Off and on again, seen one way or the other."""
    cycle = t.board.status().get("cycle")

    def went(seen: Inputs) -> bool | None:
        return True if seen.switches.get("key") == 0 else None

    def ask() -> Inputs:
        try:
            with t.board.briefly():
                return t.board.inputs() if t.board.status().get("cycle") == cycle else Inputs({}, {}, {"key": 0})
        except GONE:
            return Inputs({}, {}, {"key": 0})

    t.until("key off", ask, went)
    t.answers_again()
    t.switch("key", 1, "key on again")


def _lamps_seen(t: Trial) -> None:
    t.person.do("Turn the key off, then on again.")
    lit: set[str] = set()
    dark: set[str] = set()
    faults = []
    cycle, began = t.board.status().get("cycle"), False

    def look(_: Inputs) -> bool | None:
        return True if began and lit >= {"ready", "caution", "stop"} and "ready" in dark else None

    def ask() -> Inputs:
        nonlocal began
        try:
            with t.board.briefly():
                status, seen = t.board.status(), t.board.inputs()
        except GONE:
            began = True
            return Inputs({}, {}, {})
        began = began or not seen.switches.get("key") or status.get("cycle") != cycle
        if began and seen.switches.get("key"):
            lit.update(name for name, field in _LAMP_OF.items() if status.get(field))
            dark.update(name for name, field in _LAMP_OF.items() if not status.get(field))
            faults.append(seen.switches.get("lamp fault") != 0 or _ROW["LAMP_DRIVER_FAULT"] in status.get("active", ()))
        return seen

    t.until(
        "the lamp test at key-on, 2 s",
        ask,
        look,
        show=lambda _: f"commanded so far: {', '.join(sorted(lit)) or 'none'}",
    )
    t.note("commanded in the lamp test", ", ".join(sorted(lit)))
    if any(faults):
        raise Wrong("a lamp driver reports that a lamp differs from its command: look at lamps, fuses, driver")
    t.seen("every lamp as commanded, by the drivers' feedback")


def service(t: Trial) -> None:
    """The switch's input in both of its levels; what its second pole does to the coils is tried with them."""
    t.service_switch("RUN")
    t.service_switch("SERVICE")
    t.seen("service input low in RUN, high in SERVICE")


def loop(t: Trial, number: int) -> None:
    """Opened at each connector and closed again, the others staying closed."""
    name, known = f"loop {number + 1}", t.build.loop[number].name
    t.person.do(f'{name} ("{known}") must be closed now.')
    t.switch(name, 1, f"{name} closed")
    told = t.person.ask(
        f'Name every connector, cover and switch of {name} ("{known}"), with commas between; Enter: one'
    )
    for place in [part.strip() for part in told.split(",") if part.strip()] or [known]:
        _opens_and_closes(t, name, place)


def _opens_and_closes(t: Trial, name: str, place: str) -> None:
    before = _open_loops(t.board.inputs())
    t.person.do(f"Open {name} at: {place}.")
    t.wait(f"{name} open", lambda seen: _opened(seen, name, before), show=_loops_text)
    others = _open_loops(t.board.inputs()) - before - {name}
    t.person.do(f"Close it again at: {place}.")
    t.switch(name, 1, f"{name} closed again")
    t.seen(f"opened and closed at {place}")
    if others:
        t.notes.append(f"At {place} there opened as well: {', '.join(sorted(others))}.")


def _open_loops(seen: Inputs) -> set[str]:
    return {name for name, on in seen.switches.items() if name.startswith("loop ") and on != 1}


def _loops_text(seen: Inputs) -> str:
    return f"open: {', '.join(sorted(_open_loops(seen))) or 'none'}"


def _opened(seen: Inputs, name: str, before: set[str]) -> bool | None:
    if seen.switches.get(name) == 0:
        return True
    others = _open_loops(seen) - before - {name}
    if others:
        raise Wrong(f"{', '.join(sorted(others))} opened instead of {name}: look for swapped wires")
    return None


def zone(t: Trial, number: int) -> None:
    """Warmed by hand: it rises, and no other does, so that swapped sensors are found."""
    name, place = f"zone {number + 1}", t.build.zone[number].name
    names = [f"zone {n + 1}" for n in range(len(t.build.zone))]
    base = _zones(t, names)
    if base.get(name) is None:
        raise Wrong(f"{name} ({place}) has no valid reading: look at the sensor and its plug")

    def risen(seen: Inputs) -> dict[str, float]:
        rises = {}
        for one in names:
            value, before = seen.values.get(one), base.get(one)
            if value is not None and before is not None:
                rises[one] = value / 10 - before
        return rises

    def look(seen: Inputs) -> dict[str, float] | None:
        rises = risen(seen)
        if rises.get(name, 0.0) >= RISE_K:
            return rises
        other = max((one for one in rises if one != name), key=lambda one: rises[one], default="")
        if other and rises[other] >= RISE_K and rises.get(name, 0.0) < RISE_K / 2:
            raise Wrong(
                f"{other} ({t.build.zone[names.index(other)].name}) rose by {rises[other]:.1f} K and {name} did not:"
                " the sensors are swapped, or the wrong one was warmed"
            )
        return None

    t.person.do(f"Warm the sensor of {name} ({place}) by hand or with warm air, by some degrees, and no other.")
    rises = t.wait(
        f"{name} {RISE_K:g} K warmer", look, show=lambda seen: f"{name} {risen(seen).get(name, 0.0):+.1f} K so far"
    )
    t.note(f"{name} before", round(base[name] or 0.0, 1), "degC")
    t.hold(f"{name} rose by", rises[name], "K", RISE_K, None, "warm it more")
    for one in names:
        if one != name and one in rises:
            t.hold(f"{one} meanwhile", rises[one], "K", None, OTHERS_K, "swapped or too near; let it cool and repeat")


def _zones(t: Trial, names: list[str]) -> dict[str, float | None]:
    """The mean of some readings, in degC."""
    sums: dict[str, list[int]] = {name: [] for name in names}
    for _ in range(_BASE_READS):
        seen = t.board.inputs()
        for name in names:
            value = seen.values.get(name)
            if value is not None:
                sums[name].append(value)
    return {name: sum(found) / len(found) / 10 if found else None for name, found in sums.items()}


def emergency_stop(t: Trial) -> None:
    """Pressed and released."""
    t.switch("emergency stop", 0, "emergency stop released")
    t.person.do("Press the emergency stop. Where there are several, repeat this step for each.")
    t.switch("emergency stop", 1, "emergency stop pressed")
    t.person.do("Release the emergency stop.")
    t.switch("emergency stop", 0, "emergency stop released again")
    t.seen("pressed and released")


def button(t: Trial, name: str, deed: str, undo: str) -> None:
    """A two-state input, on and off again."""
    t.switch(name, 0, f"{name} off")
    t.person.do(deed)
    t.switch(name, 1, f"{name} on")
    t.person.do(undo)
    t.switch(name, 0, f"{name} off again")
    t.seen("on and off")


def crash(t: Trial) -> None:
    """Its pulse is too short for a question: the row that it raises tells."""
    row = _ROW["CRASH"]
    before = _count(t, row)
    t.person.do("Make the crash sensor signal, the way its data sheet says. It leaves a lock that is cleared later.")

    def look(seen: Inputs) -> bool | None:
        return True if seen.switches.get("crash") == 1 or _count(t, row) > before else None

    t.wait("a crash signal, or its row noted", look)
    t.switch("crash", 0, "crash signal gone")
    t.seen("crash signal")
    t.notes.append("The crash lock stays until it is cleared at the vehicle: loopwarden clear crash, and the button.")


def _count(t: Trial, row: int) -> int:
    for one in t.board.faults():
        if one.get("row") == row:
            return int(one.get("count", 0))
    return 0
