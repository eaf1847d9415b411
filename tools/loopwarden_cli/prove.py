"""`loopwarden prove BUILD`: attacks one build with everything that can go wrong, in simulation, and says what broke."""

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from loopwarden_build import units
from loopwarden_build.load import BuildError, parse_build, read_text
from loopwarden_cli.build_file import refused
from loopwarden_cli.result import Result, UserError
from loopwarden_prove.executors import DaskExecutor, Executor, ExecutorError, LocalExecutor, PoolExecutor
from loopwarden_prove.proof import PAIRS_MAX, Asked, folder_for, prove, write_scenarios
from loopwarden_prove.report_json import report_json
from loopwarden_prove.report_junit import report_junit
from loopwarden_prove.report_page import report_page
from loopwarden_prove.report_text import report_text
from loopwarden_prove.work import source_of

_SEED_MAX = 2**32 - 1
_WORKERS_MAX = 1024
_BUDGET_MAX_S = 30 * 24 * 3600
_INTERRUPTED = 130


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "prove",
        help="attack a build with everything that can go wrong",
        description="Attacks the decisions of a build, in simulation: every single fault, standing and moving, before,"
        " at and after each transition; then pairs of faults. Each promise that breaks is made into a scenario file"
        " that `loopwarden simulate` reproduces. Exit 0: nothing found; 1: a broken promise, a missing reaction or a"
        " failure; 2: wrong use; 130: interrupted, nothing found so far. It shows nothing about wiring, parts, people.",
    )
    parser.add_argument("build", type=Path, metavar="BUILD", help="build file (TOML)")
    parser.add_argument("--quick", action="store_true", help="a sample of the single faults, about two minutes' worth")
    parser.add_argument(
        "--doubles", type=_whole(0, PAIRS_MAX), metavar="N", help="so many pairs of faults after the single ones"
    )
    parser.add_argument(
        "--budget", type=_budget, metavar="TIME", help='such as "10 min": pairs until then; what is begun is ended'
    )
    parser.add_argument(
        "--seed", type=_whole(0, _SEED_MAX), default=1, metavar="N", help="of noise, sample and pairs; else 1"
    )
    parser.add_argument(
        "--workers", type=_whole(1, _WORKERS_MAX), metavar="N", help="processes here; else as many as processors"
    )
    parser.add_argument("--cluster", metavar="ADDRESS", help="scheduler of a dask cluster, such as tcp://10.0.0.5:8786")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write a page to read and print")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the same for programs")
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write a JUnit XML report, a case for each attack")
    parser.add_argument(
        "-o", "--output", type=Path, metavar="FOLDER", help="for scenario files of what is found; else one with a date"
    )


def run(args: argparse.Namespace) -> Result:
    """Prove it; UserError for a wrong file, address or place to write."""
    if args.cluster is not None and args.workers is not None:
        raise UserError("--workers: a cluster has its own number of workers; leave one of the two options out")
    for path in (args.html, args.json, args.junit):
        if path is not None and not path.resolve().parent.is_dir():
            raise UserError(f"{path}: cannot be written: there is no folder {path.resolve().parent}")
        if path is not None and path.is_dir():
            raise UserError(f"{path}: cannot be written: is a folder")
    if args.output is not None and args.output.exists() and not args.output.is_dir():
        raise UserError(f"--output {args.output}: is not a folder")
    try:
        text = read_text(str(args.build))
        build = parse_build(text, str(args.build))
    except BuildError as error:
        return refused(error)
    source = source_of(str(args.build), text, args.seed)
    pairs = args.doubles if args.doubles is not None else 0 if args.quick or args.budget is None else None
    asked = Asked(args.seed, args.quick, pairs, args.budget)
    folder = args.output or folder_for(build, datetime.now())
    executor, where = _executor(args)
    unwritten: list[str] = []  # told at the end: it must not cost what the campaign has found
    try:
        with executor as entered:
            with _bar(asked) as progress:
                proof = prove(source, asked, entered, where, progress)
            with _noted(unwritten):
                write_scenarios(proof, source, args.build, folder, entered)
    except ExecutorError as error:
        raise UserError(str(error)) from None
    with _noted(unwritten):
        if args.html is not None:
            args.html.write_text(report_page(proof, str(folder)), encoding="utf-8")
        if args.json is not None:
            args.json.write_text(report_json(proof), encoding="utf-8")
        if args.junit is not None:
            args.junit.write_text(report_junit(proof, str(folder)), encoding="utf-8")
    text = report_text(proof, str(folder))
    if unwritten:
        raise UserError(*text.splitlines(), *unwritten)
    return Result(text, 1 if proof.troubles else _INTERRUPTED if proof.ended == "interrupted" else 0)


def _executor(args: argparse.Namespace) -> tuple[Executor, str]:
    """Where the work is done, and that in words."""
    if args.cluster is not None:
        return DaskExecutor(args.cluster), f"on the cluster at {args.cluster}"
    workers = args.workers or os.cpu_count() or 1
    if workers == 1:
        return LocalExecutor(), "in one process"
    return PoolExecutor(workers), f"in {workers} processes"


@contextmanager
def _bar(asked: Asked) -> Iterator[Callable[[int, int, int], None]]:
    """A bar on standard error, and only where somebody looks at it."""
    if not sys.stderr.isatty():
        yield lambda done, planned, wrong: None
        return
    by_time = asked.budget_s is not None and asked.pairs is None
    clock = TimeElapsedColumn() if by_time else TimeRemainingColumn()
    parts = (TextColumn("{task.description}"), BarColumn(), clock)
    with Progress(*parts, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("begins", total=None)

        def step(done: int, planned: int, wrong: int) -> None:
            found = f", {wrong} times something wrong" if wrong else ""
            of_all = "" if by_time else f" of {planned}"
            total = asked.budget_s if by_time else planned
            at = bar.tasks[0].elapsed if by_time else done
            bar.update(task, description=f"{done}{of_all} cases{found}", completed=at, total=total)

        yield step


@contextmanager
def _noted(lines: list[str]) -> Iterator[None]:
    """What cannot be written becomes a line."""
    try:
        yield
    except OSError as error:
        lines.append(f"{error.filename}: cannot be written: {error.strerror}")


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        try:
            number = int(text)
        except ValueError:
            number = low - 1
        if not low <= number <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return number

    return read


def _budget(text: str) -> float:
    try:
        span_s = units.parse(text, "s")
    except units.UnitError as error:
        raise argparse.ArgumentTypeError(f"{text!r} {error}") from None
    if not 0 < span_s <= _BUDGET_MAX_S:
        raise argparse.ArgumentTypeError(f"{text!r} must be above 0 and at most {_BUDGET_MAX_S // 3600} h")
    return span_s
