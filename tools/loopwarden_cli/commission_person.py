"""The person at the terminal: what the steps ask and tell, by way of rich."""

from collections.abc import Sequence

from rich.console import Console
from rich.markup import escape
from rich.status import Status

from loopwarden_commission.person import Stop


class TerminalPerson:
    """Prompts end the sitting at Ctrl-C and at the end of the input; while it waits, Ctrl-C ends only the waiting."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._status: Status | None = None

    def tell(self, text: str) -> None:
        """Say it, wrapped to the terminal."""
        self._quiet()
        self._console.print(text, markup=False, highlight=False)

    def do(self, text: str) -> None:
        """Say it so that it stands out: something is to be done now."""
        self._quiet()
        self._console.print(f"[bold]>>[/bold] {escape(text)}", highlight=False)

    def ready(self, text: str) -> None:
        """Say it, and go on after Enter."""
        self.do(text)
        self._line("Enter when you are ready")

    def ask(self, question: str) -> str:
        """A line."""
        return self._line(question).strip()

    def number(self, question: str, unit: str, low: float, high: float) -> float:
        """A number within its range; asked again until it is one."""
        while True:
            text = self._line(f"{question}, in {unit}").strip().replace(",", ".")
            try:
                value = float(text)
            except ValueError:
                self.tell(f"{text!r} is not a number; wanted: {low:g} to {high:g} {unit}")
                continue
            if low <= value <= high:
                return value
            self.tell(f"{value:g} {unit}: allowed {low:g} to {high:g} {unit}")

    def choose(self, question: str, options: Sequence[str]) -> str:
        """One of the options, by number or name."""
        while True:
            found = self._named(self._line(f"{question} {_listed(options)}"), options)
            if len(found) == 1:
                return found.pop()
            self.tell("one of them, by its number or name")

    def several(self, question: str, options: Sequence[str]) -> set[str]:
        """Any of the options; Enter or 0 for none."""
        while True:
            text = self._line(f"{question} {_listed(options)}, commas between, 0: none").strip()
            if text in ("", "0"):
                return set()
            parts = [part for part in text.split(",") if part.strip()]
            found = [self._named(part, options) for part in parts]
            if all(len(one) == 1 for one in found):
                return {one.pop() for one in found}
            self.tell("their numbers or names, with commas between, or 0")

    def waiting(self, text: str) -> None:
        """A line that is drawn anew."""
        if self._status is None:
            self._status = self._console.status(escape(text))
            self._status.start()
        self._status.update(escape(text))

    def close(self) -> None:
        """Leave the terminal as it was."""
        self._quiet()

    def _named(self, text: str, options: Sequence[str]) -> set[str]:
        text = text.strip().lower()
        if text.isdigit():
            return {options[int(text) - 1]} if 0 < int(text) <= len(options) else set()
        return {option for option in options if text and option.lower().startswith(text)}

    def _line(self, question: str) -> str:
        self._quiet()
        try:
            return self._console.input(f"[bold]?[/bold] {escape(question)}: ")
        except (KeyboardInterrupt, EOFError):
            raise Stop from None

    def _quiet(self) -> None:
        if self._status is not None:
            self._status.stop()
            self._status = None


def _listed(options: Sequence[str]) -> str:
    return "(" + ", ".join(f"{n + 1} {option}" for n, option in enumerate(options)) + ")"
