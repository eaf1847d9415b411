"""`loopwarden install BUILD`: puts the program and a build on a board that is in service."""

import argparse
import json
import time
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.pack import digest_of, pack_bytes
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result, UserError
from loopwarden_install.install import Found, Installed, InstallError, Order, install
from loopwarden_install.version import Version, version_of
from loopwarden_link.errors import LinkError
from loopwarden_link.ports import choose
from loopwarden_link.remembered import Remembered, state_file


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "install",
        help="put the program and a build on a board that is in service",
        description="Copies a new version beside the one on the board, has the board check every file, and switches"
        " to it in one step; outputs are off throughout, and stored codes stay. The board must be in service with its"
        " bus dead: type `service` at its console, or power it up with the service switch in SERVICE. Exit codes: 0"
        " installed and answering, 1 refused or not finished, 2 wrong use. Tried on the virtual board only.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="the build file (TOML), with its pins")
    parser.add_argument("--port", metavar="PORT", help="serial port; not needed when exactly one board is connected")
    parser.add_argument(
        "--proven-dead-by-meter",
        action="store_true",
        help="the bus was proven dead with a tested meter: for a board whose bus channel gives no valid reading",
    )
    parser.add_argument("--other-build", action="store_true", help="put it on a board that holds another build")
    parser.add_argument("--no-remember", action="store_true", help="do not compare with, or note, what was seen before")
    parser.add_argument("--json", action="store_true", help="the result as one JSON object")


def run(args: argparse.Namespace) -> Result:
    """Install; UserError for a file or port that cannot be used, exit code 1 for a board that refuses or is lost."""
    try:
        build = read_build(args.build)
    except BuildError as error:
        return refused(error)
    if not build.pins:
        raise UserError(f"{args.build}: pins: has none, so it can only be simulated; a board needs to know its pins")
    try:
        port = choose(args.port)
    except LinkError as error:
        raise UserError(str(error)) from None
    device = to_device(build)
    version = version_of(pack_bytes(device))
    console = Console(stderr=True)
    columns = TextColumn("Copying"), BarColumn(), DownloadColumn()
    try:
        with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
            bar = progress.add_task("", total=version.size())

            def told(found: Found) -> None:
                console.print(_found(port, found), soft_wrap=True, highlight=False, markup=False)

            done = install(
                port,
                Order(version, build.build.name, build.build.chip, args.proven_dead_by_meter, args.other_build),
                sent=lambda count: progress.advance(bar, count),
                told=told,
            )
    except InstallError as error:
        return Result(str(error), 1)
    return _result(args, port, version, digest_of(device), done)


def _found(port: str, found: Found) -> str:
    runtime = ".".join(map(str, found.runtime))
    lines = [
        f"{port}: {found.chip.upper()}, MicroPython {runtime}, {found.free_bytes // 1024} KB free; outputs are off"
    ]
    if found.chip == "rp2040":
        lines.append(
            "Caution: an RP2040 has little memory: its console does not answer `why`, and pages only at rest. Take a"
            " board with an RP2350."
        )
    if found.dead_mv is None:
        why = f" ({found.problem})" if found.problem else ""
        lines.append(f"No whole program is on it{why}: nothing on it can say whether the bus is dead. Prove it.")
    elif found.bus_mv is not None:
        lines.append(
            f"It starts {found.current}, build '{found.build_name}'; its bus reads {found.bus_mv / 1000:.1f} V, dead"
            f" below {found.dead_mv / 1000:.1f} V"
        )
    return "\n".join(lines)


def _result(args: argparse.Namespace, port: str, version: Version, digest: str, done: Installed) -> Result:
    same = done.answer.get("build") == digest
    warnings = [] if args.no_remember else _compared(port, done.answer)
    if args.json:
        facts = {"port": port, "before": done.before, "now": done.now, "bytes": version.size(), "answer": done.answer}
        facts["warnings"] = warnings
        return Result(json.dumps(facts, indent=2), 0 if same else 1)
    if not same:
        return Result(
            f"{port}: installed, but what answers runs another build ({done.answer.get('build')}): power it off and on,"
            " then ask `loopwarden status`",
            1,
        )
    what = f"{done.before or 'nothing'} -> {done.now}" if done.before != done.now else f"{done.now}, as before"
    return Result(
        f"Installed: {what}; program {done.answer.get('program')}, build {digest[:12]}..., it answers.\n"
        f"Stored codes stay: `loopwarden faults --port {port}`. Next:"
        f" `loopwarden commission {args.build} --port {port}`."
        + "".join(f"\nCaution: {warning}" for warning in warnings)
    )


def _compared(port: str, answer: dict[str, Any]) -> list[str]:
    """Why the memory of this board is not the one that was seen at this port before; nothing where it is."""
    remembered = Remembered(state_file())
    doubt = remembered.doubt(port, str(answer["birth"]), int(answer["cycle"]), time.time())
    return [text for text in (doubt, remembered.problem) if text]
