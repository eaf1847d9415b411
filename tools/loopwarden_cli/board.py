"""`loopwarden board BUILD|SCENARIO`: a virtual board that stays up, its console on a serial port of this machine."""

import argparse
import contextlib
import os
import re
import select
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from loopwarden_build.load import BuildError, read_build
from loopwarden_build.model import BuildFile
from loopwarden_can.bus import BoardBus, CanError, open_bus
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result, UserError
from loopwarden_sim import deeds
from loopwarden_sim.board_run import BoardRun
from loopwarden_sim.scenario import Scenario, ScenarioError, load_scenario
from loopwarden_sim.virtual_board import BoardError, VirtualBoard, commission, make_image
from loopwarden_sim.world import World

_FOR_EVER = 1 << 40  # ticks
_HELP = """What you can do to the world, a line each:
  key on | off           also: start, ack, plug, stop, crash
  service run | service | test     the service switch: coil supply through, broken, made
  throttle 0.5           any quantity of a scenario, with its unit where it has one: speed_kmh 30 km/h
  strike FAULT [WHERE] [NAME=VALUE ...]     a fault of the world; heal FAULT [WHERE] ends it
  power off | on, reset  the board's own supply and its reset line
  faults                 the faults that can strike this build
  quit                   ends the board, as Ctrl-C does; its flash stays
The board's own console is on the serial port: open it with any terminal."""


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "board",
        help="run the firmware on a virtual board, its console on a serial port of this machine",
        description="Runs the complete firmware under MicroPython in the simulated world of a build, or of a scenario"
        " whose timeline is then played. Prints the serial port and stays up until Ctrl-C. No hardware is involved.",
    )
    parser.add_argument("file", type=Path, metavar="BUILD|SCENARIO", help="build file or scenario file (TOML)")
    parser.add_argument("--flash", type=Path, metavar="FILE", help="flash image to keep; made when it does not exist")
    parser.add_argument("--new", action="store_true", help="a flash just installed, with a new fault memory")
    parser.add_argument("--fast", action="store_true", help="as fast as this machine can, not in real time")
    parser.add_argument(
        "--can", metavar="BUS", help="put its CAN frames on a bus: INTERFACE:CHANNEL of python-can, as socketcan:vcan0"
    )
    parser.add_argument("--for", dest="seconds", type=float, metavar="S", help="end after so many simulated seconds")


def run(args: argparse.Namespace) -> Result:
    """Stay up until interrupted; UserError for a file or an image that cannot be used."""
    try:
        scenario = _scenario(args.file)
    except BuildError as error:
        return refused(error)
    if args.seconds is not None and not args.seconds > 0:
        raise UserError(f"--for {args.seconds:g}: must be above 0 s")
    tick_s = scenario.build.build.tick
    ticks = _FOR_EVER if args.seconds is None else max(round(args.seconds / tick_s), 1)
    try:
        with (
            _flash(args, scenario) as image,
            _bus(args.can) as bus,
            contextlib.closing(VirtualBoard(scenario.build, image, bus=bus)) as board,
        ):
            _say(f"Virtual board of {scenario.build.build.name}: the firmware under MicroPython, in a simulated world.")
            _say(f"Serial port: {board.port}")
            _say(f"Flash image: {image}")
            if args.can:
                _say(f"CAN bus: {args.can}")
            _say("Type help for what you can do to the world. Ctrl-C ends.")
            outcome = _Session(replace(scenario, ticks=ticks), board, paced=not args.fast).go(None, None)
    except KeyboardInterrupt:
        return Result("The board is off.")
    except CanError as error:
        raise UserError(str(error)) from None
    except BoardError as error:
        raise UserError(f"{args.file}: {error}") from None
    except OSError as error:
        raise UserError(f"{error.filename or args.flash}: cannot be used as flash image: {error.strerror}") from None
    lines = [str(breach) for breach in outcome.breaches] + ([outcome.failure] if outcome.failure else [])
    return Result("\n".join(lines or ["No promise was broken."]), 1 if lines else 0)


def _scenario(file: Path) -> Scenario:
    """The scenario of a file; a build file alone is one without a timeline."""
    try:
        with file.open("rb") as stream:
            is_build = "scenario" not in tomllib.load(stream)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        is_build = False  # the reader says what is wrong
    if is_build:
        build: BuildFile = read_build(file)
        return Scenario(file, build.build.name, build, 1, 1, False, (), (), ())
    try:
        return load_scenario(file)
    except ScenarioError as error:
        raise UserError(*error.lines) from None


@contextlib.contextmanager
def _flash(args: argparse.Namespace, scenario: Scenario) -> Iterator[Path]:
    """The flash image, made where it is missing; without --flash it goes with the board."""
    with tempfile.TemporaryDirectory() as folder:
        image = args.flash or Path(folder) / "flash.img"
        if not image.exists():
            make_image(image, scenario.build)
            if not (args.new or scenario.memory_new):
                commission(image, scenario.build)
        elif args.new:
            raise UserError(f"{image}: is there already; --new makes one anew, so name another or remove it")
        yield image


@contextlib.contextmanager
def _bus(name: str | None) -> Iterator[BoardBus | None]:
    if name is None:
        yield None
        return
    with open_bus(name) as bus:
        yield BoardBus(bus)


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


class _Session(BoardRun):
    """A run that takes lines from the person at the terminal, and keeps to real time."""

    def __init__(self, scenario: Scenario, board: VirtualBoard, *, paced: bool) -> None:
        super().__init__(scenario, board)
        self._paced = paced
        self._begin_s = time.monotonic()
        self._typed = b""
        self._listens = True

    def begin(self, tick: int) -> None:
        super().begin(tick)
        while True:
            wait_s = self._begin_s + tick * self.tick_ms / 1000 - time.monotonic() if self._paced else 0.0
            if wait_s < -1.0:
                self._begin_s -= wait_s  # this machine cannot keep up: go on from here
            if self._listens and select.select([sys.stdin], [], [], max(wait_s, 0.0))[0]:
                self._listen()
                continue
            if not self._listens and wait_s > 0:
                time.sleep(wait_s)
            return

    def note(self, text: str, t_ms: int) -> None:
        _say(f"{t_ms / 1000:9.2f} s  {text}")

    def _listen(self) -> None:
        data = os.read(sys.stdin.fileno(), 1024)
        self._listens = bool(data)
        *lines, self._typed = (self._typed + data).split(b"\n")
        for line in lines:
            self._do(re.sub(r"[^ -~]", "?", line.decode("utf-8", "replace")).strip())

    def _do(self, line: str) -> None:
        if line in ("quit", "exit"):
            raise KeyboardInterrupt
        if line == "help":
            _say(_HELP)
        elif line == "faults":
            _say("  " + "\n  ".join(f"{name}: {World.FAULTS[name].meaning}" for name in sorted(self.world.possible())))
        elif line:
            try:
                self.act(deeds.read_deed(line, self.world), self.tick)
            except ValueError as error:  # what is typed wrong must not end the board
                _say(str(error))
