"""What survived the last run of the mutation tests is argued one by one, and what is argued is still in the source."""

import json
import tomllib
from pathlib import Path

import pytest

from .plan import sources
from .victims import module

HERE = Path(__file__).parent
ARGUED = tomllib.loads((HERE / "survivors.toml").read_text(encoding="utf-8")).get("survivor", [])
LAST = json.loads((HERE / "last_result.json").read_text(encoding="utf-8"))
SCORE_LEAST = 95.0


def key(entry):
    return " | ".join((entry["file"], entry["where"], entry["text"], entry["change"], str(entry.get("nth", 0))))


@pytest.mark.parametrize("entry", ARGUED, ids=key)
def test_an_argued_survivor_can_still_be_made_and_has_an_argument(entry):
    """One whose line is gone is a note about nothing; one without an argument is a hole in the tests."""
    assert key(entry) in {mutant.key for mutant in module(entry["file"]).mutants}
    assert len(entry["why"]) > 20


def test_every_survivor_of_the_last_run_is_argued_and_no_other_mutant_is():
    assert sorted(key(entry) for entry in ARGUED) == sorted(LAST["survivors"])


def test_the_last_run_killed_what_it_must():
    """Counted over all that were tried; equal mutants, which nothing can kill, count as survivors."""
    assert LAST["killed"] + len(LAST["survivors"]) == LAST["tried"] <= LAST["made"]
    assert LAST["score_percent"] == pytest.approx(100 * LAST["killed"] / LAST["tried"], abs=0.01)
    assert LAST["score_percent"] >= SCORE_LEAST


def test_the_last_run_saw_every_file():
    assert set(LAST["files"]) == {file for file in sources() if module(file).mutants}
