"""`loopwarden simulate`: files and folders in, a verdict out, in words, JSON, JUnit XML and CSV."""

import csv
import json
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from loopwarden_cli.main import main
from loopwarden_sim.junit import junit_xml
from loopwarden_sim.promise_monitor import PROMISES, Breach
from loopwarden_sim.runner import run
from loopwarden_sim.scenario import load_scenario

TRUCK = Path(__file__).resolve().parents[2] / "host_sim" / "builds" / "orchard_truck.toml"
PARKED = f"""\
title = "a parked truck, <quiet> & dark"
build = "{TRUCK}"
seed = 3
run = "2 s"

[[expect]]
from = "0 s"
phase = "PHASE"

[[expect]]
at = "1 s"
world_bus_v = "< 60 V"
"""


@pytest.fixture
def parked(tmp_path):
    """Write a scenario that holds, or one that does not."""

    def write(name: str = "parked.toml", phase: str = "unpowered") -> str:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(PARKED.replace("PHASE", phase), encoding="utf-8")
        return str(path)

    return write


def test_a_scenario_that_holds(parked, capsys):
    assert main(["simulate", parked()]) == 0
    out, err = capsys.readouterr()
    assert err == ""  # no progress bar where nobody looks
    assert "a parked truck, <quiet> & dark" in out
    assert "ok    always from 0 s: phase is unpowered" in out
    assert "PASS  2 of 2 checks, 0 broken promises, 2 s, seed 3" in out
    assert "promises exercised: S14 1x; not exercised: S1, S2" in out


def test_a_scenario_that_does_not_hold_is_1_and_says_where(parked, capsys):
    assert main(["simulate", parked(phase="live")]) == 1
    out = capsys.readouterr().out
    assert "FAIL  always from 0 s: phase is live: at 0.020 s phase is unpowered" in out
    assert "ok    at 1 s: world_bus_v < 60 V" in out
    assert "FAIL  1 of 2 checks" in out


def test_folders_are_opened_and_one_failure_is_enough(parked, capsys, tmp_path):
    parked("all/one.toml")
    parked("all/two.toml", "live")
    assert main(["simulate", str(tmp_path / "all")]) == 1
    assert "1 of 2 scenarios passed" in capsys.readouterr().out
    assert main(["simulate", str(tmp_path / "all"), str(tmp_path / "all" / "one.toml"), "--json"]) == 1
    assert len(json.loads(capsys.readouterr().out)["scenarios"]) == 2  # the same file is not run twice over


def test_json(parked, capsys):
    assert main(["simulate", parked(), "--json", "--seed", "9"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["passed"] is True
    assert list(answer["exercised"]) == list(PROMISES)
    (one,) = answer["scenarios"]
    assert (one["passed"], one["seed"], one["ticks"], one["failure"]) == (True, 9, 100, "")
    assert [(result["passed"], result["seen"]) for result in one["expectations"]] == [(True, ""), (True, "")]
    assert one["breaches"] == one["codes"] == one["events"] == []


def test_junit(parked, capsys, tmp_path):
    report = tmp_path / "report.xml"
    assert main(["simulate", parked("good.toml"), parked("bad.toml", "live"), "--junit", str(report)]) == 1
    top = ET.parse(report).getroot()
    assert (top.tag, top.get("tests"), top.get("failures"), top.get("errors")) == ("testsuites", "8", "1", "0")
    good, bad = top.findall("testsuite")
    assert good.get("name") == "a parked truck, <quiet> & dark"
    assert [case.get("name") for case in good.findall("testcase")][-2:] == ["promises kept", "runs to its end"]
    assert good.findall("testcase/failure") == []
    (failure,) = bad.findall("testcase/failure")
    assert failure.get("message") == failure.text == "at 0.020 s phase is unpowered"


def test_junit_of_a_breach_and_a_stop_with_characters_that_xml_cannot_hold(parked):
    outcome = run(load_scenario(parked()))
    outcome.breaches = [Breach("S5", 7, 140, "lamps \x00 out"), Breach("S6", 8, 160, "x")]
    outcome.failure = "stopped by \x1b[31m <error>"
    top = ET.fromstring(junit_xml([outcome]))
    assert (top.get("tests"), top.get("failures"), top.get("errors")) == ("4", "1", "1")
    (failure,) = top.findall(".//failure")
    assert failure.get("message") == "S5 broken at 0.140 s (tick 7): lamps ? out"
    assert failure.text.splitlines()[1] == "S6 broken at 0.160 s (tick 8): x"
    assert top.find(".//error").text == "stopped by ?[31m <error>"


def test_trace(parked, tmp_path, capsys):
    trace = tmp_path / "trace.csv"
    assert main(["simulate", parked(), "--trace", str(trace)]) == 0
    with trace.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 100
    assert (rows[0]["t_ms"], rows[0]["phase"], rows[0]["codes"]) == ("20", "unpowered", "")
    assert rows[0]["in_bus_v"] == ""


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["GOOD", "OTHER", "--trace", "t.csv"], "--trace t.csv: writes the ticks of one scenario, and 2 are given"),
        (["GOOD", "--trace", "no/such/folder/t.csv"], "cannot be written: there is no folder"),
        (["GOOD", "--junit", "no/such/folder/r.xml"], "cannot be written: there is no folder"),
        (["GOOD", "--trace", "FOLDER"], "cannot be written: Is a directory"),
        (["GOOD", "--junit", "FOLDER"], "cannot be written: Is a directory"),
        (["nowhere.toml"], "nowhere.toml: cannot be read: No such file"),
        (["FOLDER"], "no scenario (.toml) lies in this folder"),
    ],
)
def test_wrong_use_is_2_and_one_line(parked, capsys, tmp_path, arguments, message):
    (tmp_path / "empty").mkdir()
    names = {"GOOD": parked("good.toml"), "OTHER": parked("other.toml"), "FOLDER": str(tmp_path / "empty")}
    assert main(["simulate", *(names.get(argument, argument) for argument in arguments)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert message in err
    assert len(err.splitlines()) == 1


def test_every_error_of_every_file_comes_at_once_and_nothing_runs(parked, capsys, tmp_path):
    bad = parked("bad.toml", "lives")
    (tmp_path / "worse.toml").write_text("title = \n", encoding="utf-8")
    assert main(["simulate", parked(), bad, str(tmp_path / "worse.toml")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 2
    assert 'did you mean "live"?' in err
    assert "worse.toml:1: is not TOML" in err


@pytest.mark.parametrize("seed", ["-1", "4294967296", "x", "1.5"])
def test_a_seed_out_of_range_is_wrong_use(parked, capsys, seed):
    with pytest.raises(SystemExit) as left:
        main(["simulate", parked(), "--seed", seed])
    assert left.value.code == 2
    assert "whole number from 0 to 4294967295" in capsys.readouterr().err


def test_a_progress_bar_where_somebody_looks(parked, capsys, monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert main(["simulate", parked("watched.toml")]) == 0
    assert "watched" in capsys.readouterr().err
    assert main(["simulate", parked("watched.toml"), "--json"]) == 0
    assert capsys.readouterr().err == ""
