"""A scenario file: a build, what the world and the driver do and when, and what must hold. Read, checked, resolved.

Times become ticks here, names become events, so that the runner only counts. What could never happen or never be
checked is an error with file, key and, where it can be found, line.
"""

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, isfinite, isinf, nan
from pathlib import Path
from typing import Any, Literal

from loopwarden.naming import SUBJECTS
from loopwarden.policy import fault_table
from loopwarden_build import units
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.model import BuildFile
from loopwarden_build.toml_lines import find_line
from loopwarden_sim.expectations import Expectation, Mode, nearest, read_conditions
from loopwarden_sim.trace import FAULT_IDS, columns
from loopwarden_sim.world import World

TOP_KEYS = ("title", "build", "seed", "run", "memory", "start", "at", "expect")
DEEDS = ("set", "press", "strike", "heal", "clear", "ask", "board")
EVENT_KEYS = ("t", "name", *DEEDS, "for", "where", "with")
BUTTONS = ("start", "ack", "stop")
BOARD = ("off", "on", "reset")
PROMISES_ONLY = "promises"  # in place of [[expect]] tables: the promise monitor alone judges
_RUN_MAX_S = 24 * 3600
_PRESS_S = 0.2
_SEED_MAX = 2**32 - 1
_SHOWN_MAX = 60  # characters of a wrong value
_EVENT_TIME = re.compile(r"^\s*(?P<name>[A-Za-z][\w -]*?)\s*(?:(?P<sign>[+-])\s*(?P<rest>\d.*))?$")
_CLEARABLE_ENDS = (fault_table.LOCK, fault_table.ACKED, fault_table.KEY_ACKED)
_CLEARABLE = frozenset(row[fault_table.NAME] for row in fault_table.TABLE if row[fault_table.ENDS] in _CLEARABLE_ENDS)


