"""What answers is loaded at rest only, stays where there is room, and is gone again where there is none (S11, S15)."""

import json

import pytest
from policy.stories import told

from loopwarden.link import parts
from micropython_runs.runners import run_unix

from .test_chat_cost import FIRMWARE, GUEST, REPLAY

REST, LIVE = 20, 1_200


def asked(free):
    """Status three times at rest, then in a drive, on a board that says that so many bytes are free."""
    build, ticks, _ = told("day")
    files = {"build.json": build, "ticks.bin": ticks, "at.txt": f"{REST} {LIVE} {free}".encode()}
    script = (GUEST / "parts_loaded.py").read_text(encoding="utf-8")
    return json.loads(run_unix(script, path=[FIRMWARE, REPLAY], files=files))


@pytest.fixture(scope="module")
def roomy():
    return asked(100_000)


@pytest.fixture(scope="module")
def tight():
    return asked(50_000)


def test_what_was_asked_at_rest_is_answered_in_the_drive(roomy):
    assert roomy["phase"] == 3
    assert "temperatures" in roomy["rest"]
    assert "temperatures" in roomy["live"]
    assert "loopwarden.link.pages" in roomy["kept"]


def test_what_was_not_asked_at_rest_is_not_loaded_in_a_drive(roomy):
    """One line instead, with what can always be told, for a person and for a program."""
    for line in (roomy["why"], roomy["program"]):
        assert "Not answered. Bus " in line
        assert ", live, " in line
        assert "ask once at rest" in line
    assert "loopwarden.words" not in roomy["kept"]
    assert "loopwarden.link.objects" not in roomy["kept"]


def test_where_little_is_left_all_of_it_is_dropped_after_the_answer(tight):
    assert "temperatures" in tight["rest"]
    assert tight["kept"] == []
    assert "ask once at rest" in tight["live"]


def test_loading_again_takes_no_more_than_before(tight, roomy):
    """Bytes in use after each of three answers; what was dropped is gone from the heap as well."""
    for held in (tight["held"], roomy["held"]):
        assert abs(held[2] - held[1]) < 512, held
    assert roomy["held"][2] - tight["held"][2] > 30_000


def test_what_a_drive_needs_is_never_taken():
    """With less than 40 KB free beside what was loaded, nothing is answered with it."""
    none = asked(39_000)
    assert "Not answered. Bus " in none["rest"]
    assert "Too little memory" in none["rest"]
    assert none["kept"] == []


def test_every_module_that_answers_is_listed():
    """The heads of these files say what they are for. Frames are sent without being asked for."""
    here = {path.stem for path in (FIRMWARE / "loopwarden" / "link").glob("*.py")} - {"__init__"}
    assert here - {name.rsplit(".", 1)[1] for name in parts.ALL} == {"console", "frames", "parts"}
