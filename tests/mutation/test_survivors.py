"""What survived the last published run is argued one by one, and what is argued is still in the source."""

import json
import tomllib
from pathlib import Path

import pytest

from .hunt import LAST, interval, published
from .plan import sources
from .victims import module

ARGUED = tomllib.loads(Path(__file__).with_name("survivors.toml").read_text(encoding="utf-8")).get("survivor", [])
RESULT = json.loads(LAST.read_text(encoding="utf-8"))
SCORE_LEAST = 95.0
ENOUGH = 100  # mutants of a file, of which a sample has some


def key(entry):
    return " | ".join((entry["file"], entry["where"], entry["text"], entry["change"], str(entry.get("nth", 0))))


def can_be_made(name):
    return name in {mutant.key for mutant in module(name.split(" | ")[0]).mutants}


@pytest.mark.parametrize("entry", ARGUED, ids=key)
def test_an_argued_survivor_can_still_be_made_and_has_an_argument(entry):
    """One whose line is gone is a note about nothing; one without an argument is a hole in the tests."""
    assert can_be_made(key(entry))
    assert len(entry["why"]) > 20


def test_every_survivor_of_the_last_run_is_argued_and_no_other_mutant_is():
    """One whose line has changed since needs no argument any more: it is another mutant now."""
    survivors = [name for part in RESULT["packages"].values() for name in part["survivors"] if can_be_made(name)]
    assert sorted(key(entry) for entry in ARGUED) == sorted(survivors)


def test_the_last_run_killed_what_it_must():
    """Equal mutants, which nothing can kill, count as survivors."""
    assert published(RESULT["packages"]) == RESULT
    assert RESULT["score_percent"] >= SCORE_LEAST


@pytest.mark.parametrize("package", RESULT["packages"])
def test_the_figures_of_a_package_belong_together(package):
    part = RESULT["packages"][package]
    assert part["killed"] + len(part["survivors"]) == part["tried"] <= part["made"]
    assert part["score_percent"] == pytest.approx(100 * part["killed"] / part["tried"], abs=0.01)
    assert part["interval_percent"] == interval(part["killed"], part["tried"])
    wanted = {file for file in sources() if file.startswith(package) and len(module(file).mutants) >= ENOUGH}
    assert wanted <= set(part["files"])