class ScenarioError(Exception):
    """A scenario that cannot be run. lines: complete messages, one line each."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = list(lines)


@dataclass(frozen=True)
class Action:
    """One thing done to the world or the board.

    kind   set, strike, heal, clear (a link asks to clear a row), ask (why?) or board (off, on, reset)
    """

    kind: Literal["set", "strike", "heal", "clear", "ask", "board"]
    name: str
    value: Any = None
    arguments: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Scenario:
    """A checked scenario. events: tick before which it happens, and what; in order of time and of the file."""

    path: Path
    title: str
    build: BuildFile
    seed: int
    ticks: int
    memory_new: bool
    start: tuple[tuple[str, Any], ...]
    events: tuple[tuple[int, Action], ...]
    expectations: tuple[Expectation, ...]


def load_scenario(path: str | Path) -> Scenario:
    """Return the checked scenario; ScenarioError with every error of the file (or of its build file) otherwise."""
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise ScenarioError([f"{file}: is not UTF-8 text"]) from None
    except OSError as error:
        raise ScenarioError([f"{file}: cannot be read: {error.strerror}"]) from None
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        found = re.search(r"^(.*) \(at line (\d+), column (\d+)\)$", str(error))
        where, what = (f"{file}:{found[2]}", f"{found[1]} in column {found[3]}") if found else (str(file), str(error))
        raise ScenarioError([f"{where}: is not TOML: {what}"]) from None
    return _Loader(file, text, data).load()


class _Loader:
    """Reads one file; collects every error before it gives up."""

    def __init__(self, file: Path, text: str, data: dict[str, Any]) -> None:
        self.file = file
        self.text = text
        self.data = data
        self.errors: list[str] = []
        self.named_s: dict[str, float] = {}
        self.run_s = 0.0
        self.tick_s = 0.0
        self.struck: set[tuple[str, str]] = set()

    def error(self, path: Sequence[str | int], message: str, value: object = None) -> None:
        """Add one line: file, line, key, value, what is wrong with it."""
        line = find_line(self.text, path)
        where = str(self.file) if line is None else f"{self.file}:{line}"
        key = ""
        for step in path:
            key += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if key else step
        shown = "" if value is None or isinstance(value, dict) else f" = {_shown(value)}"
        self.errors.append(" ".join(f"{where}: {key}{shown}: {message}".splitlines()))

    def stop_on_errors(self) -> None:
        if self.errors:
            raise ScenarioError(self.errors)

    def load(self) -> Scenario:
        data = self.data
        self.known(data, TOP_KEYS, ())
        title = self.take("title", str, "a text that says what is shown", "")
        build_name = self.take("build", str, "the build file, from where this file lies", "")
        seed = self.take("seed", int, "a whole number", 1)
        if isinstance(seed, bool) or not 0 <= seed <= _SEED_MAX:
            self.error(("seed",), f"must be a whole number from 0 to {_SEED_MAX}", seed)
        self.run_s = self.duration(("run",), data.get("run"), _RUN_MAX_S)
        memory = data.get("memory", "commissioned")
        if memory not in ("commissioned", "new"):
            self.error(("memory",), 'must be "commissioned" or "new"', memory)
        self.stop_on_errors()
        build = self.build(build_name)
        self.tick_s = build.build.tick
        world = World(build, seed)
        start = tuple(self.settings(data.get("start", {}), ("start",)))
        events = self.events(world)
        self.stop_on_errors()  # an expectation may lean on an event's name
        found = self.expectations(build)
        self.stop_on_errors()
        return Scenario(
            path=self.file,
            title=title,
            build=build,
            seed=seed,
            ticks=self.last_tick(self.run_s),
            memory_new=memory == "new",
            start=start,
            events=tuple(events),
            expectations=tuple(found),
        )

    def take(self, key: str, kind: type, what: str, default: Any) -> Any:
        if key not in self.data and key != "seed":
            self.error((key,), f"is missing: {what}")
            return default
        value = self.data.get(key, default)
        if not isinstance(value, kind) or value == "":
            self.error((key,), f"must be {what}", value)
            return default
        return value

    def known(self, table: Mapping[str, Any], keys: tuple[str, ...], path: tuple[str | int, ...]) -> None:
        for key in table:
            if key not in keys:
                self.error((*path, key), f"is not a known key; {nearest(key, keys)}")

    def build(self, name: str) -> BuildFile:
        path = self.file.parent / name
        try:
            return read_build(path)
        except BuildError as error:
            if not path.is_file():
                self.error(("build",), "there is no such file", name)
                raise ScenarioError(self.errors) from None
            raise ScenarioError(error.lines) from None

    # Times ---------------------------------------------------------------------------------------------------------

    def duration(self, path: tuple[str | int, ...], value: object, most_s: float) -> float:
        """A span above zero; 0.0 with an error noted otherwise."""
        if value is None:
            self.error(path, 'is missing: a time such as "90 s"')
            return 0.0
        try:
            span_s = units.parse(value, "s")
        except units.UnitError as error:
            self.error(path, str(error), value)
            return 0.0
        if not 0 < span_s <= most_s:
            self.error(path, f"must be above 0 and at most {units.show(most_s, 's')}", value)
            return 0.0
        return span_s

    def time(self, path: tuple[str | int, ...], value: object) -> tuple[float, str] | None:
        """A moment: "1.5 s", or an event's name with or without "+ 2 s"; with the event's name, or ""."""
        found = _EVENT_TIME.match(value) if isinstance(value, str) else None
        try:
            if not found:
                moment_s, name = units.parse(value, "s"), ""
            else:
                name = found["name"]
                if name not in self.named_s:
                    known = nearest(name, list(self.named_s)) if self.named_s else "no event has a name"
                    self.error(path, f'"{name}" is not the name of an earlier event; {known}', value)
                    return None
                shift_s = units.parse(found["rest"], "s") if found["rest"] else 0.0
                moment_s = self.named_s[name] + (-shift_s if found["sign"] == "-" else shift_s)
        except units.UnitError as error:
            self.error(path, str(error), value)
            return None
        if moment_s < 0 or moment_s > self.run_s + 1e-9:
            self.error(path, f"lies outside the run, 0 s to {units.show(self.run_s, 's')}", value)
            return None
        return moment_s, name

    def first_tick(self, moment_s: float) -> int:
        """The first tick that ends at this time or later."""
        return max(1, ceil(moment_s / self.tick_s - 1e-6))

    def last_tick(self, moment_s: float) -> int:
        """The last tick that ends at this time or before."""
        return floor(moment_s / self.tick_s + 1e-6)

    # What happens --------------------------------------------------------------------------------------------------

    def tables(self, key: str) -> list[tuple[tuple[str | int, ...], dict[str, Any]]]:
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self.error((key,), f"must be tables that begin with [[{key}]]")
            return []
        return [((key, number), table) for number, table in enumerate(value)]

    def events(self, world: World) -> list[tuple[int, Action]]:
        timed: list[tuple[float, tuple[str | int, ...], dict[str, Any]]] = []
        for path, table in self.tables("at"):
            if not set(table) & set(DEEDS) and set(table) <= set(EVENT_KEYS):
                self.error(path, f"does nothing; give {', '.join(DEEDS[:-1])} or {DEEDS[-1]}")
                continue
            self.known(table, EVENT_KEYS, path)
            if "t" not in table:
                self.error((*path, "t"), 'is missing: when it happens, such as "1.5 s"')
                continue
            moment = self.time((*path, "t"), table["t"])
            if moment is None:
                continue
            name = table.get("name")
            if name is not None:
                if not isinstance(name, str) or not _EVENT_TIME.fullmatch(name) or name in self.named_s:
                    self.error((*path, "name"), "must be a word or two that no other event is called", name)
                    continue
                self.named_s[name] = moment[0]
            if self.last_tick(moment[0]) >= self.last_tick(self.run_s):
                self.error((*path, "t"), "is the end of the run: nothing could come of it", table["t"])
            timed.append((moment[0], path, table))
        timed.sort(key=lambda event: event[0])  # stable: the order of the file where times are equal
        found: list[tuple[int, Action]] = []
        for moment_s, path, table in timed:
            tick = self.last_tick(moment_s) + 1  # first seen by the tick that ends after it
            found.extend((tick, action) for action in self.actions(world, path, table))
            found.extend(self.press(path, table, moment_s, tick))
        found.sort(key=lambda event: event[0])
        return found

    def actions(self, world: World, path: tuple[str | int, ...], table: dict[str, Any]) -> list[Action]:
        found = [Action("set", name, value) for name, value in self.settings(table.get("set", {}), (*path, "set"))]
        if "strike" in table:
            found.extend(self.strike(world, path, table))
        elif "with" in table:
            self.error((*path, "with"), "belongs to strike, which is missing")
        if "heal" in table:
            fault, where = self.fault(world, path, table, "heal")
            if fault and (fault, where) not in self.struck:
                self.error((*path, "heal"), "was not struck before", table["heal"])
            elif fault:
                self.struck.discard((fault, where))
                found.append(Action("heal", fault, where))
        if "where" in table and "strike" not in table and "heal" not in table:
            self.error((*path, "where"), "belongs to strike or heal, which are missing")
        if "clear" in table:
            name = table["clear"]
            if name not in FAULT_IDS:
                self.error((*path, "clear"), f"is not a fault; {nearest(str(name), list(FAULT_IDS))}", name)
            elif name not in _CLEARABLE:
                self.error((*path, "clear"), "ends by itself or with the key: there is nothing to clear", name)
            else:
                found.append(Action("clear", name))
        if "ask" in table:
            subjects = table["ask"] if isinstance(table["ask"], list) else [table["ask"]]
            for subject in subjects:
                if subject in SUBJECTS or subject in FAULT_IDS:
                    found.append(Action("ask", subject))
                else:
                    hint = nearest(str(subject), [*SUBJECTS, *FAULT_IDS])
                    self.error((*path, "ask"), f"is not a subject; {hint}", subject)
        if "board" in table:
            if table["board"] not in BOARD:
                self.error((*path, "board"), f"must be one of {', '.join(BOARD)}", table["board"])
            else:
                found.append(Action("board", table["board"]))
        return found

    def press(
        self, path: tuple[str | int, ...], table: dict[str, Any], moment_s: float, tick: int
    ) -> list[tuple[int, Action]]:
        if "press" not in table:
            if "for" in table:
                self.error((*path, "for"), "belongs to press, which is missing")
            return []
        name = table["press"]
        if name not in BUTTONS:
            self.error((*path, "press"), f"is not a button; known: {', '.join(BUTTONS)}", name)
            return []
        span_s = self.duration((*path, "for"), table.get("for", f"{_PRESS_S} s"), self.run_s)
        release = max(tick + 1, self.last_tick(moment_s + span_s) + 1)
        return [(tick, Action("set", name, 1.0)), (release, Action("set", name, 0.0))]

    def settings(self, table: object, path: tuple[str | int, ...]) -> list[tuple[str, float]]:
        if not isinstance(table, dict):
            self.error(path, "must be a table of quantities of the world", table)
            return []
        found = []
        for name, raw in table.items():
            quantity = World.SETTABLE.get(name)
            if quantity is None:
                self.error((*path, name), f"is not a quantity of the world; {nearest(name, list(World.SETTABLE))}")
                continue
            raw = quantity.words.index(raw) if raw in quantity.words else raw
            value = self.amount((*path, name), raw, quantity.unit, quantity.low, quantity.high)
            if value is not None:
                found.append((name, value))
        return found

    def amount(self, path: tuple[str | int, ...], raw: object, unit: str, low: float, high: float) -> float | None:
        """A number in `unit` within its range, from a number or from text with a unit; None with an error noted."""
        try:
            value = high if raw == "none" and isinf(high) else in_unit(raw, unit)
        except units.UnitError as error:
            self.error(path, str(error), raw)
            return None
        if not low <= value <= high:
            self.error(path, f"must be {low:g} to {high:g} {unit}".rstrip(), raw)
            return None
        return value

    def fault(self, world: World, path: tuple[str | int, ...], table: dict[str, Any], key: str) -> tuple[str, str]:
        """The fault that strike or heal names, and what it strikes; "" with an error noted."""
        fault, where = table[key], table.get("where", "")
        if fault not in World.FAULTS:
            self.error((*path, key), f"is not a fault of the world; {nearest(str(fault), list(World.FAULTS))}", fault)
            return "", ""
        if fault not in world.possible():
            self.error((*path, key), "cannot strike this build: it has no such part", fault)
            return "", ""
        choice = world.names_of(fault)
        if choice and where not in choice:
            self.error((*path, "where"), f"must say which: {', '.join(choice)}", where or None)
            return "", ""
        if where and not choice:
            self.error((*path, "where"), f"{fault} strikes one thing only", where)
            return "", ""
        return fault, where

    def strike(self, world: World, path: tuple[str | int, ...], table: dict[str, Any]) -> list[Action]:
        fault, where = self.fault(world, path, table, "strike")
        given = table.get("with", {})
        if not isinstance(given, dict):
            self.error((*path, "with"), "must be a table of arguments", given)
            return []
        if not fault:
            return []
        known = World.FAULTS[fault].arguments
        for name in given:
            if name not in known:
                hint = nearest(name, list(known)) if known else "it has none"
                self.error((*path, "with", name), f"is not an argument of {fault}; {hint}")
        values = {}
        for name, argument in known.items():
            if name in given:
                values[name] = self.amount(
                    (*path, "with", name), given[name], argument.unit, argument.low, argument.high
                )
            elif argument.default is None:
                self.error((*path, "with", name), f"is missing: {argument.meaning or name} in {argument.unit}")
        self.struck.add((fault, where))
        return [Action("strike", fault, where, values)]

    # What must hold ------------------------------------------------------------------------------------------------

    def expectations(self, build: BuildFile) -> list[Expectation]:
        known = columns(build)
        found: list[Expectation] = []
        if self.data.get("expect") == PROMISES_ONLY:
            return found
        for path, table in self.tables("expect"):
            window = self.window(path, table)
            conditions, trends, errors = read_conditions(table, known, window is not None and window[0] == "always")
            for error in errors:
                self.error((*path, error.key), str(error), error.value)
            if window is None or errors:
                continue
            if not conditions and not trends:
                self.error(path, "says when but not what must hold")
                continue
            mode, first, last, words = window
            if trends and first == last:
                self.error(path, "is a window of one tick: nothing can fall or rise in it")
                continue
            claims = [condition.text for condition in conditions] + [trend.text for trend in trends]
            text = f"{words}: {', '.join(claims)}"
            found.append(Expectation(text, mode, first, last, tuple(conditions), tuple(trends)))
        if not found and not self.errors:
            hint = f'say expect = "{PROMISES_ONLY}" where the promises alone shall judge'
            self.error(("expect",), f"is missing: a scenario that expects nothing shows nothing; {hint}")
        return found

    def window(self, path: tuple[str | int, ...], table: dict[str, Any]) -> tuple[Mode, int, int, str] | None:
        """How and when an expectation is checked: mode, first and last tick, and that in words."""
        times: dict[str, tuple[float, str]] = {}
        for key in ("at", "by", "from", "until"):
            if key in table:
                moment = self.time((*path, key), table[key])
                if moment is None:
                    return None
                times[key] = moment
        never = table.get("never", False)
        if never is not False and never is not True:
            self.error((*path, "never"), "must be true, or left out", never)
            return None
        end = self.last_tick(self.run_s)
        if "at" in times:
            if len(times) > 1 or never:
                self.error((*path, "at"), "stands alone: by, from, until and never say something else")
                return None
            tick = self.first_tick(times["at"][0])
            return "at", tick, tick, f"at {table['at']}"
        since_s, _ = times.get("from", (0.0, ""))
        if "by" in times:
            if "until" in times or never:
                self.error((*path, "by"), "goes with from only")
                return None
            by_s, event = times["by"]
            if "from" not in times and event:
                since_s = self.named_s[event]
            first, last = self.first_tick(since_s), self.last_tick(by_s)
            words = f"by {table['by']}"
        else:
            if not times and not never:
                self.error(path, "does not say when: give at, by, from, until or never")
                return None
            first = self.first_tick(since_s)
            last = self.last_tick(times["until"][0]) if "until" in times else end
            words = "never" if never else "always"
        if "from" in times:
            words += f" from {table['from']}"
        if "until" in times:
            words += f" until {table['until']}"
        if first > last:
            self.error(path, "is never checked: its window is empty", words)
            return None
        return ("by" if "by" in times else "never" if never else "always"), first, last, words


def in_unit(raw: object, unit: str) -> float:
    """A number in `unit`, from a number, from true or false for a switch, or from text with a unit; UnitError."""
    if isinstance(raw, bool):
        if unit:
            raise units.UnitError(f"must be a number in {unit}")
        return float(raw)
    if isinstance(raw, int | float):
        if not isfinite(raw):
            raise units.UnitError("is not a finite number")
        return float(raw)
    if not unit:
        raise units.UnitError("must be true, false or a number")
    if not isinstance(raw, str):
        raise units.UnitError(f"must be a number in {unit}")
    for base, known in units.UNITS.items():
        if unit in known:
            return units.parse(raw, base) / known[unit]
    number, _, suffix = raw.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        value = nan
    if suffix.strip() != unit or not isfinite(value):
        raise units.UnitError(f"needs a number and {unit}")
    return value


def _shown(value: object) -> str:
    text = json.dumps(value, default=str)
    return text if len(text) <= _SHOWN_MAX else f"{text[: _SHOWN_MAX - 3]}..."
