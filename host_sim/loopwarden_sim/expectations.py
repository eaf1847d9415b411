"""What must hold in a run: read from a scenario's [[expect]] tables, checked while it runs, told in words after it.

Decides when an expectation is met. What could never be checked is refused when the scenario is loaded, not passed.
"""

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import isclose
from typing import Any, Literal

from loopwarden.words import why
from loopwarden_build import units
from loopwarden_sim.trace import FAULT_NAMES, PHASE_NAMES, Column, Scene, Value

Mode = Literal["at", "by", "always", "never"]
TIME_KEYS = ("at", "by", "from", "until", "never")
WORD_KEYS = ("phase", "lit", "dark", "active", "absent", "stored", "why")
LAMPS = ("ready", "caution", "stop", "hv")
WHY_SUBJECTS = (
    "phase",
    "drive limit",
    "charge limit",
    "start",
    "stop lamp",
    "caution lamp",
    "hv lamp",
    "cooling",
    *FAULT_NAMES.values(),
)
TRENDS = ("falling", "rising", "steady")
_COMPARISON = re.compile(r"^\s*(<=|>=|<|>|==|!=)\s*(.+)$")
_RANGE = re.compile(r"^\s*(.+?)\s*\.\.\s*(.+?)\s*$")
_PLAIN_NUMBER = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$")
_TESTS: dict[str, Callable[[float, float], bool]] = {
    "<": lambda value, limit: value < limit,
    "<=": lambda value, limit: value <= limit,
    ">": lambda value, limit: value > limit,
    ">=": lambda value, limit: value >= limit,
    "==": lambda value, limit: isclose(value, limit, rel_tol=1e-9, abs_tol=1e-9),
    "!=": lambda value, limit: not isclose(value, limit, rel_tol=1e-9, abs_tol=1e-9),
}


class ConditionError(ValueError):
    """A condition that could never be checked; the message says why. `key` is the part of the table that is wrong."""

    def __init__(self, key: str, value: object, message: str) -> None:
        super().__init__(message)
        self.key = key
        self.value = value


@dataclass(frozen=True)
class Condition:
    """One claim about one tick: its words, whether it holds, and what is seen instead."""

    text: str
    holds: Callable[[Scene], bool]
    seen: Callable[[Scene], str]


@dataclass(frozen=True)
class Trend:
    """One claim about the way of a value through a window: never the other way, and moved by its end; or not at all."""

    text: str
    column: Column
    way: str


@dataclass(frozen=True)
class Expectation:
    """A checked [[expect]] table. The window is first_tick to last_tick, both included."""

    text: str
    mode: Mode
    first_tick: int
    last_tick: int
    conditions: tuple[Condition, ...]
    trends: tuple[Trend, ...] = ()


@dataclass(frozen=True)
class Result:
    """How one expectation ended: passed or not, and what was seen when."""

    text: str
    passed: bool
    seen: str

    def __str__(self) -> str:
        return f"{'ok  ' if self.passed else 'FAIL'}  {self.text}{f': {self.seen}' if self.seen else ''}"


def nearest(word: str, known: Mapping[str, object] | tuple[str, ...] | list[str]) -> str:
    """The end of a message about an unknown word: the nearest known one, or a few of them."""
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    if near:
        return f'did you mean "{near[0]}"?'
    some = list(known)
    return f"known: {', '.join(some[:12])}{', ...' if len(some) > 12 else ''}"


def read_conditions(
    table: Mapping[str, Any], columns: Mapping[str, Column], is_window: bool
) -> tuple[list[Condition], list[Trend], list[ConditionError]]:
    """Every condition of an [[expect]] table, time keys left out; and what is wrong with the others."""
    conditions: list[Condition] = []
    trends: list[Trend] = []
    errors: list[ConditionError] = []
    for key, value in table.items():
        if key in TIME_KEYS:
            continue
        try:
            if key in WORD_KEYS:
                conditions.extend(_WORDS[key](value))
                continue
            column = columns.get(key) or columns.get(f"out_{key}")
            if column is None:
                known = [*WORD_KEYS, *TIME_KEYS, *columns]
                raise ConditionError(key, value, f"is not a signal or a key of [[expect]]; {nearest(key, known)}")
            if isinstance(value, str) and value.strip() in TRENDS:
                trends.append(_trend(column, value.strip(), is_window))
            else:
                conditions.append(_compare(column, value))
        except ConditionError as error:
            error.key = error.key or key
            errors.append(error)
    return conditions, trends, errors


def _names(key: str, value: object, known: tuple[str, ...] | list[str], what: str) -> list[str]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(name, str) for name in names):
        raise ConditionError(key, value, f"must be the name of a {what}, or a list of names")
    for name in names:
        if name not in known:
            raise ConditionError(key, value, f'"{name}" is not a {what}; {nearest(name, known)}')
    return [str(name) for name in names]


def _phase(value: object) -> list[Condition]:
    names = _names("phase", value, PHASE_NAMES, "phase")
    return [
        Condition(
            f"phase is {' or '.join(names)}",
            lambda scene: scene.phase in names,
            lambda scene: f"phase is {scene.phase}",
        )
    ]


