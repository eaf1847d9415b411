"""The board that is commissioned, asked over the link: what the steps read, in the link's own units."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from loopwarden_link.client import Link
from loopwarden_link.errors import Refused
from loopwarden_link.lines import Object

_FIRST_TICK, _FIRST_TICK_S, _FIRST_TICK_TRIES = "before the first tick", 0.05, 20
_BRIEF_S = 0.4
COIL_S = 6.0  # a test takes 2 s and the release time


@dataclass(frozen=True)
class Inputs:
    """One answer to `inputs`.

    values     channel to its value in mV, mA, ohm, tenths of a degree; None where there is no valid reading
    states     channel to "ok", "not fitted" or why not
    switches   switch or loop to 1, 0, None where it cannot be read; only what is fitted
    """

    values: dict[str, int | None]
    states: dict[str, str]
    switches: dict[str, int | None]


@dataclass(frozen=True)
class CoilAnswer:
    """What a coil test showed; `ended` why it was refused or ended early, "" for neither."""

    seen: Object
    ended: str


class Board:
    """One board at one link. Errors of each method: LinkError."""

    def __init__(self, link: Link) -> None:
        self.link = link

    def status(self) -> Object:
        """Its state; one object of all its parts."""
        merged: Object = {}
        for part in self._read("status"):
            merged |= part
        return merged

    def version(self) -> Object:
        """Program, digest of the build, runtime."""
        return self._read("version")[0]

    def inputs(self) -> Inputs:
        """Every channel and switch as it is read now."""
        found = self._read("inputs")
        channels = [one for one in found if one["kind"] == "input"]
        return Inputs(
            {str(one["name"]): one.get("value") for one in channels},
            {str(one["name"]): str(one.get("state")) for one in channels},
            {str(one["name"]): one.get("on") for one in found if one["kind"] == "switch"},
        )

    def starts(self) -> list[Object]:
        """Its last starts, newest last."""
        return self._read("starts")

    def faults(self) -> list[Object]:
        """Every row that is stored or active."""
        return self._read("faults")

    def why(self, subject: str) -> str:
        """Its own words on a subject."""
        return "".join(str(one.get("text")) for one in self._read(f"why {subject}"))

    def coil(self, name: str, *, hold: bool = False) -> CoilAnswer:
        """The coil test; asked once, never again by itself."""
        heard: list[Object] = []
        try:
            self.link.once(f"coil {name}{' hold' if hold else ''}", wait_s=COIL_S, heard=heard.append)
        except Refused as refused:
            return CoilAnswer(heard[0] if heard else {}, refused.text)
        return CoilAnswer(heard[0], "")

    def _read(self, command: str) -> list[Object]:
        """A board that has just started knows nothing for a tick."""
        for _ in range(_FIRST_TICK_TRIES):
            try:
                return self.link.read(command)
            except Refused as refused:
                if _FIRST_TICK not in refused.text:
                    raise
                time.sleep(_FIRST_TICK_S)
        return self.link.read(command)

    @contextmanager
    def briefly(self) -> Iterator[None]:
        """Ask once and wait for a moment only: a board that may be without supply, or whose 2 s of lamp test run."""
        kept = self.link.answer_s, self.link.retries
        self.link.answer_s, self.link.retries = _BRIEF_S, 0
        try:
            yield
        finally:
            self.link.answer_s, self.link.retries = kept

    def let_go(self) -> None:
        """Give the port to another program for a while; the next question takes it back."""
        self.link.close()
