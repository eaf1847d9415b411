"""`loopwarden precharge`: exit codes, JSON, the page in 80 columns, and what it refuses in one line."""

import json
from pathlib import Path

import pytest

from loopwarden_build.derived import precharge_path
from loopwarden_build.load import read_build
from loopwarden_build.precharge_path import facts as path_facts
from loopwarden_cli.main import main

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
TRUCK = str(BUILDS / "orchard_truck.toml")
CALCULATOR = ["--voltage", "800 V", "--capacitance", "1 mF", "--resistance", "47 ohm"]
EXACT = ["--tolerance", "0 %", "--capacitance-tolerance", "0 %"]


def facts(capsys, *options, code=0):
    assert main(["precharge", *options, "--json"]) == code
    return json.loads(capsys.readouterr().out)


@pytest.mark.outside(
    subject="precharge",
    source="a resistor maker's calculator, seen in its page",
    value="47 ohm, 1 mF, 800 V: tau 47.0 ms, 95 % after 140.8 ms, 99 % after 216.4 ms, 17.0 A, 13.6 kW, 320 J",
)
def test_the_resistor_makers_calculator(capsys):
    """47 ohm, 1 mF, 800 V: tau 47.0 ms; 95 % 140.8 ms; 17.0 A; 13.6 kW; 320 J (seen)."""
    found = facts(capsys, *CALCULATOR)
    assert found["rc_s"] == pytest.approx(0.047)
    assert found["time_s"] == pytest.approx(0.1408, abs=5e-5)
    assert found["peak_a"] == pytest.approx(17.0, abs=0.05)
    assert found["peak_w"] == pytest.approx(13_600, abs=50)
    assert found["energy_j"] == pytest.approx(320)
    assert (found["window_from_s"], found["window_to_s"]) == pytest.approx((0.0704, 0.2112), abs=1e-4)


@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_a_build_gives_what_its_review_gives(name, capsys):
    path = BUILDS / f"{name}.toml"
    found = facts(capsys, "--build", str(path))
    reviewed = path_facts(precharge_path(read_build(path)))
    for key in ("rc_s", "time_s", "slowest_s", "fastest_s", "reserve_j", "starts_in_a_row", "wait_s", "closing_loss_j"):
        assert found[key] == reviewed[key], key


@pytest.mark.outside(
    subject="precharge",
    source="algebra",
    value="with a load RL the bus ends at V*RL/(R + RL): below the fraction it never gets there",
)
def test_an_option_replaces_what_the_build_says(capsys):
    """End value V*RL/(R+RL): 100 ohm and 300 ohm hold the bus at 75 % (algebra): never 95 %."""
    found = facts(capsys, "--build", TRUCK, "--load", "300 ohm", code=1)
    assert found["slowest_s"] is None
    assert found["end_fraction"] == pytest.approx(0.75)
    assert "holds the bus at" in found["why"]


def test_within_proposes_the_largest_resistor_of_the_series(capsys):
    """R = T / (C * ln(1/(1-k))): 0.5 s, 1 mF, 95 % allow 166.9 ohm (by hand), so 160 of E24 and 150 of E12."""
    parts = ["--voltage", "400 V", "--capacitance", "1 mF", "--within", "500 ms", *EXACT]
    assert facts(capsys, *parts)["proposed_ohm"] == 160
    found = facts(capsys, *parts, "--series", "E12")
    assert found["proposed_ohm"] == 150
    assert found["proposed_rated_v"] == 400
    # A short, full voltage for 30 ms travel, 3 ticks until noticed, 40 ms release and two ticks, by hand: 181.3 J;
    # twice a good start is 160 J.
    assert found["proposed_pulse_needed_j"] == pytest.approx(400**2 / 150 * 0.170)


def test_starts_in_a_row_need_their_heat(capsys):
    one = facts(capsys, *CALCULATOR, *EXACT, "--pulse-energy", "10 kJ")
    many = facts(capsys, *CALCULATOR, *EXACT, "--pulse-energy", "10 kJ", "--starts", "5")
    assert many["pulse_needed_j"] - one["pulse_needed_j"] == pytest.approx(4 * 320)
    found = facts(capsys, *CALCULATOR, *EXACT, "--pulse-energy", "2.5 kJ", "--starts", "5", code=1)
    assert "enough for 3 of the 5 starts" in found["why"]  # 1770 J kept free, 320 J each: 1770, 2090, 2410 J


@pytest.mark.parametrize(
    "options",
    [
        CALCULATOR,
        [*CALCULATOR, "--load", "100 ohm", "--pulse-energy", "100 J", "--rated-voltage", "500 V"],
        ["--voltage", "400 V", "--capacitance", "1 mF", "--within", "500 ms", "--load", "2 kohm"],
        ["--voltage", "400 V", "--capacitance", "1 mF", "--within", "500 ms", "--load", "2 ohm"],
        ["--build", TRUCK, "--within", "200 ms", "--starts", "9"],
    ],
)
def test_page_and_json_of_any_question(options, capsys):
    code = main(["precharge", *options])
    page = capsys.readouterr().out
    assert page.isascii()
    assert max(map(len, page.splitlines())) <= 80
    assert ("DOES NOT FIT" in page) == (code == 1)
    found = facts(capsys, *options, code=code)
    assert set(found) == set(facts(capsys, *CALCULATOR))
    assert not any(isinstance(value, dict | list) for value in found.values())


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ([], "--resistance: is missing; give it, or --within"),
        (["--within", "1 s"], "--voltage: is missing; allowed: 12 V to 1000 V"),
        (["--resistance", "47 ohm", "--voltage", "400 V"], "--capacitance: is missing; allowed: 1 uF to 10 mF"),
        ([*CALCULATOR, "--fraction", "0.95"], '--fraction "0.95": has no unit; write % after the number'),
        ([*CALCULATOR, "--tolerance", "90 %"], '--tolerance "90 %": is out of range; allowed: 0 % to 30 %'),
        ([*CALCULATOR, "--starts", "0"], "--starts 0: must be 1 to 20"),
        (["--build", "no such file.toml"], "no such file.toml: cannot be read"),
    ],
)
def test_wrong_use_is_one_line_and_2(options, line, capsys):
    assert main(["precharge", *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(line)
    assert err.count("\n") == 1
