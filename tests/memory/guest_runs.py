"""Runs of the guest scripts that the tests and the benchmarks share."""

import json
from pathlib import Path
from typing import Any

from micropython_runs.runners import run_unix

ROOT = Path(__file__).parents[2]
GUEST = Path(__file__).parent / "guest"
PATH = [ROOT / "firmware", GUEST]
SESSIONS = 8  # of guest/power_cuts.py, before they begin anew on what is left


def cuts(start: str, last: int = SESSIONS, again: int = 5, broken: str = "") -> dict[str, Any]:
    """guest/power_cuts.py: from `start`, sessions 0 to `last`, every `again`-th cut with another in the recovery."""
    plan = {"start": start, "sessions": [0, last], "again": again, "broken": broken}
    return _run("power_cuts.py", {"plan.json": json.dumps(plan).encode()})


def wear() -> dict[str, Any]:
    """guest/wear.py."""
    return _run("wear.py", {})


def _run(name: str, files: dict[str, bytes]) -> dict[str, Any]:
    out = run_unix((GUEST / name).read_text(encoding="utf-8"), path=PATH, files=files)
    answer: dict[str, Any] = json.loads(out.strip().splitlines()[-1])
    return answer