def _lamps(key: str, on: bool) -> Callable[[object], list[Condition]]:
    def read(value: object) -> list[Condition]:
        return [_lamp(name, on) for name in _names(key, value, LAMPS, "lamp")]

    return read


def _lamp(name: str, on: bool) -> Condition:
    attribute = f"lamp_{name}"
    return Condition(
        f"{name} lamp {'lit' if on else 'dark'}",
        lambda scene: bool(getattr(scene.outputs, attribute)) == on,
        lambda scene: f"{name} lamp {'lit' if getattr(scene.outputs, attribute) else 'dark'}",
    )


def _faults(key: str, wanted: bool) -> Callable[[object], list[Condition]]:
    def read(value: object) -> list[Condition]:
        return [_fault(name, wanted) for name in _names(key, value, list(FAULT_NAMES.values()), "fault")]

    return read


def _fault(name: str, wanted: bool) -> Condition:
    return Condition(
        f"{name} {'active' if wanted else 'absent'}",
        lambda scene: (name in scene.active) == wanted,
        lambda scene: f"active: {', '.join(sorted(scene.active)) or 'none'}",
    )


def _stored(value: object) -> list[Condition]:
    return [_stored_one(name) for name in _names("stored", value, list(FAULT_NAMES.values()), "fault")]


def _stored_one(name: str) -> Condition:
    def stored(scene: Scene) -> list[str]:
        return [FAULT_NAMES[record["row"]] for record in scene.memory.codes()]

    return Condition(
        f"{name} stored",
        lambda scene: name in stored(scene),
        lambda scene: f"stored: {', '.join(stored(scene)) or 'none'}",
    )


def _why(value: object) -> list[Condition]:
    if not isinstance(value, dict) or not value:
        raise ConditionError("why", value, 'must be a table of subject = "text that the answer contains"')
    found = []
    for subject, texts in value.items():
        if subject not in WHY_SUBJECTS:
            raise ConditionError("why", value, f'"{subject}" is not a subject; {nearest(subject, WHY_SUBJECTS)}')
        for text in [texts] if isinstance(texts, str) else texts if isinstance(texts, list) else [None]:
            if not isinstance(text, str) or not text.strip():
                raise ConditionError("why", value, "must hold the text that the answer contains, or a list of texts")
            found.append(_answer(subject, text))
    return found


def _answer(subject: str, text: str) -> Condition:
    def ask(scene: Scene) -> str:
        return "" if scene.supervisor is None else str(why(scene.supervisor, subject))

    return Condition(
        f'why {subject} says "{text}"',
        lambda scene: text.lower() in ask(scene).lower(),
        lambda scene: f'why {subject}: "{ask(scene)}"',
    )


_WORDS: dict[str, Callable[[object], list[Condition]]] = {
    "phase": _phase,
    "lit": _lamps("lit", True),
    "dark": _lamps("dark", False),
    "active": _faults("active", True),
    "absent": _faults("absent", False),
    "stored": _stored,
    "why": _why,
}


def _trend(column: Column, way: str, is_window: bool) -> Trend:
    if column.kind != "number":
        raise ConditionError("", way, f"{column.name} is no number and cannot be {way}")
    if not is_window:
        raise ConditionError("", way, f'"{way}" needs a window: give from and until')
    return Trend(f"{column.name} {way}", column, way)


def _compare(column: Column, value: object) -> Condition:
    """A condition on one column: a flag, a text, a number, a comparison or a range."""
    name, read = column.name, column.read

    def seen(scene: Scene) -> str:
        return f"{name} is {shown(column, read(scene))}"

    if column.kind == "flag":
        if not isinstance(value, bool):
            raise ConditionError("", value, f"{name} is true or false and cannot be compared with this")
        return Condition(
            f"{name} {str(value).lower()}", lambda scene: bool(read(scene)) == value and read(scene) is not None, seen
        )
    if column.kind == "text":
        if not isinstance(value, str):
            raise ConditionError("", value, f"{name} is a text and cannot be compared with a number")
        if _COMPARISON.match(value):
            raise ConditionError("", value, f"{name} is a text: it has no order")
        return Condition(f'{name} "{value}"', lambda scene: read(scene) == value, seen)
    if isinstance(value, bool):
        raise ConditionError("", value, f"{name} is a number and cannot be compared with true or false")
    if isinstance(value, int | float):
        return _number(column, "==", float(value), f"{name} == {value:g}", seen)
    if not isinstance(value, str):
        raise ConditionError(
            "", value, f'{name} is a number: write a number, a comparison ("<= 200") or a range ("1 .. 2")'
        )
    if value.strip() == "not known":
        return Condition(f"{name} not known", lambda scene: read(scene) is None, seen)
    span = _RANGE.match(value)
    if span:
        low, high = _parse(column, span[1], value), _parse(column, span[2], value)
        if low > high:
            raise ConditionError("", value, "the range ends below its beginning")
        return Condition(f"{name} {value.strip()}", _within(read, low, high), seen)
    comparison = _COMPARISON.match(value)
    if comparison:
        limit = _parse(column, comparison[2], value)
        return _number(column, comparison[1], limit, f"{name} {value.strip()}", seen)
    return _number(column, "==", _parse(column, value, value), f"{name} == {value.strip()}", seen)


