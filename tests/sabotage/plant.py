"""Plants each sabotage and looks who finds it out.

    python -m sabotage.plant [--checks NAME,...] [--processes N] [--json FILE]

With `tests` in PYTHONPATH. Each broken policy lives in a fork of a process that has not imported the policy yet, so it
is imported from the changed text; no file is touched. The checks are tried in turn until one finds it out: the shipped
scenarios take seconds and are part of the tests; campaign and properties together must find all of it as well.
"""

import argparse
import json
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Not used here: every fork finds it imported, and it imports nothing of the policy.
import pydantic  # noqa: F401

from changed_source import PACKAGE, use

from .sabotages import SABOTAGES, Sabotage

ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "host_sim" / "scenarios"
BUILDS = ("orchard_truck", "bench_cart")
CASES = 400  # of each build's campaign


def file_of(subject: str) -> str:
    """The file of the properties of a subject, as pytest names it."""
    return f"tests/policy/test_properties_{subject}.py"


# The quickest ones first.
SUBJECTS = "heat cooling found findings reactions openings contacts hold precharge locks starts promises pairs"
PROPERTIES = tuple(file_of(subject) for subject in SUBJECTS.split())


class GoneError(Exception):
    """The text that a sabotage changes does not stand in the source exactly once; the text says where."""


@dataclass(frozen=True)
class Found:
    """by: the check that found a sabotage out, "" where none did; where and what it saw."""

    sabotage: Sabotage
    by: str
    where: str
    seen: str


Finding = tuple[str, str]  # where, what was seen


def shipped_scenarios(sabotage: Sabotage) -> Iterator[Finding]:
    """A promise broken, an expectation not met or a run that ended: in the scenarios of the table, then in all others.

    Each is run twice, as a promise (S14) is about just that.
    """
    from loopwarden_sim.runner import run
    from loopwarden_sim.scenario import load_scenario

    others = sorted(file.stem for file in SCENARIOS.glob("*.toml") if file.stem not in sabotage.first)
    for name in (*sabotage.first, *others):
        outcome = run(load_scenario(SCENARIOS / f"{name}.toml"), twice=sabotage.promise == "S14")
        for breach in outcome.breaches:
            yield name, str(breach)
        if outcome.failure:
            yield name, outcome.failure
        for result in outcome.expectations:
            if not result.passed:
                yield name, str(result)


def campaign(sabotage: Sabotage) -> Iterator[Finding]:
    """What `prove` calls a trouble, in the campaign of each shipped build: in all cases of the attacks that the table
    names, or else in a sample."""
    from loopwarden_build.load import read_text
    from loopwarden_prove import plan
    from loopwarden_prove.tally import Tally
    from loopwarden_prove.work import Cases, campaign_of, run_cases, source_of

    for build in BUILDS:
        path = str(ROOT / "host_sim" / "builds" / f"{build}.toml")
        source = source_of(path, read_text(path), 1)
        whole = campaign_of(source)
        named = [case for case in whole.cases if set(case.attacks) & set(sabotage.attacks)]
        cases = named if sabotage.attacks else plan.sample(whole.cases, CASES, 1)
        tally = Tally(cases, {name: name for name in whole.attacks})
        for group in plan.tasks(cases, 1):
            for case, finding in zip(group, run_cases(Cases(source, group)), strict=True):
                tally.add(case, finding)
            for trouble in tally.troubles():
                first = trouble.sightings[0]
                yield (
                    f"{build}, {' and '.join(trouble.attacks)}, {first.case.moment}",
                    f"{trouble.promise} {first.seen}",
                )


def properties(sabotage: Sabotage) -> Iterator[Finding]:
    """A property of hypothesis that does not hold, and did. One that is known not to tells nothing."""
    from mutation.session import collected, fails

    first = [file_of(subject) for subject in sabotage.properties]
    for file in (*first, *(file for file in PROPERTIES if file not in first)):
        failed: list[str] = []

        def until_one_fails(items: list[Any], failed: list[str] = failed) -> None:
            kept = [item for item in items if not item.get_closest_marker("xfail")]
            failed.extend(next(([item.nodeid] for item in kept if fails(item)), []))

        collected(until_one_fails, [file])
        for name in failed:
            yield name, "does not hold"


