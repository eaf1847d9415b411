"""Every promise kept by the policy is broken on purpose, in every file of it; all of it is found out."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from loopwarden_build.load import read_build
from loopwarden_prove.attacks import attacks_of

from .plant import PACKAGE, PROPERTIES, SCENARIOS, GoneError, changed, file_of
from .sabotages import SABOTAGES, Sabotage

TESTS = Path(__file__).parents[1]
BUILDS = TESTS.parent / "host_sim" / "builds"
PROMISES = [f"S{n}" for n in range(1, 16)]

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="each broken policy lives in a fork")


def test_all_of_it_is_found_out(tmp_path):
    """By a promise, an expectation or a run that ends, in the scenarios that the table names for it."""
    figures = tmp_path / "figures.json"
    command = [sys.executable, "-m", "sabotage.plant", "--processes", "2", "--json", str(figures)]
    environment = {**os.environ, "PYTHONPATH": str(TESTS)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(figures.read_text(encoding="utf-8"))
    assert found["sabotage_planted"] == len(SABOTAGES) >= 40
    assert found["sabotage_missed"] == 0
    assert set(found["found_by"]) == {sabotage.name for sabotage in SABOTAGES}


@pytest.mark.parametrize("promise", PROMISES)
def test_every_promise_is_broken_by_one_of_them(promise):
    assert [sabotage for sabotage in SABOTAGES if sabotage.promise == promise]


def test_every_file_of_the_policy_is_among_them():
    files = {file.relative_to(PACKAGE).as_posix() for file in PACKAGE.glob("policy/**/*.py")}
    empty = {file for file in files if file.endswith("__init__.py")}
    assert {sabotage.file for sabotage in SABOTAGES} == files - empty


def test_each_has_a_name_of_its_own_and_scenarios_that_are_there():
    assert len({sabotage.name for sabotage in SABOTAGES}) == len(SABOTAGES)
    for sabotage in SABOTAGES:
        assert sabotage.first, sabotage.name
        assert all((SCENARIOS / f"{name}.toml").exists() for name in sabotage.first), sabotage.name


def test_what_the_campaign_is_said_to_find_it_by_is_an_attack_of_a_shipped_build():
    builds = [read_build(BUILDS / f"{name}.toml") for name in ("orchard_truck", "bench_cart")]
    names = {attack.name for build in builds for attack in attacks_of(build)}
    for sabotage in SABOTAGES:
        assert set(sabotage.attacks) <= names, sabotage.name


def test_each_file_of_properties_is_among_those_that_are_asked():
    assert sorted(PROPERTIES) == sorted(
        file.relative_to(TESTS.parent).as_posix() for file in (TESTS / "policy").glob("test_properties_*.py")
    )
    for sabotage in SABOTAGES:
        assert {file_of(subject) for subject in sabotage.properties} <= set(PROPERTIES), sabotage.name


@pytest.mark.parametrize("before", ["this text stands nowhere", "self.outputs"])
def test_one_whose_text_is_gone_or_stands_there_twice_is_an_error(before):
    """Or the policy that is tried would be a sound one, or broken elsewhere."""
    with pytest.raises(GoneError, match=r"policy/phases\.py has \d+ times, not once"):
        changed(Sabotage("S3", "cannot be planted", "policy/phases.py", before, ""))
