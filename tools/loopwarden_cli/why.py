"""`loopwarden why SUBJECT`: why a lamp, a limit, a refusal or a fault of a board is as it is, in words."""

import argparse

from loopwarden.naming import SUBJECTS
from loopwarden_cli.asked_board import add_options, asked_board, plain
from loopwarden_cli.board_words import head, wrapped
from loopwarden_cli.result import Result


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "why",
        help="why a board's lamp, limit, refusal or fault is as it is",
        description="Ask a board why. Exit 0: it said why; 2: no board, no answer, or no such subject.",
        epilog=f"Subjects: {', '.join(SUBJECTS)}, and every fault's name.",
    )
    parser.add_argument("subject", nargs="+", metavar="SUBJECT", help='such as "drive limit" or "isolation fault"')
    add_options(parser)


def run(args: argparse.Namespace) -> Result:
    """Return the board's reason; UserError where no board answers, or it knows no such subject."""
    subject = " ".join(args.subject)
    with asked_board(args) as board:
        answer = board.link.read(f"why {subject}")
    text = "".join(str(piece["text"]) for piece in plain(answer, "why"))
    if args.json:
        return Result(board.as_json(subject=subject, text=text))
    return Result("\n".join(head(board.status, board.warnings) + wrapped(text)))
