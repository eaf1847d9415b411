"""The pytest plugin as a builder meets it: a folder of scenario files, a plain `pytest` in a process of its own."""

import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from .scenario_files import PARKED, write


@pytest.fixture
def folder(tmp_path):
    """A builder's own project: two scenarios that hold and one that does not, and files that are none of ours."""
    scenarios = tmp_path / "scenarios"
    scenarios.mkdir()
    write(scenarios, PARKED, "parked.toml")
    write(scenarios, PARKED, "parked_too.toml")
    write(tmp_path, PARKED.replace('phase = "unpowered"', 'phase = "live"'), "scenario_wrong.toml")
    (tmp_path / "pyproject.toml").write_text("[tool.pytest.ini_options]\n", encoding="utf-8")
    (tmp_path / "settings.toml").write_text("this is no TOML at all", encoding="utf-8")
    (scenarios / "notes.txt").write_text("not a scenario", encoding="utf-8")
    return tmp_path


def pytest_in(folder: Path, *options: str) -> tuple[int, str]:
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *options]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def test_scenarios_are_tests_and_their_failure_is_their_report(folder):
    code, out = pytest_in(folder)
    assert code == 1, out
    assert "2 passed" in out
    assert "1 failed" in out
    assert "FAIL  always from 0 s: phase is live: at 0.020 s phase is unpowered" in out
    assert "Traceback" not in out
    assert "pytest_plugin.py" not in out


def test_one_scenario_by_its_name(folder):
    code, out = pytest_in(folder, "scenarios/parked.toml", "-v")
    assert code == 0, out
    assert "scenarios/parked.toml::scenario PASSED" in out


def test_parallel_with_a_junit_report(folder):
    code, out = pytest_in(folder, "-n", "2", "--junitxml", "report.xml")
    assert code == 1, out
    (suite,) = ET.parse(folder / "report.xml").getroot().findall("testsuite")
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("3", "1", "0")
    (failure,) = suite.findall("testcase/failure")
    assert "phase is live" in failure.text
    names = {one.get("name"): one.get("value") for one in suite.findall("testcase/properties/property")}
    assert "S14:1" in names["promises"]  # each is run twice and compared


def test_a_broken_file_fails_alone_with_its_line(folder):
    (folder / "scenarios" / "broken.toml").write_text("title = \n", encoding="utf-8")
    code, out = pytest_in(folder)
    assert code == 1, out
    assert "2 passed" in out
    assert "2 failed" in out
    assert "broken.toml:1: is not TOML" in out
