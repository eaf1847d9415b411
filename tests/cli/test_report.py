"""`loopwarden report` and `export`: a page, a table, exit codes, and every way to be used wrongly."""

import csv
import random
import subprocess
import sys
from pathlib import Path

import pytest

from fake_board import LOOP, START, WARNING, FakeBoard
from loopwarden_cli.main import main
from loopwarden_record.simulated import record_scenario
from loopwarden_sim.scenario import load_scenario

HOST_SIM = Path(__file__).resolve().parents[2] / "host_sim"
TRUCK = HOST_SIM / "builds" / "orchard_truck.toml"
PARKED = f'title = "parked"\nbuild = "{TRUCK}"\nrun = "1 s"\n[[expect]]\nat = "0.5 s"\nphase = "PHASE"\n'


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty working folder with a scenario that holds and one that does not."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "parked.toml").write_text(PARKED.replace("PHASE", "unpowered"), encoding="utf-8")
    (tmp_path / "wrong.toml").write_text(PARKED.replace("PHASE", "live"), encoding="utf-8")
    return tmp_path


@pytest.fixture
def board(here):
    board = FakeBoard(here / "port")
    yield board
    board.close()


def test_a_page_lies_under_the_scenarios_name_and_says_so(here, capsys):
    assert main(["report", "parked.toml"]) == 0
    assert capsys.readouterr().out == "parked.html: 50 ticks, 0 codes\n"
    assert "Drive report: parked" in (here / "parked.html").read_text(encoding="utf-8")


def test_a_table_lies_under_the_scenarios_name_and_says_so(here, capsys):
    assert main(["export", "parked.toml"]) == 0
    assert capsys.readouterr().out == "parked.csv: 50 rows\n"
    assert (here / "parked.csv").read_text(encoding="utf-8").count("\n") == 51


@pytest.mark.parametrize(("command", "name"), [("report", "page.html"), ("export", "table.csv")])
def test_what_did_not_hold_is_said_and_is_1(here, capsys, command, name):
    assert main([command, "wrong.toml", "-o", name]) == 1
    out = capsys.readouterr().out
    assert "Not as the scenario expects: FAIL" in out
    assert (here / name).is_file()
    if command == "report":
        assert "Not as the scenario expects" in (here / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["report", "export"])
@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["none.toml"], "none.toml: cannot be read: No such file or directory"),
        (["parked.toml", "-o", "no/page"], "no/page: cannot be written: there is no folder {here}/no"),
        (["parked.toml", "-o", "."], ".: cannot be written: it is a folder"),
        (["parked.toml", "-o", "./parked.toml"], "parked.toml: cannot be written: it is what is to be read"),
        (["broken.toml"], "broken.toml:1: is not TOML"),
        (["binary.toml"], "binary.toml: is not UTF-8 text"),
    ],
)
def test_wrong_use_is_one_line_and_2(here, capsys, command, arguments, said):
    (here / "broken.toml").write_text("title = \n", encoding="utf-8")
    (here / "binary.toml").write_bytes(b"\xff\xfe\x00")
    assert main([command, *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(said.format(here=here))
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["parked.toml", "--port", "/dev/none"], "parked.toml and --port /dev/none: a page is of one of them\n"),
        (["parked.toml", "--build", "b.toml"], "--build b.toml: a scenario names its own build\n"),
        (["--port", "/dev/none", "--build", "b.toml"], "b.toml: cannot be read: No such file or directory\n"),
        (["--port", "p", "-o", "no/page"], "no/page: cannot be written: there is no folder {here}/no\n"),
    ],
)
def test_a_page_is_of_a_scenario_or_of_a_board(here, capsys, arguments, said):
    assert main(["report", *arguments]) == 2
    assert capsys.readouterr().err == said.format(here=here)


