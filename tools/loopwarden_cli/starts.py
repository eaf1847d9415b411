"""`loopwarden starts`: precharge and discharge of a board's last power cycles, as a table."""

import argparse

from loopwarden_cli.asked_board import add_options, asked_board, plain
from loopwarden_cli.board_words import fault_name, head, shown, table, wrapped
from loopwarden_cli.result import Result

_HEADS = (
    ("Cycle", "cycle"),
    ("Precharge", "precharge_ms"),
    ("Discharge", "discharge_ms"),
    ("Isolation", "lowest_ohm"),
    ("Hottest", "hottest_dc"),
    ("Inverter", "inverter_dc"),
    ("Motor", "motor_dc"),
)


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "starts",
        help="a board's starts: precharge and discharge times, lowest isolation, codes",
        description="Ask a board for its last starts, newest last. Exit 0: it told; 2: no board, or no answer.",
    )
    add_options(parser)


def run(args: argparse.Namespace) -> Result:
    """Return the table; UserError where no board answers."""
    with asked_board(args) as board:
        starts = plain(board.link.read("starts"), "start")
    if args.json:
        return Result(board.as_json(starts=starts))
    top = head(board.status, board.warnings)
    if not starts:
        return Result("\n".join([*top, "No start is on record."]))
    rows = [[_cell(name, start.get(name)) for _, name in _HEADS] for start in starts]
    heading, *lines = table([label for label, _ in _HEADS], rows, left=())
    told = [heading + "  Drove"]
    for line, start in zip(lines, starts, strict=True):
        told.append(line + ("  yes" if start.get("drove") else "  no"))
        for row in start.get("rows") or ():
            told += wrapped(fault_name(row), " " * 9)
    return Result("\n".join([*top, *told]))


def _cell(name: str, value: object) -> str:
    return "-" if value is None else shown(name, value).replace(" degC", "C")