CHECKS: dict[str, Callable[[Sabotage], Iterator[Finding]]] = {
    "shipped scenarios": shipped_scenarios,
    "campaign": campaign,
    "properties": properties,
}
QUICK = ("shipped scenarios",)


def changed(sabotage: Sabotage) -> str:
    """The source with the sabotage in it. Errors: GoneError."""
    source = (PACKAGE / sabotage.file).read_text(encoding="utf-8")
    times = source.count(sabotage.before)
    if times != 1:
        raise GoneError(f"{sabotage.file} has {times} times, not once, what is to be changed: {sabotage.before!r}")
    return source.replace(sabotage.before, sabotage.after)


def _look(sabotage: Sabotage, checks: Iterable[str]) -> tuple[str, str, str]:
    """In a process of its own: who finds it out."""
    use(sabotage.file, compile(changed(sabotage), str(PACKAGE / sabotage.file), "exec"))
    for name in checks:
        try:
            for where, seen in CHECKS[name](sabotage):
                return name, where, seen
        except Exception:  # a policy that cannot even be imported or started is found out as well
            return name, "it does not run", traceback.format_exc().strip().splitlines()[-1]
    return "", "", ""


def plant(sabotages: Iterable[Sabotage], processes: int, checks: Sequence[str] = QUICK) -> Iterator[Found]:
    """Try each, some at a time; in the order in which they are found out. Errors: GoneError, before any is tried."""
    waiting = list(sabotages)
    for sabotage in waiting:
        changed(sabotage)
    waiting.reverse()
    running: dict[int, tuple[Sabotage, int]] = {}
    while waiting or running:
        while waiting and len(running) < processes:
            sabotage = waiting.pop()
            reading, writing = os.pipe()
            child = os.fork()
            if child == 0:
                os.write(writing, json.dumps(_look(sabotage, checks)).encode())
                os._exit(0)
            os.close(writing)
            running[child] = (sabotage, reading)
        child, status = os.wait()
        sabotage, reading = running.pop(child)
        with os.fdopen(reading, encoding="utf-8") as pipe:
            answer = pipe.read()
        if status:
            raise RuntimeError(f"the process that tried {sabotage.name!r} ended with {status}")
        yield Found(sabotage, *json.loads(answer))


def main() -> int:
    """0; 1 when a sabotage was missed; 2 when one does not fit the source any more."""
    parser = argparse.ArgumentParser(prog="plant", description="Plant sabotages in the policy; who finds them out?")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures, and who found out what")
    parser.add_argument("--part", default="", help="only sabotages with this in their name, file or promise")
    parser.add_argument("--checks", default=QUICK[0], help=f"which of: {', '.join(CHECKS)}; {QUICK[0]} if left out")
    args = parser.parse_args()
    checks = args.checks.split(",")
    if unknown := [name for name in checks if name not in CHECKS]:
        parser.error(f"--checks {unknown[0]}: allowed are {', '.join(CHECKS)}")
    found = []
    try:
        some = [one for one in SABOTAGES if args.part in f"{one.promise} {one.file} {one.name}"]
        for one in plant(some, args.processes, checks):
            found.append(one)
            told = f"{one.by}, {one.where}: {one.seen}" if one.by else "NOBODY"
            named = one.by != QUICK[0] or one.where in one.sabotage.first
            hint = "" if named else " [not in the table]"
            print(f"{one.sabotage.promise:<4}{one.sabotage.name}\n    {told}{hint}", flush=True)
    except GoneError as error:
        print(f"plant: {error}", file=sys.stderr)
        return 2
    missed = [one.sabotage.name for one in found if not one.by]
    print(f"{len(found)} planted, {len(missed)} missed")
    if args.json is not None:
        who = {one.sabotage.name: [one.by, one.where, one.seen] for one in found}
        figures = {"sabotage_planted": len(found), "sabotage_missed": len(missed), "found_by": who}
        args.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
