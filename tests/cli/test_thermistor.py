"""`loopwarden thermistor`: readings both ways, tables, exit codes, and what it refuses in one line."""

import json
from pathlib import Path

import pytest

from loopwarden_cli.main import main

TRUCK = str(Path(__file__).resolve().parents[2] / "host_sim" / "builds" / "orchard_truck.toml")
NTC = ["--r25", "10 kohm", "--beta", "3950 K", "--pull-up", "10 kohm"]
PT1000 = ["--sensor", "pt1000", "--pull-up", "2.2 kohm"]


def facts(capsys, *options, code=0):
    assert main(["thermistor", *options, "--json"]) == code
    return json.loads(capsys.readouterr().out)


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra",
    value="NTC R = R25*exp(B*(1/T - 1/T25)), 10 kohm, B 3950: 33 620.6 ohm at 0 degC, 3588.2 at 50, 1086.7 at 85",
)
@pytest.mark.outside(
    subject="temperature sensors",
    source="IEC 60751, seen in published tables",
    value="of these by the command: -50, 0, 100 and 200 degC",
)
@pytest.mark.parametrize(
    ("sensor", "degc", "ohm", "code"),
    [
        (NTC, 0, 33_620.6, 0),  # R25*exp(B*(1/T - 1/T25)), algebra
        (NTC, 50, 3588.2, 0),
        (NTC, 85, 1086.7, 0),
        (PT1000, 0, 1000.0, 0),  # IEC 60751, seen in tables
        (PT1000, 100, 1385.055, 0),
        (PT1000, -50, 803.063, 1),  # the board's table ends at -40 degC
        (PT1000, 200, 1758.560, 1),
    ],
)
def test_ohm_and_degrees_both_ways(sensor, degc, ohm, code, capsys):
    there = facts(capsys, *sensor, "--degc", f"{degc} degC", code=code)
    assert there["ohm"] == pytest.approx(ohm, abs=0.05)
    back = facts(capsys, *sensor, "--ohm", f"{ohm} ohm", code=code)
    assert back["exact_degc"] == pytest.approx(degc, abs=0.005)
    assert back["board_state"] == ("ok" if code == 0 else "out of range")


@pytest.mark.outside(
    subject="temperature sensors",
    source='public tables of "3950" and "3435" parts, seen in public copies',
    value="3950 table, 3601 ohm at 50 degC: the equation reads 49.91 degC",
)
def test_a_public_table_beside_the_equation_and_the_board(capsys):
    """A public "3950" table has 3601 ohm at 50 degC (seen); the equation reads 49.91 degC there, the board 49.9."""
    found = facts(capsys, *NTC, "--ohm", "3601 ohm")
    assert found["exact_degc"] == pytest.approx(49.91, abs=0.005)
    assert found["board_degc"] == 49.9


def test_a_zone_of_a_build_by_number_and_by_name(capsys):
    by_number = facts(capsys, "--build", TRUCK, "--zone", "5", "--counts", "1500")
    by_name = facts(capsys, "--build", TRUCK, "--zone", "motor winding", "--counts", "1500")
    assert by_number == by_name
    assert (by_number["sensor"], by_number["zone"]) == ("pt1000", "motor winding")


@pytest.mark.parametrize(("counts", "state"), [("0", "short"), ("4095", "open"), ("39", "short"), ("4050", "open")])
def test_a_sensor_that_reads_no_temperature_is_1(counts, state, capsys):
    found = facts(capsys, *NTC, "--counts", counts, code=1)
    assert (found["board_degc"], found["board_state"]) == (None, state)
    assert main(["thermistor", *NTC, "--counts", counts]) == 1
    assert f"no temperature: {state}" in capsys.readouterr().out


def test_a_table_is_columns_of_one_length(capsys):
    found = facts(capsys, *NTC, "--from", "0 degC", "--to", "100 degC", "--step", "25 K")
    columns = {name: value for name, value in found.items() if name.startswith("table_")}
    assert found["table_degc"] == [0, 25, 50, 75, 100]
    assert {len(column) for column in columns.values()} == {5}
    assert found["table_ohm"][1] == pytest.approx(10e3)
    assert found["table_board_degc"] == [0, 25, 50, 75, 100]


@pytest.mark.parametrize("sensor", [NTC, PT1000, ["--build", TRUCK, "--zone", "pack front"]])
@pytest.mark.parametrize("asked", [[], ["--ohm", "1.2 kohm"], ["--ohm", "0 ohm"], ["--counts", "4095"]])
def test_the_page_fits_eighty_columns(sensor, asked, capsys):
    main(["thermistor", *sensor, *asked])
    page = capsys.readouterr().out
    assert page.isascii()
    assert max(map(len, page.splitlines())) <= 80
    assert "Nothing was measured" in page


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ([], "--pull-up: is missing; allowed: 100 ohm to 1 Mohm"),
        (["--pull-up", "10 kohm"], "--r25: is missing"),
        (["--pull-up", "10 kohm", "--r25", "10 kohm"], "--beta: is missing"),
        ([*PT1000, "--beta", "3950 K"], "--beta: belongs to an NTC"),
        ([*NTC, "--zone", "1"], "--zone: needs --build"),
        (["--build", TRUCK], '--zone: is missing; this build has 1 "pack front", 2 "pack middle"'),
        (["--build", TRUCK, "--zone", "9"], '--zone "9": there is none; this build has 1 "pack front"'),
        (["--build", TRUCK, "--zone", "1", "--beta", "3950 K"], "--beta: not together with --build"),
        ([*NTC, "--ohm", "1 kohm", "--counts", "0"], "--counts: not together with --ohm"),
        ([*NTC, "--counts", "4096"], '--counts "4096": must be a number from 0 to 4095'),
        ([*NTC, "--counts", "nan"], '--counts "nan": must be a number from 0 to 4095'),
        ([*NTC, "--counts", "many"], '--counts "many": must be a number from 0 to 4095'),
        ([*NTC, "--degc", "50"], '--degc "50": has no unit'),
        ([*NTC, "--from", "10 degC", "--to", "0 degC"], '--to "0 degC": must be 10 degC or more'),
        ([*NTC, "--step", "0.1 K"], '--step "0.1 K": makes more than 500 rows'),
        (["--build", "no such file.toml", "--zone", "1"], "no such file.toml: cannot be read"),
    ],
)
def test_wrong_use_is_one_line_and_2(options, line, capsys):
    assert main(["thermistor", *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(line)
    assert err.count("\n") == 1
