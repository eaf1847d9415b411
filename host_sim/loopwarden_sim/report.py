"""Outcomes of scenario runs in words, and as plain data for programs."""

from collections.abc import Sequence
from typing import Any

from loopwarden_sim.promise_monitor import PROMISES
from loopwarden_sim.runner import Outcome


def outcome_text(outcome: Outcome, *, story: bool) -> str:
    """One run in words; `story`: with every event on the way."""
    scenario = outcome.scenario
    met = sum(result.passed for result in outcome.expectations)
    span_s = outcome.ticks * scenario.build.build.tick
    lines = [f"{scenario.path}: {scenario.title}"]
    if story:
        lines.extend(str(event) for event in outcome.events)
    lines.extend(f"  {result}" for result in outcome.expectations)
    lines.extend(f"  FAIL  {breach}" for breach in outcome.breaches)
    if outcome.failure:
        lines.append(f"  FAIL  {outcome.failure}")
    if story:
        lines.append(f"  stored: {', '.join(_stored(outcome)) or 'no codes'}")
    verdict = "PASS" if outcome.passed else "FAIL"
    lines.append(
        f"{verdict}  {met} of {len(outcome.expectations)} checks, {len(outcome.breaches)} broken promises,"
        f" {span_s:g} s, seed {outcome.seed}"
    )
    return "\n".join(lines)


def _stored(outcome: Outcome) -> list[str]:
    return [f"{code.code or 'no code'} {code.name} ({code.count} times)" for code in outcome.codes]


def exercised_text(outcomes: Sequence[Outcome]) -> str:
    """Which promises these runs put to the test, and which they did not."""
    total = exercised(outcomes)
    tried = ", ".join(f"{promise} {count}x" for promise, count in total.items() if count)
    idle = ", ".join(promise for promise, count in total.items() if not count)
    return f"promises exercised: {tried or 'none'}" + (f"; not exercised: {idle}" if idle else "")


def exercised(outcomes: Sequence[Outcome]) -> dict[str, int]:
    """How often all runs together put each promise to the test."""
    return {promise: sum(outcome.exercised.get(promise, 0) for outcome in outcomes) for promise in PROMISES}


def outcome_data(outcome: Outcome) -> dict[str, Any]:
    """One run as plain data, ready for JSON; times in milliseconds."""
    return {
        "scenario": str(outcome.scenario.path),
        "title": outcome.scenario.title,
        "seed": outcome.seed,
        "passed": outcome.passed,
        "ticks": outcome.ticks,
        "failure": outcome.failure,
        "digest": outcome.digest,
        "expectations": [vars(result) for result in outcome.expectations],
        "breaches": [vars(breach) for breach in outcome.breaches],
        "exercised": outcome.exercised,
        "events": [vars(event) for event in outcome.events],
        "codes": [vars(code) for code in outcome.codes],
    }
