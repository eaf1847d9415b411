"""`loopwarden check`: exit codes, one line per error, and JSON either way."""

import json
from pathlib import Path

import pytest

from loopwarden_cli.main import main

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"


@pytest.fixture
def broken(tmp_path):
    """A truck with one text replaced."""

    def write(old, new):
        text = (BUILDS / "orchard_truck.toml").read_text()
        assert old in text
        path = tmp_path / "build.toml"
        path.write_text(text.replace(old, new, 1))
        return path

    return write


@pytest.mark.parametrize(
    ("file", "name"), [("orchard_truck.toml", "orchard utility truck"), ("bench_cart.toml", "bench cart")]
)
def test_shipped_builds_are_fine(capsys, file, name):
    assert main(["check", str(BUILDS / file)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith(f"{BUILDS / file}: fine ({name}, packed build ")
    assert out.count("\n") == 1
    assert err == ""


def test_a_rule_that_is_broken_is_1_and_an_answer(capsys, broken):
    path = broken('pulse_energy = "600 J"', 'pulse_energy = "100 J"')
    assert main(["check", str(path)]) == 1
    out, err = capsys.readouterr()
    assert out == (
        f'{path}:95: precharge.pulse_energy = "100 J": must be 278.5 J or more: so much one start from 420 V may take, '
        "or a short on the bus until it is noticed (S12)\n"
    )
    assert err == ""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[pack]", "[pack"),
        ('"380 V"', '"380 A"'),
        ('"380 V"', '"-380 V"'),
        ('nominal = "380 V"\n', ""),
        ('nominal = "380 V"', 'nominl = "380 V"'),
        ('hot = "52 degC"', 'hot = "49 degC"'),
    ],
)
def test_a_file_that_is_wrong_is_2_on_standard_error(capsys, broken, old, new):
    path = broken(old, new)
    assert main(["check", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert all(line.startswith(f"{path}:") for line in err.splitlines())
    assert "Traceback" not in err


def test_a_file_that_is_not_there_is_2(capsys, tmp_path):
    assert main(["check", str(tmp_path / "none.toml")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'none.toml'}: cannot be read: No such file or directory\n"


def test_json_says_the_same_of_a_good_file(capsys):
    path = BUILDS / "bench_cart.toml"
    assert main(["check", str(path), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["file"], answer["ok"], answer["errors"], answer["name"]) == (str(path), True, [], "bench cart")
    assert len(answer["digest"]) == 64


@pytest.mark.parametrize(
    ("old", "new", "exit_code"),
    [('"400 J"', '"100 J"', 1), ('"380 V"', '"380"', 2)],
)
def test_json_says_the_same_of_a_bad_file(capsys, broken, old, new, exit_code):
    path = broken(old, new)
    assert main(["check", str(path), "--json"]) == exit_code
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert answer["ok"] is False
    assert len(answer["errors"]) == 1
    assert err == ""
