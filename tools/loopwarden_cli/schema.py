"""`loopwarden schema`: the JSON schema of the build file, for editors that complete and check while one types."""

import argparse
import json
from pathlib import Path

from loopwarden_build.schema import build_schema
from loopwarden_cli.result import Result, UserError


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "schema",
        help="the JSON schema of the build file, for editors",
        description="Print the JSON schema of the build file. It knows keys and units; ranges and rules are for check.",
    )
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write it there instead of printing it")


def run(args: argparse.Namespace) -> Result:
    """Return the schema, or what was written; UserError for a place that cannot be written."""
    text = json.dumps(build_schema(), indent=2)
    if args.output is None:
        return Result(text)
    try:
        args.output.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise UserError(f"{args.output}: cannot be written: {error.strerror}") from None
    return Result(f"{args.output}: JSON schema of the build file")
