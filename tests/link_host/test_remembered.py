"""A wiped board looks like one without faults; whoever saw it before is told."""

import json
from pathlib import Path

import pytest

from loopwarden_link.remembered import Remembered, state_file

A, B = "a" * 16, "b" * 16


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "boards.json"


def doubt(path, port="/dev/x", birth=A, cycle=5, now_s=0):
    """One run of a command."""
    return Remembered(path).doubt(port, birth, cycle, now_s)


def test_first_sight_and_rising_cycles_are_no_doubt(path):
    assert [doubt(path, cycle=cycle) for cycle in (5, 5, 6, 90)] == [""] * 4


def test_another_birth_at_the_same_port_is(path, monkeypatch):
    doubt(path, now_s=1_700_000_000)
    text = doubt(path, birth=B)
    assert text.startswith("this board's memory was wiped or replaced since 2023-11-1")
    assert text.endswith("so 'no faults' proves nothing")


def test_a_lower_cycle_of_the_same_birth_is(path):
    doubt(path, cycle=41)
    assert "its power cycle was 41 then and is 40 now" in doubt(path, cycle=40)
    assert "41 then and is 3 now" in doubt(path, cycle=41) + doubt(path, cycle=3)


def test_the_doubt_lasts_for_the_power_cycle_in_which_it_arose(path):
    doubt(path)
    first = doubt(path, birth=B, cycle=1)
    assert first
    assert doubt(path, birth=B, cycle=1) == first
    assert doubt(path, birth=B, cycle=2) == ""


def test_two_known_boards_may_change_places(path):
    for port, birth in (("/dev/x", A), ("/dev/y", B), ("/dev/x", B), ("/dev/y", A)):
        assert doubt(path, port, birth) == ""


@pytest.mark.parametrize("text", ["", "[]", "{", '{"boards":{}}', '{"boards":{"a":1},"ports":{}}', "\xff"])
def test_a_damaged_file_is_told_and_begun_anew(path, text):
    path.parent.mkdir()
    path.write_text(text, encoding="latin-1")
    remembered = Remembered(path)
    assert remembered.problem == f"{path}: is damaged and begun anew; boards seen before are not compared"
    assert remembered.doubt("/dev/x", A, 5, 0) == ""
    assert Remembered(path).problem == ""
    assert json.loads(path.read_text())["ports"] == {"/dev/x": A}


def test_a_place_that_cannot_be_written_is_told_and_harms_nothing(tmp_path):
    (tmp_path / "state").write_text("a file where the folder should be")
    remembered = Remembered(tmp_path / "state" / "boards.json")
    assert remembered.doubt("/dev/x", A, 5, 0) == ""
    assert "this board is not remembered" in remembered.problem


def test_it_lies_in_the_state_directory(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert state_file() == tmp_path / "loopwarden" / "boards.json"
    for other in ("", "not/absolute"):
        monkeypatch.setenv("XDG_STATE_HOME", other)
        assert state_file() == Path.home() / ".local" / "state" / "loopwarden" / "boards.json"
