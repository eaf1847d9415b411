"""What a board tells on a CAN bus, for `loopwarden faults --can`: its state and active codes, without being asked."""

import argparse
import json
from typing import Any

from loopwarden import words
from loopwarden.memory import codes as K
from loopwarden.policy.phases import NAMES
from loopwarden_can.bus import CanError, listen, open_bus
from loopwarden_can.frames import FIRST_ID, FIRST_ID_MAX, Heard
from loopwarden_cli.board_words import active_lines, table
from loopwarden_cli.result import Result, UserError

_STATUS_BITS: tuple[str, ...] = ("TestFailed", "FailedThisCycle", "Pending", "Confirmed", "NotCompletedSinceClear")
_STATUS_BITS += ("FailedSinceClear", "NotCompletedThisCycle", "WarningIndicator")


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options of a subcommand that can listen on a CAN bus."""
    parser.add_argument(
        "--can", metavar="BUS", help="listen on a CAN bus instead: INTERFACE:CHANNEL of python-can, as socketcan:can0"
    )
    parser.add_argument(
        "--first-id",
        type=_identifier,
        default=FIRST_ID,
        metavar="ID",
        help=f"with --can: the build's can.first_id, 0x{FIRST_ID:X} if not given",
    )


def _identifier(text: str) -> int:
    try:
        number = int(text, 0)
    except ValueError:
        number = -1
    if not 0 <= number <= FIRST_ID_MAX:
        raise argparse.ArgumentTypeError(f"{text!r} is not an identifier from 0 to 0x{FIRST_ID_MAX:X}")
    return number


def faults_heard(args: argparse.Namespace) -> Result:
    """The active codes; UserError where no bus can be opened or no board is heard on it."""
    if args.code:
        raise UserError("--can: a board sends its active codes, not what it keeps of one; ask over serial for that")
    heard = _whole_round(args)
    status, faults = heard.latest["Status"], [heard.faults[n] for n in sorted(heard.faults)]
    told = [_told(fault) for fault in faults]
    exit_code = 1 if told else 0
    if args.json:
        quality = {"mangled": heard.mangled, "lost": heard.lost, "repeated": heard.repeated}
        document = {"bus": args.can, "first_id": args.first_id, "frames": quality, "latest": heard.latest}
        return Result(json.dumps({**document, "faults": told}, indent=2), exit_code)
    bus_v = heard.latest["Voltages"]["BusVoltage"]
    bus = "not known: take it as LIVE" if bus_v is None else f"{bus_v:.1f} V"
    lit = "lit" if status["HighVoltageLamps"] else "held off"
    lines = [f"Bus {bus}; high-voltage lamps {lit}; {NAMES[status['Phase']]}, power cycle {status['PowerCycle']}"]
    bad = ((heard.mangled, "mangled"), (heard.lost, "lost"), (heard.repeated, "repeated"))
    lines += (
        [f"Frames: {', '.join(f'{count} {what}' for count, what in bad if count)}"] if any(n for n, _ in bad) else []
    )
    lines += ["Frames tell active codes only, and anybody on the bus can forge one. Past codes:"]
    lines += ["ask over serial. That a bus is dead says a tester, never a frame."]
    if not told:
        return Result("\n".join([*lines, "", "No code is active."]), exit_code)
    rows = [(one["code"], one["name"], f"{one['status']:02X}", _in_words(one["status"])) for one in told]
    lines += ["", *table(("Code", "What", "Status", "Which says"), rows, left=(0, 1, 2, 3))]
    return Result("\n".join([*lines, "", "Active:", *active_lines([one["row"] for one in told])]), exit_code)


def _whole_round(args: argparse.Namespace) -> Heard:
    heard = None
    try:
        with open_bus(args.can) as bus:
            for heard in listen(bus, args.first_id, args.timeout):
                if heard.whole_round():
                    return heard
    except CanError as error:
        raise UserError(str(error)) from None
    ids = f"0x{args.first_id:X} to 0x{args.first_id + 5:X}"
    if heard is None:
        raise UserError(f"{args.can}: no frame of a board came within {args.timeout:g} s, identifiers {ids}")
    told = f"{len(heard.faults)} of {heard.latest.get('Status', {}).get('ActiveFaults', 'an unknown number of')}"
    raise UserError(f"{args.can}: only {told} active codes were told within {args.timeout:g} s; --timeout waits longer")


def _told(fault: dict[str, Any]) -> dict[str, Any]:
    row, code = int(fault["FaultRow"]), int(fault["FaultCode"])
    status = sum(int(fault[name]) << bit for bit, name in enumerate(_STATUS_BITS))
    return {
        "row": row,
        "name": words.fault_name(row),
        "code": words.code_text(code >> 8, code & 0xFF),
        "status": status,
    }


def _in_words(status: int) -> str:
    found = ["failed now"] if status & K.TEST_FAILED else ["not now, but not ended"]
    return ", ".join([*found, "lights a lamp"] if status & K.WARNING_INDICATOR else found)
