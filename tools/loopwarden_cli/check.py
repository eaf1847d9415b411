"""`loopwarden check BUILD`: whether a build file can be used, and if not, everything that is wrong with it."""

import argparse
import json
from pathlib import Path

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.pack import digest_of
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "check",
        help="check a build file",
        description="Check a build file. Exit 0: fine; 1: the build it describes breaks a rule; 2: the file is wrong.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="the build file (TOML)")
    parser.add_argument("--json", action="store_true", help="answer as one JSON object, also when there are errors")


def run(args: argparse.Namespace) -> Result:
    """Return the verdict; UserError for a file that is wrong in itself."""
    try:
        build = read_build(args.build)
    except BuildError as error:
        if args.json:
            answer = {"file": str(args.build), "ok": False, "errors": error.lines}
            return Result(json.dumps(answer, indent=2), error.exit_code)
        return refused(error)
    digest = digest_of(to_device(build))
    if args.json:
        answer = {"file": str(args.build), "ok": True, "errors": [], "name": build.build.name, "digest": digest}
        return Result(json.dumps(answer, indent=2))
    return Result(f"{args.build}: fine ({build.build.name}, packed build {digest[:16]}...)")
