"""`loopwarden isolation`: exit codes, JSON, the page in 80 columns, and what it refuses in one line."""

import json

import pytest

from loopwarden_cli.main import main

STEP_ONE = {"--vb": "360 V", "--v1": "90 V", "--v2": "270 V", "--working-voltage": "400 V"}
STEP_TWO = {**STEP_ONE, "--ro": "180kohm", "--with-ro": "101.25 V"}


def call(options, *more):
    return main(["isolation", *(part for pair in options.items() for part in pair), *more])


def test_readings_that_pass(capsys):
    """Ri = 180 kohm * 360 V * (1/101.25 V - 1/270 V) = 400 kohm, by hand; in parallel 300 kohm."""
    assert call(STEP_TWO, "--json") == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["worse_pole_ohm"] == pytest.approx(400e3)
    assert facts["parallel_ohm"] == pytest.approx(300e3)
    assert facts["worse_pole_ohm_per_v"] == pytest.approx(1000)
    assert (facts["verdict"], facts["known_at"], facts["worse_pole"]) == ("passes", "positive pole", "negative pole")


def test_only_a_pass_is_0(capsys):
    """A script that forgets step two, or reads the exit code alone, never takes that for a pass."""
    assert call(STEP_TWO) == 0
    assert call(STEP_ONE) == 1
    assert call({**STEP_TWO, "--with-ro": "180 V"}) == 1  # 120 kohm, by hand: fails
    assert call({**STEP_TWO, "--with-ro": "150 V"}) == 1  # 192 kohm, by hand: too near to the limit
    assert call({**STEP_TWO, "--with-ro": "270 V"}) == 1
    capsys.readouterr()


def test_before_step_two_the_page_says_where_ro_goes_and_how_large_it_is(capsys):
    call(STEP_ONE)
    page = " ".join(capsys.readouterr().out.split())
    assert "Ro goes from the positive pole to chassis" in page
    assert "200 kohm (500 ohm/V times 400 V), +-20 %: 160 kohm, 180 kohm, 200 kohm, 220 kohm, 240 kohm" in page
    assert "it must stand 400 V and 800 mW" in page


def test_the_page_says_which_value_is_compared_and_what_a_monitor_would_see(capsys):
    call({**STEP_TWO, "--nominal-voltage": "370 V"})
    page = " ".join(capsys.readouterr().out.split())
    assert page.startswith("Isolation by meter, two steps (UN R100 Rev 3 Annex 5A) ")
    assert "PASSES. The worse pole has" in page
    assert "negative pole, compared with the limit" in page
    assert "sees the parallel value: half to all of the worse pole" in page
    assert "500 ohm/V = 200 kohm, per volt of working voltage (400 V)" in page
    assert "it divides by the nominal 370 V; the verdict is over the working voltage" in page
    assert "qualified person" in page
    assert "proved on a known live source before and after" in page


@pytest.mark.parametrize("options", [STEP_ONE, STEP_TWO, {**STEP_TWO, "--with-ro": "0 V"}])
def test_the_page_fits_eighty_columns_and_plain_ascii(options, capsys):
    call(options)
    page = capsys.readouterr().out
    assert page.isascii()
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.parametrize("options", [STEP_ONE, STEP_TWO, {**STEP_TWO, "--with-ro": "0 V"}])
def test_the_json_is_flat_and_has_always_the_same_names(options, capsys):
    call(options, "--json")
    facts = json.loads(capsys.readouterr().out)
    call(STEP_TWO, "--json")
    assert set(facts) == set(json.loads(capsys.readouterr().out))
    assert not any(isinstance(value, dict | list) for value in facts.values())
    assert facts["ok"] is (facts["verdict"] == "passes")


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({"--vb": "360"}, '--vb "360": has no unit; write V, mV or kV after the number; allowed: 0 V to 2000 V'),
        ({"--v1": "-90 V"}, '--v1 "-90 V": is negative; allowed: 0 V to 2000 V'),
        ({"--v2": "nan V"}, '--v2 "nan V": is not a finite number'),
        ({"--ro": "0 ohm"}, '--ro "0 ohm": is out of range; allowed: 100 ohm to 100 Mohm'),
        ({"--working-voltage": "300 V"}, '--working-voltage "300 V": is below --vb; it must be 360 V or more'),
        ({"--nominal-voltage": "420 V"}, '--nominal-voltage "420 V": must be 400 V or less'),
        ({"--meter-error": "50 %"}, '--meter-error "50 %": is out of range; allowed: 0 % to 10 %'),
    ],
)
def test_wrong_use_is_one_line_and_2(change, line, capsys):
    assert call({**STEP_TWO, **change}) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(line)
    assert err.count("\n") == 1


@pytest.mark.parametrize("missing", ["--vb", "--v1", "--v2", "--working-voltage", "--ro", "--with-ro"])
def test_what_is_missing_is_named_in_one_line(missing, capsys):
    assert call({flag: text for flag, text in STEP_TWO.items() if flag != missing}) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert missing in err


def test_ro_at_the_pole_that_reads_less_is_not_judged(capsys):
    assert call(STEP_TWO, "--ro-at", "negative") == 1
    assert "Measure again with Ro there" in " ".join(capsys.readouterr().out.split())
    assert call(STEP_TWO, "--ro-at", "positive") == 0
    capsys.readouterr()


def test_a_meter_that_is_said_to_draw_more_than_the_readings_show_is_a_doubt(capsys):
    """V1 + V2 = Vb: these readings are of a meter that draws nothing."""
    assert call(STEP_TWO, "--meter-resistance", "10 Mohm") == 1
    assert call(STEP_TWO, "--meter-resistance", "none") == 0
    capsys.readouterr()


@pytest.mark.outside(
    subject="isolation limits",
    source="UN R100 Rev 3, 5.1.3.2, seen in a public copy",
    value="DC and AC joined: 500 ohm per volt of working voltage, 100 if the AC side has two layers of "
    "solid insulation or is mechanically robust",
)
@pytest.mark.parametrize(("circuit", "code"), [("joined", 1), ("ac", 1), ("joined-protected", 0), ("dc", 0)])
def test_the_circuit_chooses_the_limit(circuit, code, capsys):
    """120 kohm over 400 V is 300 ohm/V: above 100, below 500 (UN R100 Rev 3 5.1.3.1, 5.1.3.2, seen)."""
    assert call({**STEP_TWO, "--with-ro": "180 V", "--circuit": circuit}) == code
    capsys.readouterr()
