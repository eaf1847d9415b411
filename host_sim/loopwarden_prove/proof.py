"""A proof from its first case to its last, and what it came to: runs the plan on an executor, shrinks what went wrong.

Decides what is run and when it ends; how it is told is the business of the report_... files.
"""

import re
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from loopwarden import VERSION
from loopwarden_build.integer_build import to_device
from loopwarden_build.model import BuildFile
from loopwarden_build.pack import digest_of
from loopwarden_prove import plan
from loopwarden_prove.digests import firmware_digest, program_digest
from loopwarden_prove.executors import Executor, LocalExecutor
from loopwarden_prove.results import Case
from loopwarden_prove.scenario_file import Expected, scenario_text
from loopwarden_prove.shrink import TRIES_MAX, Shrunk, Sought
from loopwarden_prove.tally import NO_REACTION, Tally, Trouble
from loopwarden_prove.work import Cases, Source, ToShrink, campaign_of, run_cases, shrink_case

QUICK_CASES = 3000  # some two minutes on two processors; every attack of the truck once in every phase
PAIRS_MAX = 100_000  # drawn where only the time says how many there are
FILES_MAX = 30
_AFTER_MS = 200
Ended = Literal["complete", "out of time", "interrupted"]
Progress = Callable[[int, int, int], None]  # cases done, cases planned, things found wrong so far


@dataclass(frozen=True)
class Asked:
    """What is to be run.

    quick      a sample of QUICK_CASES in place of all single attacks
    pairs      pairs of attacks after the single ones; None: as many as the time allows
    budget_s   nothing is handed out later than this; None: no end but that of the plan
    """

    seed: int
    quick: bool = False
    pairs: int | None = 0
    budget_s: float | None = None


@dataclass(frozen=True)
class ScenarioFile:
    """A trouble's scenario as written. seen: what its run shows; "" when it was not run, or does not show it again."""

    name: str
    seen: str
    events: int
    tries: int


@dataclass
class Proof:
    """What was run, where, and what came of it. files: by place in `troubles`."""

    build_name: str
    build_file: str
    build_digest: str
    version: str
    firmware_digest: str
    program_digest: str
    asked: Asked
    where: str
    begun_at: datetime
    tick_ms: int
    tally: Tally
    planned: int
    took_s: float = 0.0
    ended: Ended = "complete"
    troubles: Sequence[Trouble] = ()
    files: dict[int, ScenarioFile] | None = None

    @property
    def run(self) -> int:
        """Cases run, single and in pairs."""
        return self.tally.singles.run + self.tally.doubles


def prove(source: Source, asked: Asked, executor: Executor, where: str, progress: Progress) -> Proof:
    """Run what is asked for; Ctrl-C ends it early and is no error.

    where      in words, for the report
    progress   called with every result
    Errors: ExecutorError.
    """
    campaign = campaign_of(source)
    build = campaign.build
    subject_of = {name: attack.subject for name, attack in campaign.attacks.items()}
    singles = plan.sample(campaign.cases, QUICK_CASES, asked.seed) if asked.quick else campaign.cases
    pairs = campaign.doubles(PAIRS_MAX if asked.pairs is None else asked.pairs, asked.seed)
    proof = Proof(
        build_name=build.build.name,
        build_file=source.build_file,
        build_digest=digest_of(to_device(build)),
        version=VERSION,
        firmware_digest=firmware_digest(),
        program_digest=program_digest(),
        asked=asked,
        where=where,
        begun_at=datetime.now().astimezone(),
        tick_ms=round(1000 * build.build.tick),
        tally=Tally(campaign.cases, subject_of),
        planned=len(singles) + len(pairs),
    )
    begun_s = time.monotonic()
    groups = [*plan.tasks(singles, asked.seed), *plan.tasks(pairs, asked.seed)]

    def handed_out() -> Iterator[Cases]:
        for cases in groups:
            if asked.budget_s is not None and time.monotonic() - begun_s >= asked.budget_s:
                proof.ended = "out of time"
                return
            yield Cases(source, cases)

    try:
        for place, findings in executor.map_unordered(run_cases, handed_out()):
            for case, finding in zip(groups[place], findings, strict=True):
                proof.tally.add(case, finding)
            progress(proof.run, proof.planned, proof.tally.sightings)
    except KeyboardInterrupt:
        proof.ended = "interrupted"
        executor.give_up()
    proof.took_s = time.monotonic() - begun_s
    proof.troubles = proof.tally.troubles()
    return proof


