"""`loopwarden discharge`: exit codes, JSON, the page in 80 columns, and what it refuses in one line."""

import json
from pathlib import Path

import pytest

from loopwarden_build import derived
from loopwarden_build.load import parse_build, read_build
from loopwarden_cli.main import main

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
TRUCK = str(BUILDS / "orchard_truck.toml")
EXACT = ["--tolerance", "0 %", "--capacitance-tolerance", "0 %"]
BUS = ["--voltage", "400 V", "--capacitance", "1 mF"]


def facts(capsys, *options, code=0):
    assert main(["discharge", *options, "--json"]) == code
    return json.loads(capsys.readouterr().out)


@pytest.mark.outside(
    subject="discharge",
    source="an encyclopedia's example, seen in its page",
    value="100 kohm, 470 uF, 400 V to 50 V: 97.73 s, 37.6 J, 1.6 W at the start",
)
@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="2.2 kohm, 1 mF, 400 V to 60 V: 4.174 s, 80 J, 72.7 W at the start",
)
@pytest.mark.outside(
    subject="discharge",
    source="a textbook's answer, seen in a public copy",
    value="100 V to 1.00 V in 8.0 s: tau 1.737 s",
)
def test_worked_examples_of_others(capsys):
    """100 kohm, 470 uF, 400 to 50 V: 97.73 s, 37.6 J, 1.6 W (a wiki, seen). 100 V to 1.00 V in 8.0 s with tau 1.737 s
    (a textbook, seen). 2.2 kohm, 1 mF, 400 to 60 V: 4.174 s, 80 J, 72.7 W (algebra)."""
    wiki = facts(capsys, "--voltage", "400 V", "--capacitance", "470 uF", "--resistance", "100 kohm", *EXACT)
    assert (wiki["50_v_s"], wiki["energy_j"], wiki["peak_w"]) == pytest.approx((97.73, 37.6, 1.6), abs=5e-3)
    textbook = facts(
        capsys, "--voltage", "100 V", "--capacitance", "1 mF", "--resistance", "1.737 kohm", "--to", "1 V", *EXACT
    )
    assert textbook["level_s"] == pytest.approx(8.0, abs=5e-3)
    by_hand = facts(capsys, *BUS, "--resistance", "2.2 kohm", *EXACT)
    assert by_hand["60_v_s"] == pytest.approx(4.174, abs=5e-4)
    assert (by_hand["energy_j"], by_hand["peak_w"]) == pytest.approx((80, 72.7), abs=0.05)


@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="largest resistor for 400 V, 1 mF, 60 V in 5 s: 2635.6 ohm, 60.7 W at the start",
)
@pytest.mark.outside(
    subject="discharge",
    source="Formula SAE 2026 V1.0 EV.7.2.2, seen in a public copy",
    value="60 V or less within 5 s of opening",
)
def test_sixty_volts_within_five_seconds(capsys):
    """Formula SAE 2026 EV.7.2.2 (seen); 400 V, 1 mF: 2635.6 ohm at most, 60.7 W at first (algebra)."""
    found = facts(capsys, *BUS, "--within", "5 s", *EXACT)
    assert found["largest_ohm"] == pytest.approx(2635.6, abs=0.05)
    assert 400**2 / found["largest_ohm"] == pytest.approx(60.7, abs=0.05)
    assert found["proposed_ohm"] == 2400
    assert found["proposed_full_voltage_j"] == pytest.approx(400**2 / 2400 * 15)  # EV.5.6.3 (seen): 15 s
    assert facts(capsys, *BUS, "--within", "5 s", "--resistance", "2.4 kohm", *EXACT)["ok"]
    late = facts(capsys, *BUS, "--within", "5 s", "--resistance", "2.7 kohm", *EXACT, code=1)
    assert late["why"].startswith("Too slow: 60 V may take 5.122 s")


@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_a_build_gives_what_its_review_gives(name, capsys):
    path = BUILDS / f"{name}.toml"
    build = read_build(path)
    found = facts(capsys, "--build", str(path))
    dead_v = derived.dead_v(build)
    assert found["dead_level_v"] == dead_v
    assert found["60_v_slowest_s"] == derived.discharge_s(build, 60.0)
    assert found["dead_slowest_s"] == derived.discharge_s(build, dead_v)
    assert found["bleed_dead_slowest_s"] == derived.bleed_s(build, dead_v)


