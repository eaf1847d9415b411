"""`loopwarden faults [CODE]`: the stored and active codes of a board, or everything about one of them."""

import argparse
from datetime import UTC, datetime

from loopwarden_cli import heard_board
from loopwarden_cli.asked_board import add_options, asked_board, plain
from loopwarden_cli.board_words import active_lines, clean, head, shown, table, wrapped
from loopwarden_cli.result import Result
from loopwarden_link.lines import Object

_FRAME = (
    ("Time since start", "t_ms"),
    ("Time of day", "wall_s"),
    ("Phase", "phase"),
    ("Bus", "bus_mv"),
    ("Pack", "pack_mv"),
    ("Current", "current_ma"),
    ("Isolation", "isolation_ohm"),
    ("Hottest", "hottest_dc"),
    ("Coldest", "coldest_dc"),
    ("Speed", "speed_mm_s"),
    ("Drive limit", "drive_limit_permille"),
    ("Charge limit", "charge_limit_permille"),
    ("Commanded", "commands"),
)
_COMMANDS = ("positive", "negative", "precharge", "discharge")
_STRIP = (
    ("Bus", "bus_dv"),
    ("Pack", "pack_dv"),
    ("Current", "current_da"),
    ("Speed", "speed_cm_s"),
    ("Limit", "drive_limit_permille"),
    ("Isolation", "isolation_kohm"),
)


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "faults",
        help="a board's trouble codes; with a code its freeze frames, meaning and first checks",
        description="Ask a board for its trouble codes. Exit 0: nothing active, present or locked; 1: something is, or"
        " its memory was wiped since it was seen last; 2: no board, no answer, or no such code.",
    )
    parser.add_argument("code", nargs="*", metavar="CODE", help="a code (P0A0A-13) or its name (loop open)")
    add_options(parser, tells_time=True)
    heard_board.add_options(parser)


def run(args: argparse.Namespace) -> Result:
    """Return the list or the page of one code; UserError where no board answers, or it knows no such code."""
    if args.can:
        return heard_board.faults_heard(args)
    with asked_board(args) as board:
        answer = board.link.read(" ".join(("faults", *args.code)))
    faults = plain(answer, "fault")
    exit_code = 1 if board.doubt or any(is_wrong(fault) for fault in faults) else 0
    top = head(board.status, board.warnings)
    if not args.code:
        return Result(board.as_json(faults=faults) if args.json else "\n".join(top + list_lines(faults)), exit_code)
    frames, strip, texts = plain(answer, "frame"), plain(answer, "strip"), plain(answer, "text")
    means = " ".join(str(text["means"]) for text in texts if "means" in text)
    checks = [str(text["check"]) for text in texts if "check" in text]
    if args.json:
        one = {"fault": faults[0] if faults else None, "frames": frames, "strip": strip}
        return Result(board.as_json(**one, means=means, checks=checks), exit_code)
    lines = list_lines(faults, with_checks=False) + wrapped(means)
    for title, part in (("Freeze frames", _frame_lines(frames)), ("Before the hard reaction", _strip_lines(strip))):
        lines += ["", title, *part] if part else []
    lines += ["", "First checks"] if checks else []
    for number, check in enumerate(checks, 1):
        lines += wrapped(check, f"  {number}. ")
    return Result("\n".join(top + lines), exit_code)


def is_wrong(fault: Object) -> bool:
    """Whether a code is more than history. What the board does not tell counts as wrong."""
    return any(fault.get(name) != 0 for name in ("active", "present", "lock"))


def list_lines(faults: list[Object], *, with_checks: bool = True) -> list[str]:
    """One line a code, then the first checks of those that are active."""
    if not faults:
        return ["No trouble codes: none stored, none active."]
    rows = []
    for fault in faults:
        name = str(fault.get("name")).lower().replace("_", " ")
        rows.append((str(fault.get("code")), name, shown("", fault.get("count")), _state(fault), _cycles(fault)))
    heading, *told = table(("Code", "What", "Times", "State", "Power cycles"), rows, left=(0, 1, 3, 4))
    lines = [heading]
    for line, fault in zip(told, faults, strict=True):
        lines.append(line)
        notes = [str(fault["where"])] if fault.get("where") else []
        if fault.get("count") and not fault.get("stored"):
            notes.append("waits to be stored")
        lines += wrapped("; ".join(notes), " " * 12) if notes else []
    active = [fault["row"] for fault in faults if fault.get("active")]
    return [*lines, "", *(["Active:", *active_lines(active)] if active and with_checks else [])]


def _state(fault: Object) -> str:
    if fault.get("active"):
        state = "active"
    elif fault.get("present"):
        state = "present"
    else:
        state = "past" if fault.get("count") else "never seen"
    return state + (", LOCK" if fault.get("lock") else "")


def _cycles(fault: Object) -> str:
    first, latest = fault.get("first_cycle"), fault.get("latest_cycle")
    return "" if first is None else f"{first}" if first == latest else f"{first} to {latest}"


def _frame_lines(frames: list[Object]) -> list[str]:
    if not frames:
        return []
    rows = [[label, *(_in_frame(name, frame) for frame in frames)] for label, name in _FRAME]
    return table(["", *(str(frame.get("which")) for frame in frames)], rows, left=(0,))


def _in_frame(name: str, frame: Object) -> str:
    value = frame.get(name)
    if name == "commands" and isinstance(value, int):
        return ", ".join(word for k, word in enumerate(_COMMANDS) if value >> k & 1) or "none"
    if name == "wall_s":
        return f"{datetime.fromtimestamp(value, UTC):%Y-%m-%d %H:%M} UTC" if isinstance(value, int) else "not told"
    return shown(name, value)


def _strip_lines(strip: list[Object]) -> list[str]:
    rows = []
    for sample in strip:
        before = sample.get("before_ms")
        at = f"{-before / 1000 + 0.0:.1f} s" if isinstance(before, int) else "?"
        cells = ["-" if sample.get(name) is None else shown(name, sample[name]) for _, name in _STRIP]
        rows.append((at, clean(shown("phase", sample.get("phase"))), *cells))
    return table(("At", "Phase", *(label for label, _ in _STRIP)), rows, left=(0, 1)) if rows else []
