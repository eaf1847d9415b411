"""What a step has to work with: the person, the board, waiting for a change, readings held against their limits."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from loopwarden_build.model import BuildFile
from loopwarden_commission.board import Board, Inputs
from loopwarden_commission.person import Person
from loopwarden_commission.record import Reading
from loopwarden_link.errors import AtPrompt, Damaged, Lost, NoAnswer, OpenError

Found = TypeVar("Found")
GONE = (Damaged, Lost, NoAnswer, OpenError)  # a board without supply, or one that is just starting


class NotSeen(Exception):
    """What was awaited did not come, or cannot be seen; str() says what was read instead, and where to look."""


class Wrong(Exception):
    """Something was seen that must not be; str() says what, and where to look."""


class Unsafe(Exception):
    """Nothing more may be done now: the sitting ends, whatever the person would like."""


@dataclass
class Pace:
    """How long to wait. Tests put their own here.

    patience_s  for a person's deed; poll_s between two questions; settle_s for a reading that follows slowly; steady_s
                so long it must have stood still; live_poll_s between two questions to a live board, each of which takes
                some hundred bytes that it collects only when it is off
    """

    patience_s: float = 120.0
    poll_s: float = 0.25
    settle_s: float = 120.0
    steady_s: float = 3.0
    live_poll_s: float = 5.0


@dataclass
class Trial:
    """One step being tried."""

    build: BuildFile
    board: Board
    person: Person
    pace: Pace
    readings: list[Reading] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def wait(
        self,
        what: str,
        look: Callable[[Inputs], Found | None],
        *,
        seconds: float | None = None,
        show: Callable[[Inputs], str] = lambda _: "",
    ) -> Found:
        """Ask `inputs` until look finds something. Errors: NotSeen, and what look raises."""
        return self.until(what, self.board.inputs, look, seconds=seconds, show=show)

    def until(
        self,
        what: str,
        ask: Callable[[], Inputs],
        look: Callable[[Inputs], Found | None],
        *,
        seconds: float | None = None,
        poll_s: float | None = None,
        show: Callable[[Inputs], str] = lambda _: "",
    ) -> Found:
        """The same with a question of its own, asked every poll_s."""
        until_s = time.monotonic() + (self.pace.patience_s if seconds is None else seconds)
        while True:
            seen = ask()
            found = look(seen)
            if found is not None:
                return found
            now = show(seen)
            if time.monotonic() >= until_s:
                raise NotSeen(f"not seen: {what}{f'; read: {now}' if now else ''}")
            self.person.waiting(f"waiting for: {what}{f' ({now})' if now else ''}")
            time.sleep(self.pace.poll_s if poll_s is None else poll_s)

    def switch(self, name: str, on: int, what: str) -> Inputs:
        """Wait until a switch or loop reads `on`."""

        def look(seen: Inputs) -> Inputs | None:
            return seen if seen.switches.get(name) == on else None

        def show(seen: Inputs) -> str:
            level = seen.switches.get(name)
            return f"{name} {'cannot be read' if level is None else 'on' if level else 'off'}"

        return self.wait(what, look, show=show)

    def answers_again(self) -> None:
        """Wait for a board whose supply was taken away for a moment."""
        until_s = time.monotonic() + self.pace.patience_s
        while True:
            try:
                with self.board.briefly():
                    self.board.status()
                return
            except AtPrompt:
                raise
            except GONE as error:
                if time.monotonic() >= until_s:
                    raise NotSeen(f"the board does not answer any more: {error}") from None
            self.person.waiting("waiting for the board to start")
            time.sleep(self.pace.poll_s)

    def value(self, name: str) -> int:
        """A channel's valid reading now. Errors: Wrong."""
        seen = self.board.inputs()
        value = seen.values.get(name)
        if value is None:
            raise Wrong(
                f"{name} has no valid reading ({seen.states.get(name, 'not there')}): look at its wires and supply"
            )
        return value

    def hold(
        self, what: str, value: float, unit: str, low: float | None, high: float | None, hint: str, by: str = "board"
    ) -> None:
        """Record a reading and hold it against its limits. Errors: Wrong with the hint."""
        good = (low is None or value >= low) and (high is None or value <= high)
        self.readings.append(Reading(what, round(value, 3), unit, low, high, good, by))
        if not good:
            limits = (
                f"at least {low:g}" if high is None else f"at most {high:g}" if low is None else f"{low:g} to {high:g}"
            )
            raise Wrong(f"{what} is {value:.4g} {unit}, allowed {limits} {unit}: {hint}")

    def note(self, what: str, value: float | str, unit: str = "", by: str = "board") -> None:
        """Record something that was read, without a limit."""
        self.readings.append(Reading(what, value, unit, by=by))

    def seen(self, what: str, by: str = "board") -> None:
        """Record something that had to happen, and did."""
        self.readings.append(Reading(what, "seen", good=True, by=by))

    def service_switch(self, position: str) -> None:
        """Have the service switch turned; its input tells RUN from the other two, and nothing tells those apart."""
        on = 0 if position == "RUN" else 1
        if position == "RUN" and self.board.inputs().switches.get("service jumper") == 0:
            return
        self.person.do(f"Turn the service switch to {position}.")
        self.switch("service jumper", on, f"service switch in {position}, its input {'high' if on else 'low'}")