def test_a_board_that_does_not_answer_is_2(here, capsys):
    assert main(["report", "--port", str(here / "none"), "--timeout", "0.1"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not (here / "board_report.html").exists()


def test_a_boards_page(here, board, capsys):
    board.set_off(active=[])
    board.answers["faults"] = [WARNING, LOOP]
    board.answers["faults P1A07-00"] = [WARNING]
    board.answers["starts"] = [{**START, "kind": "start", "cycle": n, "precharge_ms": 400 + n} for n in range(30, 42)]
    board.answers["storage"] = [{"kind": "storage", "ready": 0, "pack_mv": None, "text": "not yet"}]
    board.answers["build"] = [{"kind": "build", "name": "bench cart", "working_v": 420, "iso_fault_ohm": 210_000}]
    assert main(["report", "--port", str(board.path), "--timeout", "0.5", "--build", str(TRUCK)]) == 0
    assert capsys.readouterr().out == "board_report.html: 12 starts, 2 codes\n"
    page = (here / "board_report.html").read_text(encoding="utf-8")
    for text in ("Board report: bench cart", "P0A0A-13 loop open", "Look at the connectors"):
        assert text in page
    assert 'id="strip-voltages"' in page
    assert page.count('class="plot"') == 8


def test_what_a_board_refuses_is_said_on_its_page(here, board, capsys):
    assert main(["report", "--port", str(board.path), "--timeout", "0.5"]) == 0  # live, and asked what it does not know
    out = capsys.readouterr().out
    assert "The board did not answer 'storage': " in out
    assert "Asked in a drive" in out
    page = (here / "board_report.html").read_text(encoding="utf-8")
    assert "The board did not answer &#x27;storage&#x27;: " in page
    assert "The board told nothing of it." in page


def test_no_other_command_pays_for_the_plotting_library():
    code = "import sys, loopwarden_cli.main; print([name for name in ('plotly', 'numpy') if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """A recorded start and stop of the truck."""
    path = tmp_path_factory.mktemp("recording") / "drive.lwr"
    record_scenario(load_scenario(HOST_SIM / "scenarios" / "start_drive_stop.toml"), path)
    return path


def test_a_recording_gives_the_page_and_the_table_that_its_run_gave(here, capsys, recording):
    scenario = HOST_SIM / "scenarios" / "start_drive_stop.toml"
    assert main(["report", str(recording), "--build", str(TRUCK), "-o", "page.html"]) == 0
    assert "From a recording" in (here / "page.html").read_text(encoding="utf-8")
    assert main(["export", str(recording), "--build", str(TRUCK), "-o", "again.csv"]) == 0
    assert main(["export", str(scenario), "-o", "run.csv"]) == 0
    capsys.readouterr()
    again, run = (
        list(csv.DictReader((here / name).read_text(encoding="utf-8").splitlines()))
        for name in ("again.csv", "run.csv")
    )
    powered = [row for row in run if row["phase"] != "unpowered"]
    assert len(again) == len(powered) > 3000
    not_recorded = {"t_ms", "out_heartbeat"}  # its time begins at power-up; the heartbeat is in no frame
    for name in set(run[0]) - not_recorded:
        assert [row[name] for row in again] == [row[name] for row in powered], name


def test_a_recording_without_its_build_file_is_asked_for_it(here, capsys, recording):
    assert main(["report", str(recording)]) == 2
    assert capsys.readouterr().err == (
        f"{recording}: is a recording: give the build file that it was made with, --build BUILD\n"
    )


def test_of_a_cut_recording_what_is_good_is_shown_and_the_rest_named(here, capsys, recording):
    data = recording.read_bytes()
    Path("cut.lwr").write_bytes(data[: len(data) // 2])
    assert main(["report", "cut.lwr", "--build", str(TRUCK), "-o", "page.html"]) == 1
    out = capsys.readouterr().out
    assert "It does not say how it ended" in out
    assert "It does not say how it ended" in (here / "page.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("seed", range(6))
def test_a_recording_with_flipped_bits_is_a_page_or_one_line(here, capsys, recording, seed):
    draw = random.Random(seed)
    data = bytearray(recording.read_bytes())
    for _ in range(1 + seed * 3):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    Path("flipped.lwr").write_bytes(data)
    code = main(["report", "flipped.lwr", "--build", str(TRUCK), "-o", "page.html"])
    out, err = capsys.readouterr()
    assert code in (1, 2)
    assert err.count("\n") == (code == 2)
    assert ("page.html: " in out) == (code == 1)


def test_a_recording_of_another_version_and_a_foreign_file_are_named(here, capsys, recording):
    later = recording.read_bytes().replace(b"recording 3\n", b"recording 9\n", 1)
    for data, said in ((later, "is a recording of format '9'"), (b"\0\1\2 nothing of ours", "is no recording")):
        Path("odd.lwr").write_bytes(data)
        assert main(["export", "odd.lwr", "--build", str(TRUCK)]) == 2
        err = capsys.readouterr().err
        assert err.startswith("odd.lwr: ")
        assert said in err
        assert err.count("\n") == 1


def test_another_build_than_the_recorded_one_is_said(here, capsys, recording):
    cart = HOST_SIM / "builds" / "bench_cart.toml"
    assert main(["export", str(recording), "--build", str(cart), "-o", "odd.csv"]) == 1
    assert f"{cart} is not the build that was recorded" in capsys.readouterr().out
