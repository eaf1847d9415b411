"""`loopwarden prove`: a build in, attacks on it, a verdict and reports out. The campaign is cut down to a few cases."""

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from loopwarden.policy.lamps import Lamps
from loopwarden_cli.main import main
from loopwarden_prove import plan
from loopwarden_prove.work import campaign_of

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
TRUCK = BUILDS / "orchard_truck.toml"


@pytest.fixture(autouse=True)
def few(monkeypatch, tmp_path):
    """A quick proof is of three cases, a wire off in a live drive; scenario files go where nobody minds."""

    def sample(cases, count, seed):
        return [one for one in cases if one.attacks == ("bus_voltage_open",) and one.phase == "live"][
            : 3 if count else 0
        ]

    monkeypatch.setattr(plan, "sample", sample)
    monkeypatch.chdir(tmp_path)
    campaign_of.cache_clear()
    yield
    campaign_of.cache_clear()


@pytest.fixture
def lamps_out(monkeypatch):
    """The lamps take no reading for a dead bus."""
    step = Lamps.step

    def broken(self):
        step(self)
        if self.inputs.bus_mv is None:
            self.outputs.lamp_hv = 0

    monkeypatch.setattr(Lamps, "step", broken)


def prove(*options: str) -> int:
    return main(["prove", str(TRUCK), "--quick", "--workers", "1", *options])


def test_nothing_found_is_0_and_says_in_how_much(capsys, tmp_path):
    assert prove() == 0
    out, err = capsys.readouterr()
    assert err == ""  # no progress bar where nobody looks
    assert "NOTHING FOUND in 3 of " in out
    assert "single faults and 0 pairs" in out
    assert "It is a simulation: wiring, connectors, parts" in out
    assert list(tmp_path.iterdir()) == []


def test_coverage_reactions_and_promises_are_printed(capsys):
    assert prove() == 0
    lines = capsys.readouterr().out.splitlines()
    assert next(line.split() for line in lines if line.startswith("live "))[1:3] == ["3", "of"]
    (reactions,) = [line for line in lines if line.startswith("reactions: ")]
    assert "BUS_VOLTAGE_BAD" in reactions
    assert any(line.startswith("promises exercised: ") for line in lines)


def test_a_broken_promise_is_1_with_a_scenario_that_simulate_fails(lamps_out, capsys, tmp_path):
    folder = tmp_path / "found"
    assert prove("-o", str(folder)) == 1
    out = capsys.readouterr().out
    assert "S5 broken: high-voltage lamps out" in out
    files = sorted(folder.glob("*.toml"))
    assert files
    for file in files:
        assert f"loopwarden simulate {folder}/{file.name}" in out
        assert main(["simulate", str(file)]) == 1
    assert "S5 broken at " in capsys.readouterr().out


def test_scenarios_have_a_folder_with_the_builds_name_if_none_is_given(lamps_out, tmp_path):
    assert prove() == 1
    (folder,) = tmp_path.iterdir()
    assert folder.name.startswith("proof_orchard_utility_truck_20")


def test_all_reports(lamps_out, tmp_path, capsys):
    assert prove("--html", "a.html", "--json", "a.json", "--junit", "a.xml", "-o", "out", "--seed", "7") == 1
    assert "FOUND: " in Path("a.html").read_text(encoding="utf-8")
    data = json.loads(Path("a.json").read_text(encoding="utf-8"))
    assert (data["run"]["seed"], data["run"]["quick"], data["run"]["pairs_asked"]) == (7, True, 0)
    assert data["run"]["where"] == "in one process"
    assert data["verdict"]["text"] in capsys.readouterr().out
    assert {one["scenario"]["file"] for one in data["troubles"]} == {file.name for file in Path("out").iterdir()}
    top = ET.parse("a.xml").getroot()
    assert (top.get("failures"), top.get("errors")) == ("1", "0")
    assert top.find("testsuite").get("name") == "prove orchard utility truck"


def test_pairs(capsys):
    assert prove("--doubles", "2") in (0, 1)  # what two attacks of any seed show is the campaign's business
    assert "single faults and 2 pairs" in capsys.readouterr().out


def test_a_report_that_cannot_be_written_costs_nothing_of_what_was_found(lamps_out, tmp_path, capsys):
    (tmp_path / "taken").write_text("a file, not a folder")
    assert prove("-o", "taken/below") == 2
    err = capsys.readouterr().err
    assert "FOUND: " in err
    assert err.splitlines()[-1].startswith("taken")
    assert "cannot be written: " in err.splitlines()[-1]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--html", "no/such/folder.html"], "no/such/folder.html: cannot be written: there is no folder "),
        (["--json", "."], ".: cannot be written: is a folder"),
        (["--cluster", "tcp://10.0.0.5:8786"], "--workers: a cluster has its own number of workers"),
    ],
)
def test_what_cannot_work_is_2_before_anything_runs(options, message, capsys, monkeypatch):
    monkeypatch.setattr("loopwarden_cli.prove.prove", None)
    assert prove(*options) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(message)
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--budget", "10"], "'10' has no unit; write s, ms, min or h after the number"),
        (["--budget", "-1 min"], "must be above 0"),
        (["--budget", "800 h"], "at most 720 h"),
        (["--doubles", "-1"], "'-1' is not a whole number from 0 to 100000"),
        (["--workers", "none"], "'none' is not a whole number from 1 to 1024"),
        (["--seed", "1.5"], "'1.5' is not a whole number from 0 to 4294967295"),
    ],
)
def test_an_option_that_makes_no_sense_is_2(options, message, capsys):
    with pytest.raises(SystemExit) as left:
        main(["prove", str(TRUCK), *options])
    assert left.value.code == 2
    assert message in capsys.readouterr().err


def test_a_cluster_that_is_not_there_is_2_and_one_line(capsys):
    assert main(["prove", str(TRUCK), "--quick", "--cluster", "nowhere"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("--cluster nowhere: no scheduler answers there: ")
    assert len(err.splitlines()) == 1


def test_a_build_file_that_is_wrong_is_answered_as_by_check(tmp_path, capsys):
    broken = tmp_path / "broken.toml"
    broken.write_text("title = 1\n")
    assert main(["check", str(broken)]) == 2
    expected = capsys.readouterr().err
    assert main(["prove", str(broken)]) == 2
    assert capsys.readouterr().err == expected
    assert main(["prove", str(tmp_path / "none.toml")]) == 2


def test_interrupted_with_nothing_found_is_130_and_says_so(capsys, monkeypatch):
    """The person presses Ctrl-C when the first results are in."""

    def add(self, case, finding):
        raise KeyboardInterrupt

    monkeypatch.setattr("loopwarden_prove.tally.Tally.add", add)
    assert prove() == 130
    assert "(PARTIAL: interrupted)" in capsys.readouterr().out
