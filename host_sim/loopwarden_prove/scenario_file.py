"""A scenario of the campaign as the TOML file that `loopwarden simulate` runs: the same deeds before the same ticks.

Decides how it reads; what it shows is said by whoever has it written.
"""

import json
import os
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import isinf
from pathlib import Path
from typing import Any

from loopwarden_build import units
from loopwarden_sim.scenario import BUTTONS, PROMISES_ONLY, Action, Scenario, in_unit
from loopwarden_sim.world import Quantity, World

_COMMENT_COLUMNS = 110
_PEDALS = ("throttle", "brake")  # from 0 to 1, where every other quantity of that range is a switch
_PRESS_MS = 200  # what `press` is if nothing is said


@dataclass(frozen=True)
class Expected:
    """What the file itself expects beside the promises: this row, active in some tick of a span of the run."""

    row: str
    from_ms: int
    until_ms: int


def scenario_text(
    scenario: Scenario, build_path: Path, folder: Path, comment: Sequence[str] = (), expected: Expected | None = None
) -> str:
    """Return the file's text; `load_scenario` reads the same start, events, ticks and seed back.

    build_path   the build file; written as it is seen from `folder`, where the file will lie
    comment      lines above it all, for people
    expected     without it the promises alone judge
    """
    tick_ms = round(1000 * scenario.build.build.tick)
    lines = [f"# {line}" for text in comment for line in textwrap.wrap(text, _COMMENT_COLUMNS)]
    lines += [f"title = {_quoted(scenario.title)}", f"build = {_quoted(_seen_from(folder, build_path))}"]
    lines += [f"seed = {scenario.seed}", f"run = {_quoted(_time(scenario.ticks * tick_ms))}"]
    if scenario.memory_new:
        lines.append('memory = "new"')
    if expected is None:
        lines.append(f"expect = {_quoted(PROMISES_ONLY)}")
    if scenario.start:
        lines.append(f"start = {_settings(scenario.start)}")
    for moment_ms, deeds in _events(scenario, tick_ms):
        lines += ["", "[[at]]", f"t = {_quoted(_time(moment_ms))}", *deeds]
    if expected is not None:
        lines += ["", "[[expect]]", f"from = {_quoted(_time(expected.from_ms))}"]
        lines += [f"by = {_quoted(_time(expected.until_ms))}", f"active = [{_quoted(expected.row)}]"]
    return "\n".join(lines) + "\n"


def _events(scenario: Scenario, tick_ms: int) -> list[tuple[int, list[str]]]:
    """A moment in ms and the lines of what is done then, in order."""
    events = list(scenario.events)
    found: list[tuple[int, list[str]]] = []
    while events:
        tick, action = events.pop(0)
        if action.kind == "set":
            release = _release(events, tick, action)
            if release is not None:
                span_ms = (events.pop(release)[0] - tick) * tick_ms
                lasts = [] if span_ms == _PRESS_MS else [f"for = {_quoted(_time(span_ms))}"]
                deeds = [f"press = {_quoted(action.name)}", *lasts]
            else:
                together = [(action.name, action.value)]
                while events and _joins(events, tick, together):
                    follower = events.pop(0)[1]
                    together.append((follower.name, follower.value))
                deeds = [f"set = {_settings(together)}"]
        else:
            deeds = _deed(action)
        found.append(((tick - 1) * tick_ms, deeds))
    return found


def _release(events: Sequence[tuple[int, Action]], tick: int, action: Action) -> int | None:
    """Where in `events` the button that goes down comes up again, if the two can be told as one press.

    The loader puts a release in front of what else happens in its tick: so there must be nothing else.
    """
    if action.name not in BUTTONS or action.value != 1:
        return None
    for place, (later, other) in enumerate(events):
        if other.kind == "set" and other.name == action.name:
            alone = sum(one[0] == later for one in events) == 1
            return place if other.value == 0 and later > tick and alone else None
    return None


def _joins(events: Sequence[tuple[int, Action]], tick: int, together: Sequence[tuple[str, Any]]) -> bool:
    """Whether the next event is one more setting of the same table."""
    later, action = events[0]
    known = [name for name, _ in together]
    return (
        later == tick
        and action.kind == "set"
        and action.name not in known
        and _release(events[1:], later, action) is None
    )


def _deed(action: Action) -> list[str]:
    lines = [f"{action.kind} = {_quoted(action.name)}"]
    if action.kind in ("strike", "heal") and action.value:
        lines.append(f"where = {_quoted(action.value)}")
    if action.kind == "strike" and action.arguments:
        known = World.FAULTS[action.name].arguments
        given = ", ".join(f"{key} = {_amount(value, known[key])}" for key, value in action.arguments.items())
        lines.append(f"with = {{ {given} }}")
    return lines


def _settings(settings: Sequence[tuple[str, Any]]) -> str:
    return f"{{ {', '.join(f'{name} = {_setting(name, value)}' for name, value in settings)} }}"


def _setting(name: str, value: float) -> str:
    quantity = World.SETTABLE[name]
    if quantity.words:
        return _quoted(quantity.words[int(value)])
    is_switch = (quantity.unit, quantity.low, quantity.high) == ("", 0, 1) and name not in _PEDALS
    if is_switch and value in (0, 1):
        return "true" if value else "false"
    return _amount(value, quantity)


def _amount(value: float, quantity: Quantity) -> str:
    """The value with its unit where that reads back as exactly this value, else the bare number, which always does."""
    if isinf(value):
        return '"none"'
    number = _plain(value)
    if not quantity.unit:
        return number
    text = f"{number} {quantity.unit}"
    try:
        return _quoted(text) if in_unit(text, quantity.unit) == value else repr(float(value))
    except units.UnitError:
        return repr(float(value))


def _plain(value: float) -> str:
    """The shortest number that is this value, without an exponent where it can be read so."""
    number = repr(float(value))
    return number.removesuffix(".0") if "e" not in number else number


def _time(ms: int) -> str:
    """In seconds, exactly."""
    return f"{(Decimal(ms) / 1000).normalize():f} s"


def _quoted(text: str) -> str:
    """A basic string of TOML: JSON's escapes are among those that it knows, apart from DEL, which it wants escaped."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _seen_from(folder: Path, path: Path) -> str:
    """The way from a folder to a file; on another drive, where there is none, the whole path."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return path.resolve().as_posix()
