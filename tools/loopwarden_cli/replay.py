"""`loopwarden replay FILE`: decides a recording again, and says whether the decisions are the same."""

import argparse
import json
import textwrap
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from loopwarden.build import Build
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, read_build
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result, UserError
from loopwarden_record.recording import Recording, RecordingError, read
from loopwarden_record.replay import Replayed, replay
from loopwarden_record.side_by_side import Row, side_by_side


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "replay",
        help="decide a recording again: are the decisions the same? what with another build?",
        description="Runs this program's decisions over the readings of a recording and compares each tick's commands."
        " With --build: lists what that build would have decided on the same readings. Exit 0: the same decisions"
        " throughout; 1: a tick differs, or a part cannot be read; 2: no recording.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="recording")
    parser.add_argument("--build", type=Path, metavar="BUILD", help="build file to compare with")
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")


def run(args: argparse.Namespace) -> Result:
    """Return what came of it; UserError for a file that is no recording."""
    try:
        recording = read(args.file)
        other = None if args.build is None else Build(to_device(read_build(args.build)))
        found = replay(recording)
        rows, same = ([], 0) if other is None else side_by_side(recording, other)
    except BuildError as error:
        return refused(error)
    except RecordingError as error:
        raise UserError(str(error)) from None
    except OSError as error:
        raise UserError(f"{args.file}: cannot be read: {error.strerror}") from None
    code = 0 if found.identical and not found.remarks else 1
    if args.json:
        return Result(_json(recording, found, other, rows, same), code)
    lines = _text(recording, found)
    if other is not None:
        lines += _beside(rows, same, recording, args.build)
    return Result("\n".join(lines), code)


def _text(recording: Recording, found: Replayed) -> list[str]:
    header = recording.header
    lines = [f"{recording.path}: {header.program} on {header.made_by}, build {recording.digest[:12]}"]
    if header.recorded:
        lines.append(f"Recorded {header.recorded}.")
    lines += [f"Note: {remark}." for remark in found.remarks]
    if recording.ended:
        lines.append(f"It ended because {recording.ended}.")
    if found.difference is not None:
        d = found.difference
        lines.append(f"NOT the same: tick {d.tick}, {d.t_ms / 1000:.2f} s after the first one:")
        lines += [f"  {name}: the board commanded {told}, decided here: {now}" for name, told, now in d.what]
        lines.append("The board ran another program, or its build is not what it says; look at its version.")
    elif found.ticks:
        lines.append(f"The same decisions in all {found.ticks} ticks ({found.ms / 1000:.1f} s), every command of each.")
    else:
        lines.append("No tick of it can be decided again.")
    return lines


def _beside(rows: list[Row], same: int, recording: Recording, build: Path) -> list[str]:
    if not rows:
        return ["", f"{build} would have decided the same on these readings ({same} moments)."]
    table = Table(box=None, pad_edge=False, expand=True)
    table.add_column("s", justify="right", no_wrap=True)
    table.add_column("the recorded build", ratio=1)
    table.add_column(build.name, ratio=1)
    for row in rows:
        table.add_row(f"{row.t_ms / 1000:.2f}", row.here or "-", row.there or "-")
    console = Console(width=80, color_system=None)
    with console.capture() as capture:
        console.print(table)
    lines = [line.rstrip() for line in capture.get().splitlines()]
    note = (
        "On the recorded readings: where a build acts otherwise the vehicle would have gone on otherwise, so what comes"
        " after that in its column is what it would decide about a drive that did not happen so."
    )
    return ["", f"{len(rows)} moments differ, {same} are the same.", *lines, "", *textwrap.wrap(note, 80)]


def _json(recording: Recording, found: Replayed, other: Any, rows: list[Row], same: int) -> str:
    d = found.difference
    told: dict[str, Any] = {
        "file": str(recording.path),
        "program": recording.header.program,
        "build": recording.digest,
        "ended": recording.ended,
        "identical": found.identical,
        "ticks": found.ticks,
        "ticks_read": found.read,
        "seconds": found.ms / 1000,
        "remarks": found.remarks,
        "difference": None
        if d is None
        else {
            "tick": d.tick,
            "t_ms": d.t_ms,
            "what": [{"name": name, "recorded": was, "decided": now} for name, was, now in d.what],
        },
    }
    if other is not None:
        told["moments_the_same"] = same
        told["moments_that_differ"] = [
            {"t_ms": row.t_ms, "recorded_build": row.here, "other": row.there} for row in rows
        ]
    return json.dumps(told, indent=2)
