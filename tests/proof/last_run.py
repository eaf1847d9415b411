"""The figures of the last long run, tests/bench/soak.json; what is missing was not run, and is said so."""

import json

from proof.claims import TESTS

RUN = TESTS / "bench" / "soak.json"
NOT_RUN = "not run yet"
LABELS = {
    "campaign_cases": "campaign: cases",
    "campaign_breaches": "campaign: broken promises",
    "explored_states": "exploration: states",
    "explored_transitions": "exploration: transitions",
    "exploration_breaches": "exploration: broken promises",
    "mutation_score_percent": "mutations noticed",
    "sabotage_planted": "sabotage: mistakes planted",
    "sabotage_missed": "sabotage: mistakes missed",
}


class WrongRun(Exception):
    """A file of figures that cannot be read; one line that says why."""


def last_run(path=RUN):
    """{"date", "commit", "minutes", "figures", "promises"}, each only if it is there; {} without a file.

    Errors: WrongRun.
    """
    if not path.is_file():
        return {}
    try:
        run = json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise WrongRun(f"{path.name}: is not JSON: {error}") from None
    if not isinstance(run, dict) or not all(isinstance(run.get(key, {}), dict) for key in ("figures", "promises")):
        raise WrongRun(f'{path.name}: must be an object whose "figures" and "promises" are objects')
    for key in ("figures", "promises"):
        for name, value in run.get(key, {}).items():
            if value is not None and type(value) not in (int, float):
                raise WrongRun(f"{path.name}: {key}.{name} is {value!r}; allowed: a number, or null for not run")
    return run


def figure(value, unit=""):
    """A figure as people read it, or that it was not run."""
    return NOT_RUN if value is None else f"{value:,}{unit}"


def when(run):
    """When it was, of which commit, how long; or that there was none."""
    if not run:
        return f"{NOT_RUN[0].upper()}{NOT_RUN[1:]}"
    said = (run.get("date"), f"commit {run['commit']}" if "commit" in run else None)
    minutes = f"{run['minutes']} minutes" if "minutes" in run else None
    return ", ".join(part for part in (*said, minutes) if part) or "Date not kept"


def lines(run):
    """(what, figure) of every figure that there should be, then of any other."""
    figures = run.get("figures", {})
    named = [
        (label, figure(figures.get(name), " %" if name.endswith("_percent") else "")) for name, label in LABELS.items()
    ]
    return named + [(name.replace("_", " "), figure(value)) for name, value in figures.items() if name not in LABELS]
