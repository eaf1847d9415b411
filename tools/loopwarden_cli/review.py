"""`loopwarden review BUILD`: what a build comes to, as a page with a card, or as JSON."""

import argparse
import json
from pathlib import Path

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.pack import digest_of
from loopwarden_build.review import review
from loopwarden_build.review_page import page
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "review",
        help="what a build comes to: limits in ohm, times, energies, ratings, what nobody watches",
        description="Print what a build comes to, and a card for whoever works on it. Exit codes as for check.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="the build file (TOML)")
    parser.add_argument("--json", action="store_true", help="the same as one JSON object, SI units in the names")


def run(args: argparse.Namespace) -> Result:
    """Return the page; UserError for a file that is wrong in itself."""
    try:
        build = read_build(args.build)
    except BuildError as error:
        return refused(error)
    facts = review(build, digest_of(to_device(build)))
    return Result(json.dumps(facts, indent=2) if args.json else page(facts))
