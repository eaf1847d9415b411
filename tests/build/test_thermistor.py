"""A sensor in its divider, both ways: published values, round trips, and the board beside the equation."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden_build import thermistor
from loopwarden_build.model import NtcZone, Pt1000Zone


def ntc(beta="3950 K", pull_up="10 kohm"):
    return NtcZone.model_validate(
        {"name": "n", "where": "pack", "sensor": "ntc", "r25": "10 kohm", "beta": beta, "pull_up": pull_up}
        | {"covered_by": []}
    )


PT1000 = Pt1000Zone.model_validate(
    {"name": "p", "where": "motor", "sensor": "pt1000", "pull_up": "2.2 kohm", "covered_by": []}
)
# degC and ohm. NTC: R25*exp(B*(1/T - 1/T25)), algebra; Pt1000: IEC 60751, seen in tables.
NTC_3950 = [(0, 33_620.6), (25, 10_000), (50, 3588.2), (85, 1086.7)]
NTC_3435 = [(0, 28_704.3), (25, 10_000), (50, 4101.2), (85, 1451.3)]
PLATINUM = [(-50, 803.063), (0, 1000), (25, 1097.347), (100, 1385.055), (200, 1758.560)]
EXACT = [
    *((ntc("3950 K"), degc, ohm) for degc, ohm in NTC_3950),
    *((ntc("3435 K"), degc, ohm) for degc, ohm in NTC_3435),
    *((PT1000, degc, ohm) for degc, ohm in PLATINUM),
]


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra for the NTC; IEC 60751, seen in published tables, for the Pt1000",
    value="all of these values both ways, ohm to degC and back",
)
@pytest.mark.parametrize(("zone", "degc", "ohm"), EXACT)
def test_published_values_both_ways(zone, degc, ohm):
    assert thermistor.at_degc(zone, degc)["ohm"] == pytest.approx(ohm, abs=0.05)  # as it is printed
    assert thermistor.degc_of_ohm(zone, ohm) == pytest.approx(degc, abs=0.005)


@pytest.mark.outside(
    subject="temperature sensors",
    source='public tables of "3950" and "3435" parts, seen in public copies',
    value="the same tables read as degC: within 1.2 K",
)
@pytest.mark.parametrize(
    ("beta", "degc", "table_ohm"),
    [
        ("3950 K", 0, 32_590),
        ("3950 K", 50, 3601),
        ("3950 K", 60, 2489),
        ("3435 K", 0, 27_280),
        ("3435 K", 50, 4160),
        ("3435 K", 85, 1451),
    ],
)
def test_public_tables_of_the_same_b_lie_near_the_equation(beta, degc, table_ohm):
    """Public tables of "3950" and "3435" parts (seen) differ from the B equation by up to 1.2 K here."""
    assert thermistor.degc_of_ohm(ntc(beta), table_ohm) == pytest.approx(degc, abs=1.2)


@pytest.mark.parametrize("zone", [ntc(), ntc("3435 K", "4.7 kohm"), PT1000], ids=["3950", "3435", "pt1000"])
@given(degc=st.floats(-100, 400))
def test_ohm_and_counts_come_back_as_the_temperature(zone, degc):
    there = thermistor.at_degc(zone, degc)
    assert there["exact_degc"] == pytest.approx(degc, abs=1e-6)
    assert thermistor.ohm_of_counts(zone, there["counts"]) == pytest.approx(there["ohm"], rel=1e-9)
    assert thermistor.at_counts(zone, there["counts"])["exact_degc"] == pytest.approx(degc, abs=1e-5)


@pytest.mark.parametrize("zone", [ntc(), ntc("3435 K", "4.7 kohm"), PT1000], ids=["3950", "3435", "pt1000"])
@given(degc=st.floats(-39.9, 149.9))
def test_the_board_is_off_by_no_more_than_is_said(zone, degc):
    """The device's own conversion; a sixteenth of a count and a tenth of a degree are lost between the half kelvins."""
    there = thermistor.at_degc(zone, degc)
    most_k = thermistor.of_zone(zone)["board_off_max_k"]
    assert there["board_state"] == "ok"
    assert abs(there["board_off_k"]) <= most_k + 0.1 + there["k_per_count"] / 16
    assert most_k < 0.6


@pytest.mark.parametrize("zone", [ntc(), PT1000], ids=["ntc", "pt1000"])
def test_rails_are_told_as_the_board_tells_them(zone):
    rails = thermistor.of_zone(zone)
    assert thermistor.at_ohm(zone, 0.0)["board_state"] == "short"
    assert thermistor.at_counts(zone, 4095)["board_state"] == "open"
    assert thermistor.at_counts(zone, 4095)["ohm"] is None
    assert thermistor.at_ohm(zone, 0.99 * rails["short_below_ohm"])["board_state"] == "short"
    assert thermistor.at_ohm(zone, 1.01 * rails["open_above_ohm"])["board_state"] == "open"
    assert thermistor.at_degc(zone, -41)["board_state"] == "out of range"
    assert thermistor.at_degc(zone, 151)["board_state"] == "out of range"


@pytest.mark.parametrize("zone", [ntc(), PT1000], ids=["ntc", "pt1000"])
@given(ohm=st.floats(0, 1e9))
def test_any_resistance_gets_an_answer(zone, ohm):
    there = thermistor.at_ohm(zone, ohm)
    assert (there["board_degc"] is None) == (there["board_state"] != "ok")
    assert all(not isinstance(value, float) or math.isfinite(value) for value in there.values())


def test_a_table_has_its_ends_and_steps():
    rows = thermistor.table(ntc(), -40, 150, 10)
    assert [row["degc"] for row in rows] == list(range(-40, 151, 10))
    assert [row["degc"] for row in thermistor.table(ntc(), 0, 1, 0.3)] == pytest.approx([0, 0.3, 0.6, 0.9])
