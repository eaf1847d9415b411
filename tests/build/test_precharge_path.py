"""The precharge path against worked examples of others and an ODE solver, and its proposals against brute force."""

import math
from dataclasses import asdict, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from loopwarden_build import derived, rc
from loopwarden_build.precharge_facts import precharge_facts
from loopwarden_build.precharge_path import PrechargePath, facts, largest_resistor, nothing_fits, shortcomings
from loopwarden_build.preferred_values import values_ohm

# 800 V, 47 ohm, 1 mF, as if every part were exact.
EXACT = PrechargePath(
    highest_v=800,
    resistance_ohm=47,
    resistance_tolerance=0,
    capacitance_farad=1e-3,
    capacitance_tolerance=0,
    fraction=0.95,
    load_ohm=rc.NO_LOAD,
    close_s=0.03,
    release_s=0.04,
    tick_s=0.02,
)


@pytest.mark.outside(
    subject="precharge",
    source="a resistor maker's calculator, seen in its page",
    value="47 ohm, 1 mF, 800 V: tau 47.0 ms, 95 % after 140.8 ms, 99 % after 216.4 ms, 17.0 A, 13.6 kW, 320 J",
)
def test_the_resistor_makers_calculator():
    """47 ohm, 1 mF, 800 V: tau 47.0 ms; 95 % 140.8 ms; 99 % 216.4 ms; 17.0 A; 13.6 kW; 320 J (seen)."""
    found = facts(EXACT)
    assert found["rc_s"] == pytest.approx(0.047)
    assert found["time_s"] == pytest.approx(0.1408, abs=5e-5)
    assert replace(EXACT, fraction=0.99).time_s == pytest.approx(0.2164, abs=5e-5)
    assert found["peak_a"] == pytest.approx(17.0, abs=0.05)
    assert found["peak_w"] == pytest.approx(13_600, abs=50)
    assert found["energy_j"] == pytest.approx(320)


@pytest.mark.outside(
    subject="precharge",
    source="a student design note and notes on an older Formula SAE edition, both seen in public copies",
    value="both examples through a described path: 2.24 s and 1.216 s",
)
@pytest.mark.parametrize(
    ("ohm", "farad", "fraction", "time_s"),
    [
        (1e3, 0.56e-3, 1 - math.exp(-4), 2.24),  # a student design note (seen): 4 tau, 98.2 %
        (1200, 440e-6, 0.90, 1.216),  # notes on an older Formula SAE edition, EV.6.6.2 (seen)
    ],
)
def test_times_of_others(ohm, farad, fraction, time_s):
    path = replace(EXACT, resistance_ohm=ohm, capacitance_farad=farad, fraction=fraction)
    assert path.time_s == pytest.approx(time_s, abs=5e-4)


@pytest.mark.outside(
    subject="precharge",
    source="algebra",
    value="C*dV^2/2 is lost in the contact path: 0.80 J closing at 90 % of 400 V on 1 mF, 0.20 J at 95 %",
)
@pytest.mark.parametrize(("fraction", "loss_j"), [(0.90, 0.80), (0.95, 0.20)])
def test_what_is_left_to_the_contact(fraction, loss_j):
    """C*dV^2/2 at 400 V and 1 mF (algebra)."""
    path = replace(EXACT, highest_v=400, fraction=fraction)
    assert facts(path)["closing_loss_j"] == pytest.approx(loss_j)


@pytest.mark.outside(
    subject="precharge",
    source="common practice; the ratio algebra",
    value="a resistor sized for 120 V is not fit for 400 V",
)
def test_a_resistor_that_does_at_120_v_is_told_to_be_too_small_at_400_v():
    """Energy goes with V^2: eleven times, (400/120)^2."""
    small = replace(EXACT, highest_v=120)
    small = replace(small, pulse_j=small.pulse_needed_j(5))
    assert shortcomings(small) == []
    large = replace(small, highest_v=400)
    assert large.start_j / small.start_j == pytest.approx(11.1, abs=0.05)
    assert any("one start needs" in text for text in shortcomings(large))


@pytest.mark.outside(
    subject="precharge",
    source="algebra",
    value="with a load RL the bus ends at V*RL/(R + RL): below the fraction it never gets there",
)
def test_a_load_that_holds_the_bus_down_is_a_precharge_that_never_ends():
    """End value V*RL/(R+RL): 47 ohm and 300 ohm give 86.5 % (algebra)."""
    path = replace(EXACT, load_ohm=300)
    assert math.isinf(path.slowest_s)
    assert facts(path)["end_with_bleed"] == pytest.approx(300 / 347)
    assert "holds the bus at 86.46 %" in shortcomings(path)[0]


