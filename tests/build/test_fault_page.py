"""The published reaction matrix says what the fault table says."""

import subprocess
import sys
from pathlib import Path

from loopwarden.policy import fault_table as T
from loopwarden_build import fault_page

ROOT = Path(__file__).resolve().parents[2]
NOTES = ROOT / "hardware_notes"


def cells(text):
    """The matrix as written in a page: id -> its cells."""
    found = {}
    for line in text.splitlines():
        parts = [part.strip() for part in line.strip("|").split("|")]
        if line.startswith("| ") and parts[0].isdigit():
            found[int(parts[0])] = parts
    return found


def test_the_page_in_the_checkout_is_the_page_of_the_table():
    """After a change of table or texts: python -m loopwarden_build.fault_page."""
    assert (NOTES / "faults.md").read_text(encoding="utf-8") == fault_page.page()


def test_the_command_writes_that_page(tmp_path):
    """Run as a module against a copy of the tree's layout, so that the checkout stays untouched."""
    copy = tmp_path / "tools" / "loopwarden_build" / "fault_page.py"
    copy.parent.mkdir(parents=True)
    copy.write_bytes(Path(fault_page.__file__).read_bytes())
    (tmp_path / "hardware_notes").mkdir()
    subprocess.run([sys.executable, str(copy)], check=True)
    assert (tmp_path / "hardware_notes" / "faults.md").read_text(encoding="utf-8") == fault_page.page()


def test_every_row_stands_in_the_matrix_once_and_has_its_own_section():
    page = fault_page.page()
    matrix = cells(page)
    assert sorted(matrix) == [row[T.ID] for row in T.TABLE]
    for row in T.TABLE:
        assert page.count(f"\n### {row[T.NAME]}\n") == 1
        assert f"](#{row[T.NAME].lower()})" in matrix[row[T.ID]][1], "the link in the matrix must lead to the section"


def test_a_changed_reaction_changes_the_page(monkeypatch):
    """Each column is wired in: whichever is changed, the page differs."""
    before = fault_page.page()
    row = next(row for row in T.TABLE if row[T.NAME] == "ISOLATION_LOST")
    changes = {
        T.CODE: 0x0A0D,
        T.FTB: 0x13,
        T.SET_MS: 40,
        T.OFF: T.NOTE,
        T.STANDING: T.CUT,
        T.MOVING: T.FAST,
        T.ENDS: T.LOCK,
        T.DRIVE: 300,
        T.CHARGE: 300,
        T.LAMP: T.STOP_LAMP,
    }
    for column, value in changes.items():
        changed = (*row[:column], value, *row[column + 1 :])
        monkeypatch.setattr(T, "TABLE", tuple(changed if other is row else other for other in T.TABLE))
        assert fault_page.page() != before, f"column {column} is not on the page"
        monkeypatch.undo()


def test_rows_that_rest_on_common_practice_are_marked():
    """Those whose numbers no single source gives: 1000 and 500 ohm/V, 50, 52, 55 and 0 degC, 12 K."""
    marked = {number for number, row in cells(fault_page.page()).items() if row[1].endswith("\\*")}
    assert marked == {7, 8, 14, 15, 16, 19, 20}


def test_the_promises_are_all_there_in_order():
    """S1 to S15, each under a heading of its own, so that code and tests can cite promises.md#s1."""
    lines = (NOTES / "promises.md").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if line.startswith("## ")] == [f"## S{n}" for n in range(1, 16)]
