"""`loopwarden pins BUILD`: the board with its signals, to wire from."""

import argparse
import json
from pathlib import Path

from loopwarden_build.load import BuildError, read_build
from loopwarden_build.pin_page import facts, page
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result, UserError


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "pins",
        help="the board with its signals, ready to wire from",
        description="Print the pin plan of a build: the board's header, converters, registers, resistors. The plan is"
        " checked first; exit codes as for check.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="the build file (TOML)")
    parser.add_argument("--json", action="store_true", help="the same as one JSON object")


def run(args: argparse.Namespace) -> Result:
    """Return the page; UserError for a file that is wrong in itself, or has no plan."""
    try:
        build = read_build(args.build)
    except BuildError as error:
        return refused(error)
    if not build.pins:
        raise UserError(f"{args.build}: pins: has none: a plan names a place for every signal, or none")
    return Result(json.dumps(facts(build), indent=2) if args.json else page(build))
