"""`loopwarden simulate SCENARIO...`: run scenario files on the simulated world and say whether they hold."""

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from loopwarden_cli.result import Result, UserError
from loopwarden_sim import runner
from loopwarden_sim.junit import junit_xml
from loopwarden_sim.report import exercised, exercised_text, outcome_data, outcome_text
from loopwarden_sim.runner import Outcome
from loopwarden_sim.scenario import Scenario, ScenarioError, load_scenario

_SEED_MAX = 2**32 - 1


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "simulate",
        help="run scenarios on the simulated world",
        description="Run scenario files, or all in a folder. Each runs twice and must give the same commands."
        " Exit 0: all hold; 1: an expectation or a promise does not; 2: a file cannot be used.",
    )
    parser.add_argument("scenario", type=Path, nargs="+", metavar="SCENARIO", help="scenario file (TOML), or a folder")
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write a JUnit XML report as well")
    parser.add_argument("--trace", type=Path, metavar="FILE", help="write a CSV row per tick; for one scenario")
    parser.add_argument("--seed", type=_seed, metavar="N", help="in place of each scenario's own seed")


def _seed(text: str) -> int:
    try:
        seed = int(text)
    except ValueError:
        seed = -1
    if not 0 <= seed <= _SEED_MAX:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 to {_SEED_MAX}")
    return seed


def run(args: argparse.Namespace) -> Result:
    """Run them all; UserError for anything that cannot be read or written."""
    scenarios = _load(args.scenario)
    if args.trace is not None and len(scenarios) != 1:
        raise UserError(f"--trace {args.trace}: writes the ticks of one scenario, and {len(scenarios)} are given")
    for path in (args.trace, args.junit):
        if path is not None and not path.resolve().parent.is_dir():
            raise UserError(f"{path}: cannot be written: there is no folder {path.resolve().parent}")
    try:
        with progress_bar(scenarios, quiet=args.json) as bar:
            outcomes = [
                runner.run(scenario, seed=args.seed, trace=args.trace, progress=bar(scenario), twice=True)
                for scenario in scenarios
            ]
        if args.junit is not None:
            args.junit.write_text(junit_xml(outcomes), encoding="utf-8")
    except OSError as error:
        raise UserError(f"{error.filename}: cannot be written: {error.strerror}") from None
    exit_code = 0 if all(outcome.passed for outcome in outcomes) else 1
    return Result(_json(outcomes) if args.json else _text(outcomes), exit_code)


def _load(paths: Sequence[Path]) -> list[Scenario]:
    """Every scenario, folders opened up; all errors of all files at once."""
    files: list[Path] = []
    lines: list[str] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(path.rglob("*.toml"))
            if not inside:
                lines.append(f"{path}: no scenario (.toml) lies in this folder")
            files.extend(inside)
        else:
            files.append(path)
    scenarios = []
    for file in dict.fromkeys(files):
        try:
            scenarios.append(load_scenario(file))
        except ScenarioError as error:
            lines.extend(error.lines)
    if lines:
        raise UserError(*lines)
    return scenarios


@contextmanager
def progress_bar(
    scenarios: Sequence[Scenario], *, quiet: bool
) -> Iterator[Callable[[Scenario], runner.Progress | None]]:
    """A bar on standard error, and only where somebody looks at it: gives each scenario the function that moves it."""
    if quiet or not sys.stderr.isatty():
        yield lambda scenario: None
        return
    parts = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*parts, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=2 * sum(scenario.ticks for scenario in scenarios))  # each runs twice
        finished = 0

        def begin(scenario: Scenario) -> runner.Progress:
            bar.update(task, description=scenario.path.stem)
            return step

        def step(done: int, total: int) -> None:
            nonlocal finished
            bar.update(task, completed=finished + done)
            finished += total if done == total else 0

        yield begin


def _text(outcomes: Sequence[Outcome]) -> str:
    parts = [outcome_text(outcome, story=len(outcomes) == 1) for outcome in outcomes]
    parts.append(exercised_text(outcomes))
    if len(outcomes) > 1:
        passed = sum(outcome.passed for outcome in outcomes)
        parts.append(f"{passed} of {len(outcomes)} scenarios passed")
    return "\n\n".join(parts)


def _json(outcomes: Sequence[Outcome]) -> str:
    answer = {
        "passed": all(outcome.passed for outcome in outcomes),
        "exercised": exercised(outcomes),
        "scenarios": [outcome_data(outcome) for outcome in outcomes],
    }
    return json.dumps(answer, indent=2)
