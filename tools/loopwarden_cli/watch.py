"""`loopwarden watch`: a page of a board's state in the terminal, drawn anew about twice a second until Ctrl-C."""

import argparse
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from loopwarden_cli.asked_board import Board, add_options, board_of, plain
from loopwarden_cli.board_words import active_lines, hv_line, shown, status_fields, stopped, wrapped
from loopwarden_cli.result import Result, UserError
from loopwarden_cli.status import exit_code
from loopwarden_cli.terminal import live_page
from loopwarden_link.errors import LinkError, Refused
from loopwarden_link.lines import Object

_BEAT_S = 0.5
_AT_REST = (None, "off", "checking", "locked out", "stopped")
_LIVE_BEAT_S = 5.0  # each answer leaves some hundred bytes that a board collects only when it is off
_LIMITS_BEATS = 4  # a live board takes most of a beat for its status alone
_WHY_BEATS = 12  # a reason in words costs a live board some of its memory
_FULL = 1000


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "watch",
        help="a live page of a board's state; Ctrl-C ends it",
        description="Watch a board; waits when it is unplugged or reset. Exit 0 after Ctrl-C; with --once as status.",
    )
    parser.add_argument("--once", action="store_true", help="print the page once and end")
    add_options(parser, as_json=False)


@dataclass
class Watch:
    """What was heard of the board, and when. All but `beat` is for the page."""

    board: Board
    limits: list[Object] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)
    heard_s: float = field(default_factory=time.monotonic)
    heard_at: str = ""
    problem: str = ""
    beats: int = 0

    def beat(self) -> None:
        """Ask what is due: the status each time, limits and reasons now and then."""
        try:
            status = self.board.ask_status()
            changed = any(
                limit.get("granted_permille") != status.get(f"{limit.get('name')}_limit_permille")
                for limit in self.limits
            )
            if changed:
                self.reasons = {}  # they were about another limit
            if changed or self.beats % _LIMITS_BEATS == 0:
                with suppress(Refused):
                    self.limits = plain(self.board.link.read("limits"), "limit")
            if self.beats % _WHY_BEATS == 0:
                self._ask_reasons(status)
        except LinkError as error:
            self.problem = str(error)
            return
        self.beats += 1
        self.problem = ""
        self.heard_s = time.monotonic()
        self.heard_at = time.strftime("%H:%M:%S")

    def _ask_reasons(self, status: Object) -> None:
        self.reasons = {}
        for name in ("drive", "charge"):
            granted = status.get(f"{name}_limit_permille")
            if isinstance(granted, int) and 0 < granted < _FULL:
                with suppress(Refused):  # so little memory left, while live: the limiter's name must do
                    pieces = plain(self.board.link.read(f"why {name} limit"), "why")
                    self.reasons[name] = "".join(str(piece["text"]) for piece in pieces)

    def page(self) -> str:
        """The page as of now."""
        status, port = self.board.status, self.board.link.port
        if self.problem:
            silent_s = int(time.monotonic() - self.heard_s)
            lines = [hv_line({}), *wrapped(f"no answer since {silent_s} s, waiting for {port}")]
            lines += wrapped(self.problem, "  ")
            if not status:
                return "\n".join(lines)
            lines += ["", f"As it was at {self.heard_at}: {hv_line(status)}"]
        else:
            lines = [hv_line(status), f"{port} at {self.heard_at}"]
        for warning in self.board.warnings:
            lines += wrapped(f"WARNING: {warning}", rest="  ")
        active = status.get("active")
        if active is None:
            lines += ["", *wrapped(stopped(status))]
        elif active:
            lines += ["", "Active faults", *active_lines(active)]
        else:
            lines += ["", "Active faults   none"]
        limits = self._limit_lines()
        lines += ["", "Limits", *limits] if limits else []
        lines += ["", "State", *status_fields(status)]
        return "\n".join(lines)

    def _limit_lines(self) -> list[str]:
        lines = []
        for limit in self.limits:
            name, granted, goal = str(limit.get("name")), limit.get("granted_permille"), limit.get("goal_permille")
            text = shown("granted_permille", granted)
            if goal != granted:
                text += f", on its way to {shown('goal_permille', goal)}"
            if limit.get("by") not in (None, "", "nothing"):
                text += f": {limit['by']}"
            lines += wrapped(text, f"  {name.capitalize():<8}")
            if granted != _FULL and name in self.reasons:
                lines += wrapped(self.reasons[name], " " * 10)
        return lines


def run(args: argparse.Namespace) -> Result:
    """Watch until Ctrl-C and return the last page; UserError for no port that can be meant, or no terminal."""
    if not args.once and not sys.stdout.isatty():
        raise UserError("watch: draws on a terminal, and standard output is none; use --once, or status")
    board = board_of(args, retries=None if args.once else 0)
    watch = Watch(board)
    with board.link:
        if args.once:
            watch.beat()
            if watch.problem:
                raise UserError(watch.problem)
            return Result(watch.page(), exit_code(board))
        with live_page() as show:
            follow(watch, show)
    return Result(watch.page())


def follow(watch: Watch, show: Callable[[str], None]) -> None:
    """Ask and draw, about every _BEAT_S, in a drive every _LIVE_BEAT_S, until Ctrl-C."""
    with suppress(KeyboardInterrupt):
        while True:
            began_s = time.monotonic()
            watch.beat()
            show(watch.page())
            at_rest = watch.problem or watch.board.status.get("phase") in _AT_REST
            beat_s = _BEAT_S if at_rest else _LIVE_BEAT_S
            time.sleep(max(0.0, began_s + beat_s - time.monotonic()))
