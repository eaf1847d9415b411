"""The demo: it runs, it says what the README says it prints, and its exit code is the day's outcome."""

import re
from pathlib import Path

import pytest

from loopwarden_cli import demo

README = Path(demo.__file__).parents[2] / "README.md"


@pytest.fixture(scope="module")
def told():
    """The demo's exit code, and its output at 100 columns."""
    printed = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "100")
        patch.setattr("builtins.print", printed.append)
        code = demo.main()
    return code, "\n".join(printed)


def test_the_day_goes_as_promised(told):
    code, text = told
    assert code == 0
    assert text.splitlines()[-1].startswith("PASS  14 of 14 checks, 0 broken promises")


def test_it_tells_what_a_person_has_to_see(told):
    """Refused, started, warned, wound down, opened at a stand, proven dead, codes with their first checks: in order."""
    marks = (
        "LOOP_OPEN",
        "Start refused",
        "live: Live",
        "ISOLATION_WARNING",
        "Drive limit 80 %",
        "winding down: Winding down",
        "opening: Opening",
        "discharging: Discharging",
        "Stored trouble codes",
        "P0AA6-00",
        "First check",
    )
    text = " ".join(told[1].split())
    at = 0
    for mark in marks:
        assert mark in text[at:], mark
        at = text.index(mark, at)


def test_the_readme_shows_what_it_prints(told):
    """The piece of the demo in the README is a piece of a real run, to the letter."""
    block = re.search(r"as it prints it:\n\n((?:    .*\n)+)", README.read_text(encoding="utf-8"))
    shown = [line[4:] for line in block.group(1).splitlines()]
    assert len(shown) > 4
    printed = [line.lstrip() for line in told[1].splitlines()]
    for line in shown:
        assert line.lstrip() in printed, line


def test_no_line_is_wider_than_asked(told):
    assert max(len(line) for line in told[1].splitlines()) <= 100
