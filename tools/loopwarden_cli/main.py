"""The `loopwarden` command: hands the arguments to one subcommand and prints what comes back.

Nothing else in this package prints a result, so every subcommand can be called and tested as a function.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import Protocol

from loopwarden_cli import (
    board,
    check,
    clear,
    commission,
    discharge,
    export,
    faults,
    install,
    isolation,
    pack,
    pins,
    precharge,
    prove,
    record,
    replay,
    report,
    review,
    schema,
    simulate,
    starts,
    status,
    thermistor,
    watch,
    why,
)
from loopwarden_cli.result import Result, UserError


class Command(Protocol):
    """What a subcommand's module has to offer."""

    def add_parser(self, subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
        """Add this subcommand's parser, under its name in COMMANDS."""

    def run(self, args: argparse.Namespace) -> Result:
        """Do the work; raise UserError for what the user has to fix."""


COMMANDS: dict[str, Command] = {
    "check": check,
    "review": review,
    "pack": pack,
    "schema": schema,
    "isolation": isolation,
    "precharge": precharge,
    "discharge": discharge,
    "thermistor": thermistor,
    "simulate": simulate,
    "report": report,
    "export": export,
    "prove": prove,
    "pins": pins,
    "board": board,
    "install": install,
    "commission": commission,
    "status": status,
    "faults": faults,
    "why": why,
    "starts": starts,
    "clear": clear,
    "record": record,
    "replay": replay,
    "watch": watch,
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand; return 0 fine, 1 the thing looked at failed, 2 wrong use, 130 for Ctrl-C.

    argv    arguments without the program's name; None takes those of this process
    Errors: SystemExit(2) from argparse for arguments it cannot read.
    """
    parser = argparse.ArgumentParser(
        prog="loopwarden", description="Check, simulate, ask and explain a supervised electric drive."
    )
    parser.add_argument("--version", action="version", version=f"loopwarden {version('loopwarden')}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for command in COMMANDS.values():
        command.add_parser(subparsers)
    args = parser.parse_args(argv)
    try:
        result = COMMANDS[args.command].run(args)
    except UserError as error:
        for line in error.lines:
            print(line, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    try:
        if result.text:
            print(result.text, flush=True)
    except BrokenPipeError:  # a reader such as head has seen enough; the flush at exit must not find the pipe again
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return result.exit_code


if __name__ == "__main__":
    sys.exit(main())