def write_scenarios(proof: Proof, source: Source, build_path: Path, folder: Path, executor: Executor) -> None:
    """Write a scenario for each trouble, FILES_MAX in all, one of each kind first; after an interrupt as they are.

    Errors: OSError when the folder or a file cannot be written; ExecutorError.
    """
    proof.files = {}
    places = _to_write(proof.troubles)
    if not places:
        return
    folder.mkdir(parents=True, exist_ok=True)
    interrupted = proof.ended == "interrupted"
    tries_max = 0 if interrupted else TRIES_MAX
    executor = LocalExecutor() if interrupted else executor
    tasks = [_task(source, proof.troubles[place], tries_max) for place in places]
    for number, shrunk in executor.map_unordered(shrink_case, tasks):
        place = places[number]
        trouble = proof.troubles[place]
        name = f"{place + 1:03}_{_slug(f'{trouble.promise} {trouble.what}')}.toml"
        text = _text(proof, trouble, shrunk, build_path, folder)
        (folder / name).write_text(text, encoding="utf-8")
        proof.files[place] = ScenarioFile(name, shrunk.seen, len(shrunk.scenario.events), shrunk.tries)


def _to_write(troubles: Sequence[Trouble]) -> list[int]:
    """Places of those that get a file: one of each kind before a second of any."""
    turn: dict[tuple[str, str, str], int] = defaultdict(int)
    ranked = []
    for place, trouble in enumerate(troubles):
        kind = (trouble.kind, trouble.promise, trouble.what)
        ranked.append((turn[kind], place))
        turn[kind] += 1
    return sorted(place for _, place in sorted(ranked)[:FILES_MAX])


def _task(source: Source, trouble: Trouble, tries_max: int) -> ToShrink:
    """A row that does not come cannot be sought in ever less: without the attack it would not come either."""
    tries_max = 0 if trouble.kind == NO_REACTION else tries_max
    return ToShrink(source, trouble.sightings[0].case, Sought(trouble.promise, trouble.what), tries_max)


def _text(proof: Proof, trouble: Trouble, shrunk: Shrunk, build_path: Path, folder: Path) -> str:
    sighting = trouble.sightings[0]
    case = sighting.case
    scenario = shrunk.scenario
    strike_ms = (case.tick - 1) * proof.tick_ms
    expected = None
    if trouble.kind == NO_REACTION:
        until_ms = strike_ms + sighting.bound_ms
        ticks = min(scenario.ticks, (until_ms + _AFTER_MS) // proof.tick_ms)
        events = tuple(event for event in scenario.events if event[0] <= ticks)
        scenario = replace(scenario, ticks=ticks, events=events)
        expected = Expected(trouble.what, strike_ms, until_ms)
    comment = [
        f"{_shows(trouble)}: {shrunk.seen or sighting.seen}",
        f"Found by loopwarden prove in {proof.build_name}: seed {proof.asked.seed}, {case_text(case, proof.tick_ms)}.",
        f"Build {proof.build_digest[:16]}, firmware {proof.version} {proof.firmware_digest[:16]}.",
    ]
    if shrunk.seen:
        left = f"{len(scenario.events)} events are left"
        comment.append(f"Made as small as it still goes wrong, in {shrunk.tries} runs: {left}.")
    elif shrunk.tries:
        comment.append("Not made smaller: a run from its start did not show it again.")
    scenario = replace(scenario, title=f"{_shows(trouble)}: {trouble.what}")
    return scenario_text(scenario, build_path, folder, comment, expected)


def _shows(trouble: Trouble) -> str:
    return f"{trouble.promise} broken" if trouble.promise else trouble.kind


def case_text(case: Case, tick_ms: int) -> str:
    """A case in words, so that it can be found again."""
    apart = f" {case.gap_ticks * tick_ms} ms apart" if len(case.attacks) > 1 else ""
    moves = "moving" if case.moving else "standing"
    when = f"{case.moment} at {(case.tick - 1) * tick_ms / 1000:.3f} s, {case.phase}, {moves}"
    return f"case {case.number}: {' and '.join(case.attacks)}{apart}, in the {case.story} story, {when}"


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")[:60].rstrip("_")


def folder_for(build: BuildFile, at: datetime) -> Path:
    """Where scenarios are put if nothing is said."""
    return Path(f"proof_{_slug(build.build.name)}_{at:%Y-%m-%d}")
