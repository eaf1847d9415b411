"""`loopwarden report FILE|SCENARIO|--port PORT`: a drive, or what a board remembers, as one page to look at."""

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from loopwarden_build.load import BuildError, read_build
from loopwarden_build.model import BuildFile
from loopwarden_cli.asked_board import Board, add_options, asked_board, plain
from loopwarden_cli.board_words import hv_line
from loopwarden_cli.build_file import refused
from loopwarden_cli.drive_history import checked_target, drive_of
from loopwarden_cli.result import Result, UserError
from loopwarden_link.errors import Refused
from loopwarden_link.lines import Object

if TYPE_CHECKING:
    from loopwarden_report.board_page import Answers

_CODES_MAX = 30  # asked for in full


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "report",
        help="a drive as a page with plots; or a board's codes and starts",
        description="Writes one self-contained HTML page: of a scenario, run now; of a recording, decided again"
        " (with --build); or, without either, of what a board tells over its serial port. Exit 0: written; 1: written,"
        " but what was run broke off, broke a promise or missed an expectation, or the recording is damaged or was"
        " decided otherwise (the page says so); 2: wrong use, no board, or no answer.",
    )
    parser.add_argument("source", type=Path, nargs="?", metavar="FILE|SCENARIO", help="recording, or scenario (TOML)")
    parser.add_argument("-o", "--output", type=Path, metavar="PAGE", help="where to write; else here, under its name")
    parser.add_argument(
        "--build", type=Path, metavar="BUILD", help="of a recording, or of the board, for what to expect"
    )
    add_options(parser, as_json=False)


def run(args: argparse.Namespace) -> Result:
    """Write the page; UserError for what cannot be read, written or reached."""
    if args.source is not None and args.port is not None:
        raise UserError(f"{args.source} and --port {args.port}: a page is of one of them")
    if args.source is not None:
        return _of_drive(
            args.source, args.build, checked_target(args.output or Path(f"{args.source.stem}.html"), args.source)
        )
    try:
        build = None if args.build is None else read_build(args.build)
    except BuildError as error:
        return refused(error)
    target = checked_target(args.output or Path("board_report.html"))
    return _of_board(args, build, target)


def _of_drive(source: Path, build: Path | None, target: Path) -> Result:
    from loopwarden_report.page import drive_page  # brings the plotting library: no other command pays for it

    history = drive_of(source, build)
    _write(target, drive_page(history))
    lines = [f"{target}: {len(history.ticks)} ticks, {len(history.occurrences)} codes"]
    lines += [f"  {remark}" for remark in history.remarks]
    return Result("\n".join(lines), 1 if history.remarks else 0)


def _of_board(args: argparse.Namespace, build: BuildFile | None, target: Path) -> Result:
    from loopwarden_report.board_page import board_page
    from loopwarden_report.trends import Expected

    with asked_board(args) as board:
        answers = ask(board)
    expected = Expected.of_board(answers.build) if build is None else Expected.of_build(build)
    _write(target, board_page(answers, expected))
    lines = [f"{target}: {len(answers.starts)} starts, {len(answers.faults)} codes"]
    return Result("\n".join([*lines, *(f"  {remark}" for remark in answers.remarks)]))


def ask(board: Board) -> "Answers":
    """Ask a board for all that the page shows; what it refuses is a remark. Errors: LinkError."""
    from loopwarden_report.board_page import Answers, Told

    remarks = list(board.warnings)

    def answer(command: str) -> list[Object]:
        try:
            return board.link.read(command)
        except Refused as error:
            remarks.append(f"The board did not answer {command!r}: {error}")
            return []

    faults = plain(answer("faults"), "fault")
    details = {}
    for fault in faults[:_CODES_MAX]:
        code = str(fault.get("code"))
        name = code if code.startswith(("P", "C", "B", "U")) else str(fault.get("name")).lower().replace("_", " ")
        told = answer(f"faults {name}")
        texts = plain(told, "text")
        details[name] = Told(
            plain(told, "frame"),
            plain(told, "strip"),
            " ".join(str(text["means"]) for text in texts if "means" in text),
            [str(text["check"]) for text in texts if "check" in text],
        )
    if len(faults) > _CODES_MAX:
        remarks.append(f"Only the first {_CODES_MAX} of {len(faults)} codes were asked for in full.")
    starts = plain(answer("starts"), "start")
    if board.status.get("phase") not in ("off", "checking", "locked out"):
        remarks.append("Asked in a drive, a board tells of this power cycle's start alone; ask again at rest for all.")
    return Answers(
        port=board.link.port,
        asked_at=f"{datetime.now():%Y-%m-%d %H:%M}",
        first_line=hv_line(board.status),
        status=board.status,
        faults=faults,
        details=details,
        starts=starts,
        storage=next(iter(plain(answer("storage"), "storage")), {}),
        build=next(iter(plain(answer("build"), "build")), {}),
        remarks=remarks,
    )


def _write(target: Path, text: str) -> None:
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{target}: cannot be written: {error.strerror}") from None
