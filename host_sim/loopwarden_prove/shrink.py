"""A run in which something went wrong, made as small as it stays wrong: fewer events, an earlier end, times of a clock.

Delta debugging (Zeller, Hildebrandt 2002: ddmin, complements only), then the waits, then the times. Each try is a whole
run from its start, so what is left stands for itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from loopwarden_sim.runner import Run
from loopwarden_sim.scenario import Action, Scenario

TRIES_MAX = 250
_AFTER_MS = 200  # the run ends so long after what it shows, and at a full tenth of a second
_FULL_MS = 100
_ROUND_MS = (1000, 500, 100)
_PARTS = (0, 4, 2)  # a wait is tried at 100 ms, then at a quarter, then at half of what it was
T = TypeVar("T")
Events = tuple[tuple[int, Action], ...]


@dataclass(frozen=True)
class Sought:
    """What must still go wrong: a promise and how its breach is told, without figures; promise "": what was raised."""

    promise: str
    head: str


@dataclass(frozen=True)
class Shrunk:
    """The smallest scenario found.

    seen     what its run shows, in full; "" when not even the first run showed it
    at_ms    when
    tries    runs that it took
    """

    scenario: Scenario
    seen: str
    at_ms: int
    tries: int


def breach_head(text: str) -> str:
    """What a breach is called: its text up to the first figure, which differs from run to run."""
    first, *rest = text.split(": ")
    kept = [first]
    for part in rest:
        if "=" in part or any(letter.isdigit() for letter in part):
            break
        kept.append(part)
    return ": ".join(kept)


def failure_head(text: str) -> str:
    """What was raised and where, without the time."""
    return text.partition(" by ")[2] or text


def shrink(scenario: Scenario, sought: Sought, tries_max: int = TRIES_MAX) -> Shrunk:
    """Return the smallest scenario that still shows `sought`, found in `tries_max` runs."""
    search = _Search(sought, tries_max)
    if not search.take(scenario):
        return Shrunk(scenario, "", 0, search.tries)
    search.drop(lambda one: one.events, lambda one, events: replace(one, events=events))
    search.drop(lambda one: one.start, lambda one, start: replace(one, start=start))
    search.shorten_waits()
    search.round_times()
    assert search.best is not None
    return Shrunk(search.best, search.seen, search.at_ms, search.tries)


class _Search:
    """The best scenario so far, and the way to a better one: everything that is tried goes through `take`."""

    def __init__(self, sought: Sought, tries_max: int) -> None:
        self.sought = sought
        self.left = tries_max
        self.tries = 0
        self.best: Scenario | None = None
        self.seen = ""
        self.at_ms = 0

    def take(self, scenario: Scenario) -> bool:
        """Run it; if it shows what is sought, it is the best one now, cut off after that."""
        if not self.left:
            return False
        self.left -= 1
        self.tries += 1
        outcome = Run(scenario, scenario.seed).go(None, None)
        tick_ms = round(1000 * scenario.build.build.tick)
        found: tuple[int, str] | None = None
        if self.sought.promise:
            for breach in outcome.breaches:
                if breach.promise == self.sought.promise and breach_head(breach.seen) == self.sought.head:
                    found = breach.tick, breach.seen
        elif outcome.failure and failure_head(outcome.failure) == self.sought.head:
            found = outcome.ticks + 1, outcome.failure
        if found is None:
            return False
        tick, self.seen = found
        self.at_ms = tick * tick_ms
        end_ms = -(-(self.at_ms + _AFTER_MS) // _FULL_MS) * _FULL_MS
        ticks = min(scenario.ticks, max(tick, end_ms // tick_ms))
        self.best = replace(scenario, ticks=ticks, events=tuple(one for one in scenario.events if one[0] <= ticks))
        return True

    @property
    def now(self) -> Scenario:
        assert self.best is not None
        return self.best

    @property
    def tick_ms(self) -> int:
        return round(1000 * self.now.build.build.tick)

    def drop(
        self, parts_of: Callable[[Scenario], tuple[T, ...]], put: Callable[[Scenario, tuple[T, ...]], Scenario]
    ) -> None:
        """Leave out as many parts as can be left out: halves, quarters, and so on, to single ones."""
        pieces = 2
        while self.left and (parts := parts_of(self.now)):
            pieces = min(pieces, len(parts))
            size = -(-len(parts) // pieces)
            for begin in range(0, len(parts), size):
                if self.take(put(self.now, parts[:begin] + parts[begin + size :])):
                    pieces = max(2, pieces - 1)
                    break
            else:
                if size == 1:
                    return
                pieces *= 2

    def shorten_waits(self) -> None:
        """Let what comes after a wait come sooner, all of it by the same time."""
        place = 0
        while place < len(_moments(self.now.events)):
            moments = _moments(self.now.events)
            before = moments[place - 1] if place else 1
            wait = moments[place] - before
            for part in _PARTS:
                shorter = wait // part if part else _FULL_MS // self.tick_ms
                if shorter < wait and self.take(self._moved(moments[place], shorter - wait, alone=False)):
                    break
            place += 1

    def round_times(self) -> None:
        """Put each moment on a full second, or half, or tenth, whichever comes first and keeps the order."""
        for place in range(len(_moments(self.now.events))):
            moments = _moments(self.now.events)
            if place >= len(moments):  # cut off by an earlier end
                return
            tick = moments[place]
            at_ms = (tick - 1) * self.tick_ms
            lowest = moments[place - 1] if place else 0
            highest = moments[place + 1] if place + 1 < len(moments) else self.now.ticks + 1
            for step_ms in _ROUND_MS:
                if at_ms % step_ms == 0:
                    break
                wanted = self._tick_at((2 * at_ms + step_ms) // (2 * step_ms) * step_ms)
                if wanted is None or not lowest < wanted < highest:
                    continue
                if self.take(self._moved(tick, wanted - tick, alone=True)):
                    break

    def _tick_at(self, ms: int) -> int | None:
        """The tick that first sees what happens then; None where a tick does not begin then."""
        return None if ms % self.tick_ms else ms // self.tick_ms + 1

    def _moved(self, tick: int, by: int, *, alone: bool) -> Scenario:
        """What happens in this tick, and unless `alone` later, happens `by` ticks later."""
        events = tuple(
            (at + by if at == tick or (at > tick and not alone) else at, action) for at, action in self.now.events
        )
        return replace(self.now, events=events)


def _moments(events: Sequence[tuple[int, Any]]) -> list[int]:
    """Ticks in which something happens, each once."""
    return sorted({tick for tick, _ in events})
