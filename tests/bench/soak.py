"""What takes long: the whole campaign of every shipped build, pairs of faults, exploration, mutants, sabotage.

Run by `python3 tools/dev.py soak --minutes N`. The result lies in `soak.json` with date and commit, where the benchmark
and the page of assurance read it. It is written after each part, so that a run that is stopped has not run for nothing.
"""

import argparse
import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from loopwarden_build.load import read_text
from loopwarden_prove.coarse import models, small_models
from loopwarden_prove.executors import ExecutorError, PoolExecutor
from loopwarden_prove.explore import (
    Explored,
    Explorer,
    exploration_breaches,
    explored_states,
    explored_transitions,
)
from loopwarden_prove.proof import Asked, prove, write_scenarios
from loopwarden_prove.report_text import report_text
from loopwarden_prove.work import source_of

ROOT = Path(__file__).parents[2]
BUILDS = ("orchard_truck", "bench_cart")
EVERY = 1_000_000  # more mutants than there are: all of them, in an order by chance
RESULT = Path(__file__).with_name("soak.json")
# Of the time; exploration: of what is then left.
SHARE = {"mutants": 0.15, "orchard_truck": 0.35, "bench_cart": 0.2, "exploration": 0.8}
SABOTAGE_CHECKS = ("shipped scenarios", "properties,campaign")
FIGURES = (
    "campaign_cases",
    "campaign_breaches",
    "explored_states",
    "explored_transitions",
    "exploration_breaches",
    "mutation_score_percent",
    "sabotage_planted",
    "sabotage_missed",
)


def commit() -> str:
    """The commit that is run, with a "+" where something is changed beside it."""
    said = [
        subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True).stdout.strip()
        for words in (("rev-parse", "--short", "HEAD"), ("status", "--porcelain", "-uno"))
    ]
    return said[0] + ("+" if said[1] else "")


class Soak:
    """One long run: its figures so far, and when it has to end."""

    def __init__(self, minutes: float) -> None:
        self.begun_s = time.monotonic()
        self.all_s = 60 * minutes
        self.commit = commit()
        self.figures: dict[str, float | None] = dict.fromkeys(FIGURES)
        self.promises: Counter[str] = Counter()
        self.remarks: list[str] = []

    def left_s(self) -> float:
        return self.all_s - (time.monotonic() - self.begun_s)

    def keep(self) -> None:
        """Write what there is."""
        found = {
            "date": date.today().isoformat(),
            "commit": self.commit,
            "minutes": round((time.monotonic() - self.begun_s) / 60),
            "figures": {name: value for name, value in self.figures.items() if value is not None},
            "promises": dict(sorted(self.promises.items(), key=lambda one: int(one[0][1:]))),
            "remarks": self.remarks,
        }
        RESULT.write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")

    def sabotage(self) -> None:
        """Every policy that is broken on purpose: by the shipped scenarios, and again by properties and campaign, each
        of which has to find all of it. In processes of their own, as they fork."""
        figures = ROOT / ".soak" / "sabotage.json"
        figures.parent.mkdir(exist_ok=True)
        for checks in SABOTAGE_CHECKS:
            figures.unlink(missing_ok=True)
            plant = [sys.executable, "-m", "sabotage.plant", "--checks", checks, "--json", str(figures)]
            subprocess.run(plant, cwd=ROOT, check=False)
            if not figures.is_file():
                self.remarks.append("sabotage: a planted text is no longer in the source")
                return
            told = json.loads(figures.read_text(encoding="utf-8"))
            self.figures["sabotage_planted"] = told["sabotage_planted"]
            self.figures["sabotage_missed"] = max(self.figures["sabotage_missed"] or 0, told["sabotage_missed"])
            self.keep()

    def mutants(self) -> None:
        """Mutants by chance, on from where the last run ended; in a process of its own, as it forks. What it kept is of
        the tests as they were: for a figure of tests that changed, delete `.mutation/results.jsonl`."""
        figures = ROOT / ".soak" / "mutants.json"
        figures.parent.mkdir(exist_ok=True)
        figures.unlink(missing_ok=True)
        minutes = SHARE["mutants"] * self.all_s / 60
        hunt = [sys.executable, "-m", "mutation.hunt", "--sample", str(EVERY), "--minutes", f"{minutes:.1f}"]
        subprocess.run([*hunt, "--json", str(figures)], cwd=ROOT, check=False)
        told = json.loads(figures.read_text(encoding="utf-8")) if figures.is_file() else {"mutants_tried": 0}
        if not told["mutants_tried"]:
            self.remarks.append("mutants: none was tried in its time")
            return
        self.figures["mutation_score_percent"] = told["mutation_score_percent"]
        self.remarks.append(f"mutants: {told['mutants_tried']} of {told['mutants_made']} were tried")
        self.keep()

    def explore(self) -> None:
        """Every coarse world, to its end if the time is enough: each gets the same of what is left."""
        worlds = [*small_models(), *models()]
        workers = os.cpu_count() or 1
        each_s = max(self.left_s(), 60.0) * SHARE["exploration"] * workers / len(worlds)
        names = [(world.name, each_s) for world in worlds]
        found: list[Explored] = []
        with PoolExecutor(workers) as executor:
            for _, one in executor.map_unordered(explored, names):
                ends = f"{len(one.breaches)} broken promises, {len(one.dead_ends)} dead ends"
                print(f"{one.model}: {one.states} states, {one.transitions} transitions, {ends}", flush=True)
                found.append(one)
                if not one.closed:
                    self.remarks.append(f"exploration: {one.model} was not explored to its end")
                self.remarks += [f"exploration, {one.model}: {breach}" for breach in (*one.breaches, *one.dead_ends)]
        self.figures["explored_states"] = explored_states(found)
        self.figures["explored_transitions"] = explored_transitions(found)
        self.figures["exploration_breaches"] = exploration_breaches(found)
        self.keep()

    def campaign(self) -> None:
        """Every single attack of each build, then pairs until its share of the time is over."""
        cases = breaches = 0
        with PoolExecutor(os.cpu_count() or 1) as executor:
            for name in BUILDS:
                path = ROOT / "host_sim" / "builds" / f"{name}.toml"
                source = source_of(str(path), read_text(str(path)), 1)
                asked = Asked(1, pairs=None, budget_s=SHARE[name] * self.all_s)
                proof = prove(source, asked, executor, "in a long run", told(name))
                folder = ROOT / ".soak" / name
                write_scenarios(proof, source, path, folder, executor)
                print(report_text(proof, str(folder)), flush=True)
                cases += proof.run
                breaches += sum(len(trouble.sightings) for trouble in proof.troubles)
                self.promises.update(proof.tally.exercised)
                singles = proof.tally.singles
                if singles.run < singles.possible:
                    self.remarks.append(f"{name}: {singles.run} of {singles.possible} single faults in its time")
                if proof.tally.unsettled:
                    self.remarks.append(f"{name}: {len(proof.tally.unsettled)} cases did not settle")
                self.figures["campaign_cases"], self.figures["campaign_breaches"] = cases, breaches
                self.keep()