def test_a_build_that_only_bleeds_has_no_resistor(capsys, tmp_path):
    text = (BUILDS / "bench_cart.toml").read_text()
    begin, end = text.index("[discharge]"), text.index("[[loop]]")
    path = tmp_path / "bleeds.toml"
    text = text[:begin] + '[discharge]\nkind = "bleed"\nwindow = "60 s"\n\n' + text[end : text.index("[pins]")]
    parse_build(text, "bleeds.toml")
    path.write_text(text)
    found = facts(capsys, "--build", str(path))
    assert found["resistance_ohm"] is None
    assert found["bleed_ohm"] == 10e3


@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="48 V, 1 kohm, 1 mF to a fifth: R*C*ln(5) = 1.609 s",
)
def test_a_bus_of_low_voltage_is_asked_for_its_dead_level(capsys):
    """A fifth of 48 V, where 60 V would be no discharge at all: R*C*ln(5) (by hand)."""
    found = facts(
        capsys, "--voltage", "48 V", "--capacitance", "1 mF", "--resistance", "1 kohm", "--within", "2 s", *EXACT
    )
    assert found["to_v"] == found["dead_level_v"] == pytest.approx(9.6)
    assert found["level_s"] == pytest.approx(1.6094, abs=5e-5)
    assert found["60_v_s"] == 0


@pytest.mark.outside(
    subject="discharge",
    source="Formula SAE 2026 V1.0 EV.5.6.3, seen in a public copy",
    value="the discharge takes full voltage for 15 s",
)
def test_a_resistor_that_does_not_stand_a_welded_contact_is_told(capsys):
    """The truck's takes 400 J; 420 V over 950 ohm for 15 s are 2785 J (by hand)."""
    assert main(["discharge", "--build", TRUCK]) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert "2.785 kJ in 15 s, which Formula SAE 2026 EV.5.6.3 wants it to stand; its 400 J are NOT enough" in page


@pytest.mark.parametrize(
    "options",
    [
        [*BUS, "--resistance", "1 kohm"],
        [*BUS, "--within", "5 s", "--to", "30 V", "--series", "E12"],
        [*BUS, "--within", "1 ms"],
        [*BUS, "--bleed", "100 kohm"],
        [*BUS, "--resistance", "10 kohm", "--within", "1 s", "--pulse-energy", "10 J", "--rated-voltage", "100 V"],
        ["--build", TRUCK, "--within", "2 s", "--resistance", "820 ohm"],
    ],
)
def test_page_and_json_of_any_question(options, capsys):
    code = main(["discharge", *options])
    page = capsys.readouterr().out
    assert page.isascii()
    assert max(map(len, page.splitlines())) <= 80
    assert ("DOES NOT FIT" in page) == (code == 1)
    found = facts(capsys, *options, code=code)
    assert set(found) == set(facts(capsys, *BUS, "--resistance", "1 kohm"))
    assert not any(isinstance(value, dict | list) for value in found.values())


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ([], "--voltage: is missing; allowed: 12 V to 1000 V"),
        (BUS, "--resistance: is missing; give it, or --bleed, or --within"),
        ([*BUS, "--resistance", "1"], '--resistance "1": has no unit'),
        ([*BUS, "--within", "5 s", "--to", "400 V"], '--to "400 V": must be below 400 V, the highest voltage'),
        (
            ["--voltage", "48 V", "--capacitance", "1 mF", "--bleed", "1 kohm", "--dead-level", "50 V", "--to", "9 V"],
            '--dead-level "50 V": must be below 48 V, the highest voltage',
        ),
        ([*BUS, "--within", "0 s"], '--within "0 s": is out of range; allowed: 1 ms to 60 min'),
        (["--build", "no such file.toml"], "no such file.toml: cannot be read"),
    ],
)
def test_wrong_use_is_one_line_and_2(options, line, capsys):
    assert main(["discharge", *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(line)
    assert err.count("\n") == 1
