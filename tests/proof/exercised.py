"""Which promises each shipped scenario exercises, as the promise monitor counted when it was last run.

A scenario is run again once its file or its build file has changed; the rest is kept in exercised.json, so that the
pages are quick to make. A change of the code under test alone does not run them again: `--scenarios` does.
"""

import hashlib
import json

from loopwarden_sim import runner
from loopwarden_sim.scenario import load_scenario
from proof.claims import TESTS

SCENARIOS = TESTS.parent / "host_sim" / "scenarios"
BUILDS = TESTS.parent / "host_sim" / "builds"
KEPT = TESTS / "proof" / "exercised.json"


def digests():
    """Scenario name to a digest of all that its file says: its own text and those of the shipped builds."""
    builds = b"".join(file.read_bytes() for file in sorted(BUILDS.glob("*.toml")))
    return {
        file.stem: hashlib.sha256(file.read_bytes() + builds).hexdigest()[:16]
        for file in sorted(SCENARIOS.glob("*.toml"))
    }


def by_running(name):
    """The promises that one shipped scenario exercises, in their order."""
    outcome = runner.run(load_scenario(SCENARIOS / f"{name}.toml"), twice=True)
    return sorted((promise for promise, n in outcome.exercised.items() if n), key=lambda promise: int(promise[1:]))


def kept():
    """Scenario name to {"of": digest, "exercises": promises}, as kept."""
    return json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.is_file() else {}


def bring_up_to_date(afresh=False):
    """Run what changed (or all), write what is kept, return how many were run."""
    old, new, run = {} if afresh else kept(), {}, 0
    for name, digest in digests().items():
        if old.get(name, {}).get("of") == digest:
            new[name] = old[name]
        else:
            new[name] = {"of": digest, "exercises": by_running(name)}
            run += 1
    lines = ",\n".join(f"  {json.dumps(name)}: {json.dumps(entry)}" for name, entry in new.items())
    KEPT.write_text("{\n" + lines + "\n}\n", encoding="utf-8")
    return run


def scenarios_of():
    """Promise to the shipped scenarios that exercise it."""
    found = {}
    for name, entry in kept().items():
        for promise in entry["exercises"]:
            found.setdefault(promise, []).append(name)
    return found