def explored(task: tuple[str, float]) -> Explored:
    """One of the coarse worlds, by its name, for so many seconds."""
    name, seconds = task
    (model,) = [model for model in (*small_models(), *models()) if model.name == name]
    return Explorer(model).run(seconds=seconds)


def told(name: str) -> Callable[[int, int, int], None]:
    """A line now and then."""
    last = [0.0]

    def progress(done: int, planned: int, wrong: int) -> None:
        if time.monotonic() - last[0] > 60:
            last[0] = time.monotonic()
            print(f"{name}: {done} cases, {wrong} times something wrong", flush=True)

    return progress


def main() -> int:
    """Return 0, or 1 where something was found."""
    parser = argparse.ArgumentParser(prog="soak", description="Run what takes long.")
    parser.add_argument("--minutes", type=float, default=60, metavar="N", help="time to use; 60 if left out")
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the figures as one flat object as well")
    args = parser.parse_args()
    if not 1 <= args.minutes <= 10_000:
        parser.error(f"--minutes {args.minutes:g}: allowed 1 to 10000")
    if args.json is not None and not args.json.absolute().parent.is_dir():
        parser.error(f"--json {args.json}: there is no folder {args.json.absolute().parent}")
    soak = Soak(args.minutes)
    try:
        soak.sabotage()
        soak.mutants()
        soak.campaign()
        soak.explore()
    except ExecutorError as error:
        print(f"soak: {error}", file=sys.stderr)
        return 1
    figures: dict[str, Any] = {name: value for name, value in soak.figures.items() if value is not None}
    if args.json is not None:
        args.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")
    for name, value in figures.items():
        print(f"{name:<34}{value:>12,.10g}")
    print("\n".join(soak.remarks))
    wrong = ("campaign_breaches", "exploration_breaches", "sabotage_missed")
    return 1 if any(figures.get(name) for name in wrong) else 0


if __name__ == "__main__":
    sys.exit(main())
