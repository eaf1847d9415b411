"""Isolation limits of the review against the law's own numbers, and what "parallel" and "worse pole" mean."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden_build.cross_checks import LEGAL_OHM_PER_V, LEGAL_OHM_PER_V_PROTECTED
from loopwarden_build.review import review
from loopwarden_build.review_page import page


@pytest.mark.outside(
    subject="isolation limits",
    source="UN R100 Rev 3, 5.1.3.2, seen in a public copy",
    value="DC and AC joined: 500 ohm per volt of working voltage, 100 if the AC side has two layers of "
    "solid insulation or is mechanically robust",
)
def test_the_legal_minimum_is_that_of_un_r100():
    """UN R100 Rev 3, 5.1.3.2: 500 ohm/V of working voltage, 100 if the AC side is doubly insulated or robust."""
    assert (LEGAL_OHM_PER_V, LEGAL_OHM_PER_V_PROTECTED) == (500, 100)


@pytest.mark.outside(
    subject="isolation limits",
    source="UN R100 5.1.3.4, seen in AIS 156's copy of it",
    value="charging inlet to chassis 1 Mohm or more",
)
def test_limits_in_ohm_for_the_truck(parse):
    """500 ohm/V and 1000 ohm/V over the highest working voltage of 420 V, by hand."""
    facts = review(parse("orchard_truck"), "")["isolation"]
    assert [(limit["name"], limit["ohm"]) for limit in facts["limits"]] == [
        ("warning", 420_000),
        ("fault", 210_000),
        ("fault while still settling", 105_000),
    ]
    assert facts["legal_minimum_ohm"] == 210_000
    assert facts["inlet_minimum_ohm"] == 1_000_000  # UN R100 5.1.3.4


@pytest.mark.outside(
    subject="isolation limits",
    source="Formula SAE 2026 V1.0 EV.7.6.3 and IN.10.1.2, seen in a public copy",
    value="monitor responds at 500 ohm/V; the test resistor is half of that, 250 ohm/V of the highest voltage",
)
def test_half_of_the_legal_value_is_the_rule_books_test_resistor(parse):
    """Formula SAE 2026 IN.10.1.2: 250 ohm/V must shut down within 30 s."""
    assert review(parse("orchard_truck"), "")["isolation"]["trip_resistor_ohm"] == 250 * 420


@pytest.mark.outside(
    subject="isolation limits",
    source="the annex of UN R100 on monitors, seen in AIS 156's copy of it",
    value="a resistor that does not bring the isolation under the minimum must already warn: the warning "
    "lies above the legal limit",
)
@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_the_check_resistor_warns_without_going_below_the_law(parse, name):
    """UN R100's check of a monitor: a resistor that stays above the minimum must already warn (public copy)."""
    facts = review(parse(name), "")["isolation"]
    assert facts["legal_minimum_ohm"] < facts["check_resistor_ohm"] < facts["limits"][0]["ohm"]


@pytest.mark.parametrize("measures", ["both poles in parallel", "the worse pole"])
def test_every_limit_says_which_of_the_two_it_means(parse, measures):
    build = parse("orchard_truck", ('measures = "both poles in parallel"', f'measures = "{measures}"'))
    facts = review(build, "")
    assert {limit["measures"] for limit in facts["isolation"]["limits"]} == {measures}
    text = page(facts)
    assert f"1000 ohm/V = 420 kohm, {measures}" in text
    assert f"500 ohm/V = 210 kohm, {measures}" in text
    assert "500 ohm/V = 210 kohm, the worse pole (UN R100, meter" in text


def meter_method_ohm(plus_ohm: float, minus_ohm: float, known_ohm: float, volt: float) -> float:
    """UN R100 Annex 5A by a network: nodes are the two poles; chassis is ground; the pack an ideal source."""

    def minus_to_chassis_v(extra_minus: float, extra_plus: float) -> float:
        g_plus, g_minus = 1 / plus_ohm + extra_plus, 1 / minus_ohm + extra_minus
        # Unknowns: voltage of the negative and the positive pole over chassis.
        return -float(np.linalg.solve([[g_minus, g_plus], [-1, 1]], [0, volt])[0])

    v1 = minus_to_chassis_v(0, 0)
    v2 = volt - v1
    if v1 >= v2:
        return known_ohm * volt * (1 / minus_to_chassis_v(1 / known_ohm, 0) - 1 / v1)
    return known_ohm * volt * (1 / (volt - minus_to_chassis_v(0, 1 / known_ohm)) - 1 / v2)


def test_the_same_leak_passes_as_one_and_fails_as_the_other():
    """250 kohm and 750 kohm at 400 V: 625 ohm/V by the meter method, 468.75 ohm/V in parallel (network solver)."""
    assert meter_method_ohm(250e3, 750e3, 200e3, 400) / 400 == pytest.approx(625)
    assert pytest.approx(468.75) == 1 / (1 / 250e3 + 1 / 750e3) / 400


@given(plus=st.floats(1e3, 1e8), minus=st.floats(1e3, 1e8))
def test_parallel_is_half_to_all_of_the_worse_pole(plus, minus):
    """What the review says of the two readings, for any two leaks, against the network solver."""
    parallel = 1 / (1 / plus + 1 / minus)
    worse = meter_method_ohm(plus, minus, 200e3, 400)
    assert worse == pytest.approx(min(plus, minus), rel=1e-3)
    assert 0.499 < parallel / worse < 1.001
