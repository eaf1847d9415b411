"""`loopwarden clear CODE|all`: have a board forget codes, with the acknowledge button where it takes one.

Asks once. When the answer gets lost nothing is asked again blindly: what is stored then tells what became of it.
"""

import argparse
from collections.abc import Callable

from loopwarden_cli.asked_board import Board, add_options, asked_board, plain
from loopwarden_cli.board_words import clean, fault_name, head, wrapped
from loopwarden_cli.faults import list_lines
from loopwarden_cli.result import Result, UserError
from loopwarden_cli.terminal import tell
from loopwarden_link.errors import Damaged, LinkError, Lost, NoAnswer, Refused
from loopwarden_link.lines import Object

BUTTON_S = 10.0  # the board waits so long for the button


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "clear",
        help="have a board clear a code, or all",
        description="Ask a board to clear codes. A lock needs the acknowledge button at the vehicle, within 10 s."
        " Exit 0: done; 1: refused, or not known to be done; 2: no board, or no answer at all.",
    )
    parser.add_argument("code", nargs="+", metavar="CODE", help='a code (P0A0A-13), its name (loop open), or "all"')
    add_options(parser)


def run(args: argparse.Namespace) -> Result:
    """Ask, wait for the button, and return what became of it; UserError where no board answers."""
    code = " ".join(args.code)
    asked: list[Object] = []
    with asked_board(args) as board:
        before = plain(board.link.read("faults"), "fault")
        outcome, refusal = _ask(board, code, lambda found: _heard(found, asked, code))
        try:
            left = plain(board.link.read("faults"), "fault")
        except LinkError as error:
            raise UserError(f"clear {code} was sent, and what became of it is not known", str(error)) from None
    went = any(_is_meant(fault, code) for fault in before) and not any(_is_meant(fault, code) for fault in left)
    done = outcome == "done" or (outcome == "unknown" and went)
    if args.json:
        answer = {"code": code, "done": done, "outcome": outcome, "refusal": refusal or None}
        return Result(board.as_json(**answer, asked=asked, left=left), 0 if done else 1)
    lines = head(board.status, board.warnings)
    if outcome == "refused" and code == "all" and asked:
        lines.append("Not everything was cleared:")
    elif outcome == "refused":
        lines += wrapped(f"Not cleared: {refusal.removeprefix('not cleared: ')}")
    elif outcome == "unknown":
        lines += wrapped(f"The board's answer got lost ({refusal}). Not asked again; what it stores now:")
    else:
        lines += wrapped(f"The board has done it: clear {code}.")
    for found in asked if code == "all" else ():
        lines += wrapped(_said(found), "  ")
    return Result("\n".join([*lines, "", *list_lines(left, with_checks=False)]).rstrip(), 0 if done else 1)


def _ask(board: Board, code: str, heard: Callable[[Object], None]) -> tuple[str, str]:
    """What became of it, and why: "done", "refused" or "unknown"."""
    try:
        board.link.once(f"clear {code}", wait_s=BUTTON_S, heard=heard)
    except Refused as error:
        return "refused", clean(error.text)
    except (Damaged, Lost, NoAnswer) as error:
        return "unknown", str(error)
    return "done", ""


def _heard(found: Object, asked: list[Object], code: str) -> None:
    if found["kind"] != "asked":
        return
    asked.append({"row": found.get("row"), "what": clean(str(found.get("what")))})
    if code != "all" or "press" in asked[-1]["what"]:  # what became of each of all stands on the page
        tell(_said(asked[-1]))


def _said(found: Object) -> str:
    row = found["row"]
    return f"{fault_name(row)}: {found['what']}" if isinstance(row, int) and row > 0 else str(found["what"])


def _is_meant(fault: Object, code: str) -> bool:
    wanted = code.lower().replace("_", " ")
    code = str(fault.get("code")).lower()
    # A code without its ending is one the board understands as well.
    return wanted == "all" or wanted in (code, code.partition("-")[0], str(fault.get("name")).lower().replace("_", " "))
