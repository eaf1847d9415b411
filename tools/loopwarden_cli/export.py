"""`loopwarden export FILE|SCENARIO -o FILE`: a drive as CSV, for the person's own analysis."""

import argparse
from pathlib import Path

from loopwarden_cli.drive_history import checked_target, drive_of
from loopwarden_cli.result import Result, UserError


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "export",
        help="a drive as CSV, a row a tick",
        description="Runs a scenario, or decides a recording again (with --build), and writes what the supervisor read"
        " and commanded as CSV: a row a tick, units in the names of the columns, what is not known empty. What really"
        " was, as only a simulation knows it, is in `loopwarden simulate --trace`. Exit 0: written; 1: written, but"
        " what was run broke off, broke a promise or missed an expectation, or the recording is damaged or was decided"
        " otherwise; 2: wrong use.",
    )
    parser.add_argument("source", type=Path, metavar="FILE|SCENARIO", help="recording, or scenario (TOML)")
    parser.add_argument("--build", type=Path, metavar="BUILD", help="build file of a recording")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="where to write; else here, under its name")


def run(args: argparse.Namespace) -> Result:
    """Write the table; UserError for what cannot be read or written."""
    from loopwarden_report.csv_file import write_csv  # brings numpy: no other command pays for it

    target = checked_target(args.output or Path(f"{args.source.stem}.csv"), args.source)
    history = drive_of(args.source, args.build)
    try:
        rows = write_csv(history, target)
    except OSError as error:
        raise UserError(f"{target}: cannot be written: {error.strerror}") from None
    lines = [f"{target}: {rows} rows", *(f"  {remark}" for remark in history.remarks)]
    return Result("\n".join(lines), 1 if history.remarks else 0)
