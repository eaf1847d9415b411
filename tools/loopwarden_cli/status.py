"""`loopwarden status`: how a board is, over its serial port."""

import argparse

from loopwarden_cli.asked_board import Board, add_options, asked_board
from loopwarden_cli.board_words import active_lines, head, status_fields, stopped, wrapped
from loopwarden_cli.result import Result


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "status",
        help="how a board is: voltage, phase, limits, active faults",
        description="Ask a board how it is. Exit 0: no fault is active; 1: one is, or the board's program is stopped,"
        " or its memory was wiped since it was seen last; 2: no board, or no answer.",
    )
    add_options(parser, tells_time=True)


def run(args: argparse.Namespace) -> Result:
    """Return the page; UserError where no board answers."""
    with asked_board(args) as board:
        pass
    return Result(board.as_json() if args.json else page(board), exit_code(board))


def exit_code(board: Board) -> int:
    """0 only for a board that runs, says that nothing is active, and is the one that was seen before."""
    return 0 if board.status.get("active") == [] and not board.doubt else 1


def page(board: Board) -> str:
    """The state in words."""
    status = board.status
    lines = [*head(status, board.warnings), *status_fields(status), ""]
    if "active" not in status:
        lines += wrapped(stopped(status))
    elif status["active"]:
        lines += ["Active faults:", *active_lines(status["active"])]
    else:
        lines.append("No fault is active.")
    return "\n".join(lines)