def _number(column: Column, sign: str, limit: float, text: str, seen: Callable[[Scene], str]) -> Condition:
    read, test = column.read, _TESTS[sign]

    def holds(scene: Scene) -> bool:
        value = read(scene)
        return value is not None and test(value, limit)  # type: ignore[arg-type]  # a number column reads numbers

    return Condition(text, holds, seen)


def _within(read: Callable[[Scene], Value], low: float, high: float) -> Callable[[Scene], bool]:
    def holds(scene: Scene) -> bool:
        value = read(scene)
        return value is not None and low <= value <= high  # type: ignore[operator]  # a number column reads numbers

    return holds


def _parse(column: Column, text: str, value: object) -> float:
    """A number of a condition in the column's own unit; one that is written is converted."""
    text = text.strip()
    if _PLAIN_NUMBER.match(text):
        return float(text)
    if column.unit is None:
        raise ConditionError("", value, f'"{text}" is not a number, and {column.name} has no unit')
    base, scale = column.unit
    try:
        return units.parse(text, base) * scale
    except units.UnitError as error:
        raise ConditionError("", value, f'"{text}" {error}') from None


def shown(column: Column, value: Value) -> str:
    """A value for people, with the unit of its column."""
    if value is None:
        return "not known"
    if isinstance(value, bool) or column.kind == "flag":
        return str(bool(value)).lower()
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:g}" if isinstance(value, int) else f"{value:.4g}"


@dataclass
class _Watch:
    """One expectation while the run goes on."""

    expectation: Expectation
    result: Result | None = None
    first: list[float | None] = field(default_factory=list)
    last: list[float | None] = field(default_factory=list)
    wrong: str = ""


class Checker:
    """Checks a scenario's expectations tick by tick; only those whose window is open cost anything."""

    def __init__(self, expectations: tuple[Expectation, ...]) -> None:
        self._watches = [_Watch(expectation) for expectation in expectations]
        self._coming = sorted(self._watches, key=lambda watch: -watch.expectation.first_tick)
        self._open: list[_Watch] = []
        self.next_tick = self._coming[-1].expectation.first_tick if self._coming else 1 << 60

    def tick(self, tick: int, scene: Scene) -> None:
        """Check what is due; call it for every tick from `next_tick` on."""
        while self._coming and self._coming[-1].expectation.first_tick <= tick:
            self._open.append(self._coming.pop())
        for watch in self._open:
            _check(watch, tick, scene)
        self._open = [watch for watch in self._open if watch.result is None]
        if self._open:
            self.next_tick = tick + 1
        else:
            self.next_tick = self._coming[-1].expectation.first_tick if self._coming else 1 << 60

    def results(self) -> list[Result]:
        """All results, in the order of the file. A run that stopped early leaves what it never reached failed."""
        return [
            watch.result or Result(watch.expectation.text, False, "the run ended before it could be checked")
            for watch in self._watches
        ]


def _check(watch: _Watch, tick: int, scene: Scene) -> None:
    expectation = watch.expectation
    failed = next((condition for condition in expectation.conditions if not condition.holds(scene)), None)
    time = f"at {scene.t_ms / 1000:.3f} s"
    done, passed, seen = tick >= expectation.last_tick, failed is None, ""
    if expectation.mode == "by":
        done = done or passed
        seen = time if failed is None else f"not by then; {time} {failed.seen(scene)}"
    elif expectation.mode == "never":
        passed = failed is not None
        done = done or not passed
        seen = "" if passed else f"{time} {', '.join(c.seen(scene) for c in expectation.conditions)}"
    else:
        if failed is not None:
            done, seen = True, f"{time} {failed.seen(scene)}"
        elif expectation.trends:
            passed, seen = _trends(watch, scene, done, time)
            done = done or not passed
    if done:
        watch.result = Result(expectation.text, passed, seen)


def _trends(watch: _Watch, scene: Scene, is_last: bool, time: str) -> tuple[bool, str]:
    trends = watch.expectation.trends
    values: list[float | None] = [trend.column.read(scene) for trend in trends]  # type: ignore[misc]  # numbers
    if not watch.last:
        watch.first = watch.last = values
    for trend, first, last, value in zip(trends, watch.first, watch.last, values, strict=True):
        if value is None or first is None or last is None:
            return False, f"{time} {trend.column.name} is not known"
        step = value - last
        if (
            (trend.way == "falling" and step > 0)
            or (trend.way == "rising" and step < 0)
            or (trend.way == "steady" and step)
        ):
            return False, f"{time} {trend.column.name} went from {last:g} to {value:g}"
        if is_last and trend.way != "steady" and value == first:
            return False, f"{trend.column.name} stayed at {value:g}"
    watch.last = values
    return True, ""
