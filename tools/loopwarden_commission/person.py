"""Who stands at the drive, as the steps see it: told what to do, asked for what no board can see."""

from collections.abc import Sequence
from typing import Protocol


class Stop(Exception):
    """The person ends the sitting; what was recorded so far stays."""


class Person(Protocol):
    """Every method may raise Stop. KeyboardInterrupt, at any time: not to wait any longer for what is awaited now."""

    def tell(self, text: str) -> None:
        """Say something that needs no answer."""

    def do(self, text: str) -> None:
        """Ask for a deed that the board will see: returns at once."""

    def ready(self, text: str) -> None:
        """Ask for something that nobody can see (read this, put on gloves); returns when the person goes on."""

    def ask(self, question: str) -> str:
        """A line of text, "" for none."""

    def number(self, question: str, unit: str, low: float, high: float) -> float:
        """A number from low to high, as read off the person's own instrument."""

    def choose(self, question: str, options: Sequence[str]) -> str:
        """One of the options."""

    def several(self, question: str, options: Sequence[str]) -> set[str]:
        """Any of the options, or none."""

    def waiting(self, text: str) -> None:
        """Called again and again while something is awaited; text says what is read now."""
