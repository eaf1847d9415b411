"""`loopwarden record`: every tick's readings and commands of a board, or of a simulated one, into a file."""

import argparse
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from loopwarden_cli.asked_board import add_options, asked_board
from loopwarden_cli.result import Result, UserError
from loopwarden_link.errors import Refused
from loopwarden_record.capture import capture
from loopwarden_record.recording import RecordingError
from loopwarden_record.simulated import record_scenario
from loopwarden_sim.scenario import ScenarioError, load_scenario


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "record",
        help="record every tick of a board for replay and report; Ctrl-C ends it",
        description="Records from a board on which nothing is started and the bus is proven dead: its decisions begin"
        " anew, as after a loss of power. Then start and drive; the recording goes on until Ctrl-C, or until the"
        " cable or the supply goes. With a scenario: records the simulated board. Exit 0: recorded; 1: it broke off"
        " by itself; 2: refused.",
    )
    parser.add_argument("scenario", type=Path, nargs="?", metavar="SCENARIO", help="a scenario in place of a board")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE", help="must not be there yet")
    parser.add_argument("--for", dest="seconds", type=float, metavar="S", help="end after so many seconds")
    add_options(parser, as_json=False)


def run(args: argparse.Namespace) -> Result:
    """Record until it ends; UserError where it cannot begin."""
    if args.seconds is not None and not 0 < args.seconds <= 1e6:
        raise UserError(f"--for {args.seconds:g}: allowed are more than 0 and up to 1000000 s")
    if args.output.exists():
        raise UserError(f"{args.output}: is there already, and no recording is written over another file")
    if not args.output.resolve().parent.is_dir():
        raise UserError(f"{args.output}: cannot be written: there is no folder {args.output.resolve().parent}")
    try:
        if args.scenario is not None:
            if args.port is not None:
                raise UserError("a scenario or --port, not both")
            ticks, why = record_scenario(load_scenario(args.scenario), args.output)
            return Result(_told(args.output, ticks, why))
        return _from_board(args)
    except ScenarioError as error:
        raise UserError(*error.lines) from None
    except OSError as error:
        raise UserError(f"{args.output}: cannot be written: {error.strerror}") from None


def _from_board(args: argparse.Namespace) -> Result:
    with asked_board(args) as board, _asked_to_stop(args.seconds) as stop:
        _say("Recording. Ctrl-C ends it.\n")
        try:
            ticks, why = capture(board.link, args.output, stop=stop, progress=_progress())
        except Refused as error:
            raise UserError(str(error)) from None
        except RecordingError as error:
            raise UserError(f"{board.link.port}: {error}") from None
        meant = stop()
    return Result(_told(args.output, ticks, why), 0 if meant else 1)


def _told(path: Path, ticks: int, why: str) -> str:
    return f"{path}: {ticks} ticks, {path.stat().st_size} bytes. It ended because {why}."


@contextmanager
def _asked_to_stop(seconds: float | None) -> "Iterator[_Stop]":
    """Ctrl-C, or the time that is over, asks it to stop in order; a second Ctrl-C breaks it off."""
    stop = _Stop(None if seconds is None else time.monotonic() + seconds)
    before = signal.signal(signal.SIGINT, stop.interrupt)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


class _Stop:
    def __init__(self, until_s: float | None) -> None:
        self._until_s = until_s
        self._asked = False

    def interrupt(self, *_: object) -> None:
        """A signal came."""
        if self._asked:
            raise KeyboardInterrupt
        self._asked = True

    def __call__(self) -> bool:
        return self._asked or (self._until_s is not None and time.monotonic() >= self._until_s)


def _say(text: str) -> None:
    sys.stderr.write(text)
    sys.stderr.flush()


def _progress() -> Callable[[int], None] | None:
    if not sys.stderr.isatty():
        return None
    last = [0.0]

    def told(ticks: int) -> None:
        if time.monotonic() - last[0] > 0.5:
            last[0] = time.monotonic()
            _say(f"\r{ticks} ticks ")

    return told
