"""The board a subcommand asks: its options, the first questions, and how failures are told."""

import argparse
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from loopwarden_cli.result import UserError
from loopwarden_link.client import ANSWER_S, Link
from loopwarden_link.errors import LinkError
from loopwarden_link.lines import Object
from loopwarden_link.ports import choose
from loopwarden_link.remembered import Remembered, state_file


def add_options(parser: argparse.ArgumentParser, *, as_json: bool = True, tells_time: bool = False) -> None:
    """The options that all subcommands share which ask a board."""
    parser.add_argument("--port", metavar="PORT", help="serial port; not needed when exactly one board is connected")
    parser.add_argument(
        "--timeout", type=_seconds, default=ANSWER_S, metavar="S", help="wait for a line: %(default)g s"
    )
    parser.add_argument("--no-remember", action="store_true", help="do not compare with, or note, what was seen before")
    if as_json:
        parser.add_argument("--json", action="store_true", help="answer as one JSON object")
    if tells_time:
        parser.add_argument("--no-time", action="store_true", help="do not tell the board the wall time first")


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.05 <= seconds <= 600:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds from 0.05 to 600")
    return seconds


@dataclass
class Board:
    """An open link, and what the board said of itself first.

    status      its state; {} before `ask_status`
    doubt       why its memory is not the one seen before; "" where nothing speaks for that
    warnings    doubt, and what else the person should know before believing the page
    """

    link: Link
    remembered: Remembered | None
    status: Object = field(default_factory=dict)
    doubt: str = ""
    warnings: list[str] = field(default_factory=list)

    def ask_status(self) -> Object:
        """Ask anew how the board is, and compare with what was seen before. Errors: LinkError."""
        status: Object = {}
        for part in self.link.read("status"):  # one line has no room for all
            status |= part
        self.status = {key: value for key, value in status.items() if key != "kind"}
        birth, cycle = status.get("birth"), status.get("cycle")
        if self.remembered is not None and isinstance(birth, str) and isinstance(cycle, int):
            self.doubt = self.remembered.doubt(self.link.port, birth, cycle, time.time()) or self.doubt
            self.warnings = [text for text in (self.doubt, self.remembered.problem) if text]
        return self.status

    def as_json(self, **answer: object) -> str:
        """One document: the answer with where it comes from."""
        common = {"port": self.link.port, "warnings": self.warnings, "status": self.status}
        return json.dumps({**common, **answer}, indent=2)


def board_of(args: argparse.Namespace, *, retries: int | None = None) -> Board:
    """The board that the options mean, not asked anything yet. Errors: UserError."""
    try:
        port = choose(args.port)
    except LinkError as error:
        raise UserError(str(error)) from None
    link = Link(port, answer_s=args.timeout) if retries is None else Link(port, answer_s=args.timeout, retries=retries)
    return Board(link, None if args.no_remember else Remembered(state_file()))


@contextmanager
def asked_board(args: argparse.Namespace) -> Iterator[Board]:
    """The board, asked for its status; every failure in the block becomes a UserError."""
    board = board_of(args)
    try:
        with board.link:
            if not getattr(args, "no_time", True):
                board.link.tell_time()
            board.ask_status()
            yield board
    except LinkError as error:
        raise UserError(str(error)) from None


def plain(objects: list[Object], kind: str) -> list[Object]:
    """The objects of one kind, without saying so in each."""
    return [{key: value for key, value in found.items() if key != "kind"} for found in objects if found["kind"] == kind]
