"""Mutation testing of policy and memory: makes mutants, runs tests on each until one fails, keeps the results.

    python -m mutation.hunt [--minutes N] [--sample N --seed S] [--files PART] [--survivors] [--json FILE] [--publish]

With `tests` in PYTHONPATH. Each mutant's result is a line in a file, so a run may be ended at any time and goes on
where it ended; a mutant whose line of source changed is a new one. Nothing else does all of this: mutmut mutates
functions only, so no row of the fault table and no constant, and cosmic-ray starts the tests anew for each of
thousands of mutants.
"""

import argparse
import json
import os
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import asdict
from datetime import date
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

# Not used here: whatever is forked from here finds these imported.
import numpy  # noqa: F401
import pydantic  # noqa: F401
import pytest
import scipy.integrate  # noqa: F401
from scipy.stats import binomtest

from changed_source import PACKAGE

from .mutants import Mutant
from .plan import Plan, sources
from .session import ROOT, collected, measured
from .victims import Verdict, hunt_fresh, hunt_warm, module

KEPT = ROOT / ".mutation"  # git ignores it
LAST = Path(__file__).parent / "last_result.json"
MOST_S = 40.0  # usual processor time of the tests that a mutant meets before it counts as a survivor
_TOLD_S = 30
_BLOCK = 100
_FORK = get_context("fork")


def all_mutants() -> list[Mutant]:
    """Policy before memory; within each in an order by chance that is always the same, so a part is a fair sample."""
    found = {name: module(name).mutants for name in sources()}
    order = random.Random(0)
    ordered = []
    for package in ("policy", "memory"):
        some = [mutant for name, mutants in found.items() if name.startswith(package) for mutant in mutants]
        order.shuffle(some)
        ordered += some
    return ordered


