"""What a person at the bench does to the world of a running board, read from typed lines.

key on                        a switch; so are start, ack, plug, stop, crash
service test                  the service switch: run, service or test
speed_kmh 30 km/h             any quantity that a scenario may set
strike loop_open WHERE        a fault of the world, with arguments as name=value; heal ends it
power off | power on | reset  the board's supply, or its reset line
"""

import difflib
from collections.abc import Sequence

from loopwarden_build import units
from loopwarden_sim.scenario import Action, in_unit
from loopwarden_sim.world import World


class DeedError(ValueError):
    """A line that cannot be done; the text says what is wrong and what would be right."""


def read_deed(line: str, world: World) -> Action:
    """The action that a line asks for; DeedError otherwise."""
    verb, _, rest = line.strip().partition(" ")
    rest = rest.strip()
    if verb == "power" and rest in ("on", "off"):
        return Action("board", rest)
    if verb == "reset" and not rest:
        return Action("board", "reset")
    if verb in ("strike", "heal"):
        return _fault(verb, rest, world)
    quantity = World.SETTABLE.get(verb)
    if quantity is None:
        known = ["power", "reset", "strike", "heal", *World.SETTABLE]
        raise DeedError(f"{verb or 'nothing'}: {_nearest(verb, known)}")
    try:
        if rest in quantity.words:
            value = float(quantity.words.index(rest))
        elif not quantity.unit and rest in ("on", "off"):
            value = float(rest == "on")
        else:
            value = in_unit(_number(rest), quantity.unit)
    except units.UnitError as error:
        raise DeedError(f"{verb} {rest}: {error}") from None
    if not quantity.low <= value <= quantity.high:
        raise DeedError(f"{verb} {rest}: allowed {quantity.low:g} to {quantity.high:g} {quantity.unit}".rstrip())
    return Action("set", verb, value)


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _fault(verb: str, rest: str, world: World) -> Action:
    name, _, more = rest.partition(" ")
    if name not in World.FAULTS:
        raise DeedError(f"{verb} {name}: {_nearest(name, sorted(world.possible()))}")
    words = more.split()
    arguments = {}
    while words and "=" in words[-1]:
        key, _, given = words.pop().partition("=")
        argument = World.FAULTS[name].arguments.get(key)
        if argument is None:
            raise DeedError(
                f"{verb} {name}: {key} is none of its arguments ({', '.join(World.FAULTS[name].arguments)})"
            )
        try:
            arguments[key] = in_unit(_number(given), argument.unit)
        except units.UnitError as error:
            raise DeedError(f"{verb} {name} {key}={given}: {error}") from None
    where = " ".join(words)
    choice = world.names_of(name)
    if choice and where not in choice:
        raise DeedError(f"{verb} {name}: say which: {', '.join(choice)}")
    return Action("strike", name, where, arguments) if verb == "strike" else Action("heal", name, where)


def _nearest(word: str, known: Sequence[str]) -> str:
    close = difflib.get_close_matches(word, known, 3)
    return f"is not known; did you mean {', '.join(close)}?" if close else "is not known; type help"
