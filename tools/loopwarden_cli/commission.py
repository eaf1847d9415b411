"""`loopwarden commission BUILD`: takes a person through bring-up in a safe order, and keeps the record."""

import argparse
import getpass
import re
from datetime import datetime
from pathlib import Path

from rich.console import Console

from loopwarden_build.load import BuildError, read_build
from loopwarden_cli.asked_board import add_options
from loopwarden_cli.build_file import refused
from loopwarden_cli.commission_person import TerminalPerson
from loopwarden_cli.result import Result, UserError
from loopwarden_commission.board import Board
from loopwarden_commission.person import Person, Stop
from loopwarden_commission.record import RecordError
from loopwarden_commission.session import JSON_FILE, PAGE_FILE, Session
from loopwarden_commission.steps import AFTER_SERVICE, FULL
from loopwarden_commission.trial import Unsafe
from loopwarden_link.client import Link
from loopwarden_link.errors import LinkError
from loopwarden_link.ports import choose


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "commission",
        help="bring a drive up step by step, with a record",
        description="Takes a person through the bring-up of a built drive, in a safe order: every input moved, every"
        " output seen, first at low voltage. Reads, and runs the coil test. Keeps a dated record that can be gone on"
        " with. Exit 0: complete; 1: not complete, or a step failed; 2: wrong use, wrong board or build.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="build file (TOML)")
    parser.add_argument("--after-service", action="store_true", help="the short form, after maintenance")
    parser.add_argument("--record", type=Path, metavar="FOLDER", help="where the record lies, or goes on")
    parser.add_argument("--by", metavar="NAME", help="who does it; else this computer's user")
    parser.add_argument(
        "--from", dest="begin", default="", metavar="STEP", help="begin with this step, as in first_start"
    )
    add_options(parser, as_json=False)


def run(args: argparse.Namespace) -> Result:
    """Go through the steps; UserError for a wrong file, folder, board or build."""
    try:
        build = read_build(args.build)
    except BuildError as error:
        return refused(error)
    form = AFTER_SERVICE if args.after_service else FULL
    folder = args.record or _folder(build.build.name, form)
    session = Session(build, form, folder, by=args.by or getpass.getuser())
    try:
        link = Link(choose(args.port), answer_s=args.timeout)
    except LinkError as error:
        raise UserError(str(error)) from None
    person = TerminalPerson(Console())
    try:
        return sit(session, Board(link), person, args.begin)
    finally:
        person.close()
        link.close()


def sit(session: Session, board: Board, person: Person, begin: str = "") -> Result:
    """One sitting; what ended it is told in one line. Errors: UserError where it cannot even begin."""
    try:
        guide = session.begin(board, person, begin)
    except (RecordError, Unsafe, LinkError) as error:
        raise UserError(str(error)) from None
    except OSError as error:
        raise UserError(f"{session.folder}: cannot be written: {error.strerror}") from None
    record = guide.record
    said = ""
    try:
        guide.run(session.steps, begin)
    except Stop:
        said = "Stopped."
    except Unsafe as error:
        said = str(error)
    except LinkError as error:
        said = f"{error}; plug it in again and go on with --record {session.folder}"
    except OSError as error:
        said = f"{session.folder}: cannot be written: {error.strerror}; the last step is not on record"
    lines = [said] if said else []
    if record.complete:
        lines.append("COMPLETE. Print the record and sign it.")
    else:
        lines += ["NOT COMPLETE:", *(f"  {text}" for text in record.missing)]
    lines += [f"Record: {session.folder / PAGE_FILE}, {session.folder / JSON_FILE}"]
    return Result("\n".join(lines), 0 if record.complete else 1)


def _folder(name: str, form: str) -> Path:
    """A folder of its own for each day."""
    plain = re.sub(r"[^a-z0-9]+", "_", f"{name} {form if form != FULL else ''}".lower()).strip("_")
    return Path(f"commissioning_{plain}_{datetime.now():%Y-%m-%d}")