class Results:
    """A file of results, one JSON object a line; later lines count."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.of: dict[str, Verdict] = {}
        if file.exists():
            for line in file.read_text(encoding="utf-8").splitlines():
                result = json.loads(line)
                key = result.pop("key")
                self.of[key] = Verdict(**result)

    def add(self, mutant: Mutant, verdict: Verdict) -> None:
        """Keep one more."""
        self.of[mutant.key] = verdict
        with self.file.open("a", encoding="utf-8") as file:
            file.write(json.dumps({"key": mutant.key, **asdict(verdict)}) + "\n")


def measure(plan: Plan, kept: Path, processes: int) -> None:
    """What every test takes and runs that is not in the plan yet. Errors: RuntimeError when one fails."""

    def one(conn: Connection, k: int) -> None:
        def work(items: list[pytest.Item]) -> None:
            for answer in measured([item for item in items if item.nodeid not in plan.seconds][k::processes], PACKAGE):
                conn.send(answer)

        collected(work)

    told_at = time.monotonic()
    for answer in _answers([(one, k) for k in range(processes)]):
        plan.add(*answer)
        if time.monotonic() - told_at > _TOLD_S:
            told_at = time.monotonic()
            plan.save(kept)
            print(f"without a mutant: {len(plan.seconds)} tests", flush=True)
    plan.save(kept)


def _answers(tasks: list[tuple[Callable[..., None], int]]) -> Iterator[Any]:
    """What the tasks send, each in a process of its own. Errors: RuntimeError when one of them ends badly."""
    pipes, running = [], []
    for task, k in tasks:
        mine, theirs = _FORK.Pipe()
        process = _FORK.Process(target=task, args=(theirs, k))
        process.start()
        theirs.close()
        pipes.append(mine)
        running.append(process)
    while pipes:
        for pipe in wait(pipes):
            try:
                yield pipe.recv()
            except EOFError:
                pipes.remove(pipe)
    for process in running:
        process.join()
        if process.exitcode != 0:
            raise RuntimeError(f"a process that ran tests ended with {process.exitcode}")


def _warm(conn: Connection) -> None:
    def work(items: list[pytest.Item]) -> None:
        # What every test needs, once for all: reading a build file is slower than most tests.
        from policy.rig import device_values

        import loopwarden_sim.runner  # noqa: F401

        for build in ("orchard_truck", "bench_cart"):
            device_values(build)
        by_name = {item.nodeid: item for item in items}
        # One that is measured may be gone by now.
        _serve(conn, lambda mutant, tests: hunt_warm(mutant, [one for one in tests if one[0] in by_name], by_name))

    collected(work)


def _cold(conn: Connection, known: Collection[str]) -> None:
    _serve(conn, lambda mutant, tests: hunt_fresh(mutant, tests, known))


def _serve(conn: Connection, hunt: Callable[[Mutant, list[tuple[str, float]]], Verdict]) -> None:
    while (task := conn.recv()) is not None:
        conn.send(hunt(*task))


class _Workers:
    """Processes that try mutants, started when they are first needed."""

    def __init__(self, work: Callable[[Connection], None], most: int) -> None:
        self._work, self._most = work, most
        self._running: list[tuple[Connection, Any]] = []

    def __enter__(self) -> "_Workers":
        return self

    def __exit__(self, *_: object) -> None:
        for pipe, process in self._running:
            pipe.send(None)
            process.join()

    def pipes(self, wanted: int) -> list[Connection]:
        """To as many workers as are wanted, as far as so many may be."""
        while len(self._running) < min(wanted, self._most):
            mine, theirs = _FORK.Pipe()
            process = _FORK.Process(target=self._work, args=(theirs,))
            process.start()
            theirs.close()
            self._running.append((mine, process))
        return [pipe for pipe, _ in self._running[:wanted]]


class Hunt:
    """Tries mutants in some processes until all are tried, or until it is late."""

    def __init__(self, plan: Plan, results: Results, processes: int, until: float, most_s: float) -> None:
        self.plan, self.results, self.until, self.most_s = plan, results, until, most_s
        self.processes = processes
        self.told_at = time.monotonic()
        self.count: Counter[str] = Counter()

    def run(self, mutants: list[Mutant]) -> None:
        """By the hundred, in their order, so that a hunt that ends early has tried a fair part: those outside of
        functions, each of which needs fresh imports, have workers of another kind."""
        cold = partial(_cold, known=set(self.plan.seconds))
        with _Workers(_warm, self.processes) as warm, _Workers(cold, self.processes) as fresh:
            for k in range(0, len(mutants), _BLOCK):
                block = mutants[k : k + _BLOCK]
                self._run(warm, [mutant for mutant in block if mutant.where], len(mutants))
                self._run(fresh, [mutant for mutant in block if not mutant.where], len(mutants))

    def _run(self, workers: "_Workers", mutants: list[Mutant], of: int) -> None:
        waiting = iter(mutants)
        pipes: dict[Connection, Mutant] = {}
        for pipe in workers.pipes(len(mutants)):
            self._next(pipe, pipes, waiting)
        while pipes:
            for pipe in wait(list(pipes)):
                assert isinstance(pipe, Connection)
                self._note(pipes.pop(pipe), pipe.recv())
                self._next(pipe, pipes, waiting)
            self._tell(of)

    def _next(self, pipe: Connection, pipes: dict[Connection, Mutant], waiting: Iterator[Mutant]) -> None:
        mutant = next(waiting, None) if time.monotonic() < self.until else None
        while mutant is not None and not (tests := self.plan.tests(mutant, self.most_s)):
            self._note(mutant, Verdict("", "no test", 0))
            mutant = next(waiting, None)
        if mutant is not None:
            pipes[pipe] = mutant
            pipe.send((mutant, tests))

    def _note(self, mutant: Mutant, verdict: Verdict) -> None:
        self.results.add(mutant, verdict)
        self.count[verdict.how] += 1
        if verdict.by:
            self.plan.kills[mutant.file, mutant.where][verdict.by] += 1

    def _tell(self, of: int) -> None:
        if time.monotonic() - self.told_at > _TOLD_S:
            self.told_at = time.monotonic()
            print(f"{sum(self.count.values())} of {of}: {dict(self.count)}", flush=True)


def summary(mutants: list[Mutant], results: Results, made: int) -> dict[str, Any]:
    """Counts over these mutants, as far as they were tried. made: how many they were chosen from."""
    files: dict[str, Counter[str]] = {}
    survivors = []
    for mutant in sorted(mutants, key=lambda mutant: (mutant.file, mutant.line)):
        verdict = results.of.get(mutant.key)
        if verdict is not None:
            count = files.setdefault(mutant.file, Counter(tried=0, killed=0))
            count["tried"] += 1
            count["killed"] += bool(verdict.by)
            if not verdict.by:
                survivors.append(mutant.key)
    tried = sum(count["tried"] for count in files.values())
    killed = sum(count["killed"] for count in files.values())
    return {
        "date": date.today().isoformat(),
        "commit": _commit(),
        "made": made,
        "tried": tried,
        "killed": killed,
        "score_percent": round(100 * killed / tried, 2) if tried else 0.0,
        "interval_percent": interval(killed, tried),
        "files": {name: dict(count) for name, count in sorted(files.items())},
        "survivors": survivors,
    }


def interval(killed: int, tried: int) -> list[float]:
    """The 95 % interval of Wilson for the share of all mutants that would be killed, in percent."""
    if not tried:
        return [0.0, 100.0]
    found = binomtest(killed, tried).proportion_ci(method="wilson")
    return [round(100 * float(found.low), 2), round(100 * float(found.high), 2)]


def _commit() -> str:
    done = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True)
    return done.stdout.strip()


def table(told: dict[str, Any]) -> str:
    """The summary for people."""
    lines = [f"{'file':<32}{'tried':>7}{'killed':>8}"]
    lines += [f"{name:<32}{count['tried']:>7}{count['killed']:>8}" for name, count in told["files"].items()]
    low, high = told["interval_percent"]
    lines.append(f"{'all':<32}{told['tried']:>7}{told['killed']:>8}  {told['score_percent']:.2f} % ({low} to {high})")
    return "\n".join(lines)


def figures(told: dict[str, Any]) -> dict[str, float]:
    """As one flat object."""
    return {
        "mutation_score_percent": told["score_percent"],
        "mutants_made": told["made"],
        "mutants_tried": told["tried"],
        "mutants_survived": told["tried"] - told["killed"],
    }


def published(parts: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """One result of the results of packages: each counts by how many mutants it has, not by how many were tried."""
    made = sum(part["made"] for part in parts.values())
    score = sum(part["made"] * part["score_percent"] for part in parts.values()) / made
    return {"score_percent": round(score, 2), "packages": dict(sorted(parts.items(), reverse=True))}


def publish(mutants: list[Mutant], everything: list[Mutant], results: Results, seed: int | None) -> None:
    """Put what these tell of each package in the place of what was published of it."""
    parts = json.loads(LAST.read_text(encoding="utf-8"))["packages"] if LAST.exists() else {}
    for package in ("policy", "memory"):
        some = [mutant for mutant in mutants if mutant.file.startswith(package)]
        if some:
            made = sum(mutant.file.startswith(package) for mutant in everything)
            parts[package] = {"seed": seed, **summary(some, results, made)}
    LAST.write_text(json.dumps(published(parts), indent=1) + "\n", encoding="utf-8")


def main() -> int:
    """0; 1 when tests fail without a mutant."""
    parser = argparse.ArgumentParser(prog="hunt", description="Mutation testing of policy and memory.")
    parser.add_argument("--minutes", type=float, default=1e6, help="end after so long; a later run goes on")
    parser.add_argument("--sample", type=int, metavar="N", help="try only so many mutants, chosen by chance")
    parser.add_argument("--seed", type=int, default=1, help="of the chance")
    parser.add_argument("--files", default="", metavar="PART", help="only files with this in their path")
    parser.add_argument("--survivors", action="store_true", help="try those again that have survived so far")
    parser.add_argument("--seconds", type=float, default=MOST_S, help="of tests for each mutant at most")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures as one flat object")
    parser.add_argument("--publish", action="store_true", help=f"write {LAST.relative_to(ROOT)}")
    args = parser.parse_args()
    until = time.monotonic() + 60 * args.minutes
    KEPT.mkdir(exist_ok=True)
    results = Results(KEPT / "results.jsonl")
    everything = all_mutants()
    mutants = [mutant for mutant in everything if args.files in mutant.file]
    made = len(mutants)
    if args.sample is not None:
        random.Random(args.seed).shuffle(mutants)
        del mutants[args.sample :]  # so a greater sample has every mutant of a smaller one
    plan = Plan.load(KEPT / "tests.json")
    try:
        measure(plan, KEPT / "tests.json", args.processes)
    except RuntimeError as error:
        print(f"hunt: {error}", file=sys.stderr)
        return 1
    by_key = {mutant.key: mutant for mutant in everything}
    for key, verdict in results.of.items():
        if verdict.by and key in by_key:
            plan.kills[by_key[key].file, by_key[key].where][verdict.by] += 1
    if args.survivors:
        todo = [mutant for mutant in mutants if mutant.key in results.of and not results.of[mutant.key].by]
    else:
        todo = [mutant for mutant in mutants if mutant.key not in results.of]
    Hunt(plan, results, args.processes, until, args.seconds).run(todo)
    told = summary(mutants, results, made)
    print(table(told))
    if args.json is not None:
        args.json.write_text(json.dumps(figures(told), indent=2) + "\n", encoding="utf-8")
    if args.publish:
        publish(mutants, everything, results, args.seed if args.sample is not None else None)
    return 0


if __name__ == "__main__":
    sys.exit(main())
