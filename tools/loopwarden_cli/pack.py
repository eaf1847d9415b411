"""`loopwarden pack BUILD -o FILE`: the integer build that the board loads, with its digest."""

import argparse
import json
from pathlib import Path

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.pack import digest_of, pack_bytes
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result, UserError


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "pack",
        help="write the integer build that the board loads",
        description="Check a build file and write its integers with a digest; nothing is written unless it passes.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="the build file (TOML)")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", required=True, help="where to write")
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")


def run(args: argparse.Namespace) -> Result:
    """Return what was written; UserError for a wrong build file or a place that cannot be written."""
    try:
        build = read_build(args.build)
    except BuildError as error:
        return refused(error)
    values = to_device(build)
    data = pack_bytes(values)
    try:
        args.output.write_bytes(data)
    except OSError as error:
        raise UserError(f"{args.output}: cannot be written: {error.strerror}") from None
    digest = digest_of(values)
    if args.json:
        answer = {"build": str(args.build), "file": str(args.output), "bytes": len(data), "digest": digest}
        return Result(json.dumps(answer, indent=2))
    return Result(f"{args.output}: {len(data)} bytes, digest {digest}")
