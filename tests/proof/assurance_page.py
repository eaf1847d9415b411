"""The assurance page: for each promise its hazard, where it is kept, what holds it; and what is not covered at all.

Made from evidence.py, exercised.py, last_run.py and hazards.py; `python3 tools/dev.py pages` writes it.
"""

from dataclasses import dataclass

from loopwarden_sim.promise_monitor import PROMISES as COUNTED
from proof import evidence, exercised, last_run
from proof.evidence import PROMISES, ROOT, WHOLE_FILE
from proof.hazards import HAZARDS, JUDGED_ELSEWHERE, KEPT_AS_A_WHOLE, NOT_COVERED

PAGE = ROOT / "hardware_notes" / "assurance.md"

_HEAD = """\
# Assurance

Made by `python3 tools/dev.py pages` from the code's comments, the tests, the shipped scenarios, the promise monitor and
the last long run. Do not edit it: change what it is made of and make it anew.

From hazard to evidence: each [promise](promises.md), what it stands against, which code says that it keeps it, and what
holds it. **Read the counts for what they are: who names a promise, not how well it is kept.** All of it is simulation
on a PC. Nothing ran on a board ([only_simulated.md](only_simulated.md)), nothing is certified, and what no program can
keep stands in [the last table](#not-covered). Values from outside: [outside_checks.md](outside_checks.md).
A scenario counts as in its last run for this page, which is when it or a build last changed.
"""


@dataclass(frozen=True)
class Evidence:
    """What the page is made of, each by promise.

    kept        (path below firmware/, names of functions)
    held        (path below tests/, how many of its tests name it, whether its head does)
    judged      what the promise monitor calls a breach
    counted     the promises that the promise monitor counts in a scenario
    scenarios   names of those that exercise it
    shipped     how many scenarios there are
    run         the last long run, {} for none
    """

    kept: dict
    held: dict
    judged: dict
    counted: tuple
    scenarios: dict
    shipped: int
    run: dict


def of_this_checkout():
    """The evidence of this checkout. Errors: last_run.WrongRun."""
    return Evidence(
        evidence.kept(),
        evidence.held(),
        evidence.judged(),
        COUNTED,
        exercised.scenarios_of(),
        len(exercised.kept()),
        last_run.last_run(),
    )


def _link(path, text=None):
    return f"[{text or path}](../{path})"


def _kept(found, promise):
    parts = []
    for path, names in found.kept[promise]:
        named = ", ".join(f"`{name}`" for name in names if name != WHOLE_FILE)
        short = path.removeprefix("loopwarden/")
        parts.append(f"{_link(f'firmware/{path}', short)} {named}".strip())
    if promise in KEPT_AS_A_WHOLE:
        what, paths = KEPT_AS_A_WHOLE[promise]
        links = ", ".join(_link(f"firmware/{path}", path.removeprefix("loopwarden/")) for path in paths)
        parts.append(f"{what} ({links})")
    elif not parts:
        return "no comment names it"
    return "; ".join(parts)


def _held(found, promise):
    files = found.held[promise]
    parts = []
    for path, number, in_head in files:
        said = [str(number)] if number else []
        said += ["the file is about it"] if in_head else []
        parts.append(f"{_link(f'tests/{path}', path)} ({', '.join(said)})")
    return f"{sum(number for _, number, _ in files)} name it: " + ", ".join(parts) if parts else "none names it"


def _judged(found, promise):
    parts = ["; ".join(found.judged[promise])] if found.judged[promise] else ["does not judge it"]
    if promise in JUDGED_ELSEWHERE:
        what, paths = JUDGED_ELSEWHERE[promise]
        parts.append(f"{what} ({', '.join(_link(path) for path in paths)})")
    return ". Beside it: ".join(parts)


def _section(found, promise):
    many = f"{len(found.scenarios.get(promise, ()))} of the {found.shipped} shipped ones exercise it"
    if promise not in found.counted:
        many = "not counted, as the promise monitor does not judge it"
    return f"""\
## {promise}

{HAZARDS[promise]} [The promise](promises.md#{promise.lower()}).

- **Kept in** {_kept(found, promise)}.
- **Tests**: {_held(found, promise)}.
- **Scenarios**: {many}.
- **Promise monitor**: {_judged(found, promise)}
- **Last long run**, exercised: {last_run.figure(found.run.get("promises", {}).get(promise))}.
"""


def _table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join([*lines, *("| " + " | ".join(str(cell) for cell in row) + " |" for row in rows)]) + "\n"


def _overview(found):
    for promise in PROMISES:
        yield (
            f"[{promise}](#{promise.lower()})",
            len(found.kept[promise]),
            sum(number for _, number, _ in found.held[promise]),
            len(found.scenarios.get(promise, ())) if promise in found.counted else "-",
            len(found.judged[promise]),
            last_run.figure(found.run.get("promises", {}).get(promise)),
        )


def page(found):
    """The page as Markdown."""
    head = ("promise", "files that name it", "tests", "scenarios", "breaches watched for", "last long run")
    parts = [
        _HEAD,
        _table(head, _overview(found)),
        f"## Last long run\n\n{last_run.when(found.run)}.\n",
        _table(("figure", "last long run"), last_run.lines(found.run)),
        *(_section(found, promise) for promise in PROMISES),
        "## Not covered\n\nWhat the program does not keep, and hardware or people must.\n",
        _table(("hazard", "why the program cannot", "what does it instead"), NOT_COVERED),
    ]
    return "\n".join(parts)
