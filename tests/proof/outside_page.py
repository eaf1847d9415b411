"""The page of outside checks: which values the tests hold the project to, where each comes from, who checks it.

Made from the marks `outside` (claims.py); `python3 tools/dev.py pages` writes it.
"""

from collections.abc import Iterable

from proof.claims import TESTS, Claim

PAGE = TESTS.parent / "hardware_notes" / "outside_checks.md"

# Subject of a mark, in the order of the page.
SUBJECTS = (
    "isolation by meter",
    "isolation limits",
    "isolation monitor",
    "voltage class",
    "energy left",
    "precharge",
    "discharge",
    "start and stop",
    "contactors",
    "motion",
    "temperature sensors",
    "temperatures",
    "storage",
    "enclosures",
    "cautions",
    "trouble codes",
    "status of a code",
    "checksums",
    "frames",
    "units and parts",
    "plant",
    "drive cycle",
    "board and runtime",
)
# How sure a source is, in words that it must contain; hardware_notes/README.md says what they mean.
SURENESS = ("seen in", "from memory", "common practice", "algebra", "computed apart")

_HEAD = """\
# Outside checks

Made from the marks `outside` in `tests/` by `python3 tools/dev.py pages`. Do not edit it: change the mark and make it
anew.

Each line is a value that comes from outside of this project, and the test that holds this project's code, data or
pages to it. How sure the source is stands with it (see [README.md](README.md#marks)); *computed apart* is a result of
another program or library, run in the test itself. Standards were mostly seen in public copies and extracts, not in the
sold original. Rule-book values are for that competition, regulation values for road vehicles. A check of arithmetic is
no measurement: nothing here ran on a board.

Not here, as no general tester is answered: codes over CAN (modes 03, 07 and 0A, UDS 19 02), EMCY, J1939. Not here, as
nothing in the project states or computes it: time limits after a crash, charge at bare pins, hold-up of a shutdown
circuit, share of cells with a sensor, warning time before a fire, ready-to-drive by a brake, accuracy classes of
platinum sensors, an older edition's precharge by time.
"""


def _row(value: str, source: str, claims: Iterable[Claim]) -> str:
    checked = "<br>".join(f"[{claim.path}](../tests/{claim.path}) `{claim.test}`" for claim in claims)
    cells = (value, source, checked)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def page(claims: Iterable[Claim]) -> str:
    """The page as Markdown: a table for each subject, a line for each value, its tests beside it."""
    rows: dict[str, dict[tuple[str, str], list[Claim]]] = {subject: {} for subject in SUBJECTS}
    for claim in claims:
        rows[claim.subject].setdefault((claim.value, claim.source), []).append(claim)
    parts = [_HEAD]
    for subject, lines in rows.items():
        if lines:
            parts.append(f"## {subject.capitalize()}\n")
            parts.append("| value | source | checked by |\n|---|---|---|")
            parts.extend(_row(*line, of_line) for line, of_line in lines.items())
            parts.append("")
    values = sum(len(lines) for lines in rows.values())
    tests = len({(claim.path, claim.test) for lines in rows.values() for made in lines.values() for claim in made})
    parts.append(f"{values} values, {tests} tests.")
    return "\n".join(parts) + "\n"