@pytest.mark.outside(
    subject="precharge",
    source="computed apart, scipy's LSODA",
    value="slowest and fastest precharge over the tolerances of the parts",
)
@given(
    load=st.one_of(st.just(math.inf), st.floats(1e3, 1e6)),
    ohm_part=st.floats(0, 0.3),
    farad_part=st.floats(0, 0.3),
    ends=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
)
def test_no_part_within_its_tolerance_is_slower_or_faster_than_was_said(load, ohm_part, farad_part, ends):
    """The bus of some parts within tolerance, by scipy's LSODA: not yet at the fraction before, there after."""
    path = replace(EXACT, load_ohm=load, resistance_tolerance=ohm_part, capacitance_tolerance=farad_part)
    ohm, farad = 47 * (1 + ends[0] * ohm_part), 1e-3 * (1 + ends[1] * farad_part)

    def bus_v(at_s):
        run = solve_ivp(
            lambda _, v: [((800 - v[0]) / ohm - v[0] / load) / farad], (0, at_s), [0.0], method="LSODA", rtol=1e-9
        )
        return run.y[0][-1]

    assert bus_v(path.fastest_s) <= 0.95 * 800 * (1 + 1e-6)
    if not math.isinf(path.slowest_s):
        assert bus_v(path.slowest_s) >= 0.95 * 800 * (1 - 1e-6)


@given(
    within_s=st.floats(0.05, 20),
    farad=st.floats(50e-6, 10e-3),
    load=st.one_of(st.just(math.inf), st.floats(100, 1e6)),
    parts=st.tuples(st.floats(0, 0.15), st.floats(0, 0.2)),
    series=st.sampled_from(["E12", "E24"]),
)
def test_the_proposed_resistor_fits_and_the_next_larger_does_not(within_s, farad, load, parts, series):
    path = replace(
        EXACT, capacitance_farad=farad, load_ohm=load, resistance_tolerance=parts[0], capacitance_tolerance=parts[1]
    )
    proposed = largest_resistor(path, within_s, series)

    def fits(ohm):
        candidate = replace(path, resistance_ohm=ohm)
        return candidate.slowest_s <= within_s and candidate.slowest_s <= 1.5 * candidate.time_s

    fitting = [ohm for ohm in values_ohm(series, 1, 100e3) if fits(ohm)]
    assert (proposed.resistance_ohm if proposed else None) == (fitting[-1] if fitting else None)
    if proposed is None:
        assert nothing_fits(path, within_s).startswith("No resistor does")


@given(starts=st.integers(1, 20), ohm=st.floats(40, 1000), farad=st.floats(1e-3, 1e-2))
def test_the_pulse_energy_that_is_asked_for_gives_just_those_starts(starts, ohm, farad):
    path = replace(EXACT, resistance_ohm=ohm, capacitance_farad=farad)
    needed_j = path.pulse_needed_j(starts)
    assert replace(path, pulse_j=needed_j * (1 + 1e-9)).starts_in_a_row == starts
    assert replace(path, pulse_j=needed_j * (1 - 1e-6)).starts_in_a_row == starts - 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"resistance_tolerance": 0.3, "capacitance_tolerance": 0.3}, "Too slow"),
        ({"resistance_tolerance": 0.3, "capacitance_tolerance": 0.29}, "Too fast"),
        ({"resistance_ohm": 39}, "less than two ticks"),
        ({"resistance_ohm": 61e3}, "more than the minute"),
        ({"pulse_j": 600.0}, "one start needs"),
        ({"rated_v": 500.0}, "stands 500 V"),
    ],
)
def test_what_does_not_fit_is_said(change, said):
    assert shortcomings(EXACT) == []
    assert any(said in text for text in shortcomings(replace(EXACT, **change)))


def test_a_wanted_time_is_judged_with_the_slowest_parts():
    path = replace(EXACT, resistance_tolerance=0.05, capacitance_tolerance=0.2)
    assert path.slowest_s == pytest.approx(0.1408 * 1.05 * 1.2, abs=1e-4)
    assert shortcomings(path, 0.18) == []
    assert "wanted are 170 ms at most" in shortcomings(path, 0.17)[0]


def test_a_build_and_its_parts_typed_in_give_the_same(parse):
    """One copy of the arithmetic: the truck's precharge from the file, and from its numbers."""
    truck = derived.precharge_path(parse("orchard_truck"))
    typed = PrechargePath(420, 100, 0.05, 1e-3, 0.1, 0.95, 47e3, 0.03, 0.04, 0.02, 600, 120, 1000)
    assert asdict(truck) == pytest.approx(asdict(typed))


def test_every_key_is_there_whether_or_not_a_resistor_is_known():
    with_one = precharge_facts(EXACT, None, True, None, "E24", 1)
    without = precharge_facts(EXACT, None, False, 0.5, "E24", 1)
    assert set(with_one) == set(without)
    assert without["resistance_ohm"] is None
    assert with_one["proposed_ohm"] is None
