"""The capacitor formulas, against an ODE solver and against published worked examples."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from loopwarden_build import rc

OHM = st.floats(min_value=0.1, max_value=1e6)
FARAD = st.floats(min_value=1e-6, max_value=0.1)


@pytest.mark.outside(
    subject="precharge",
    source="a resistor maker's calculator, seen in its page",
    value="the same by the bare formulas: 3 tau = 141 ms, 140.8 ms, 216.4 ms, 320 J",
)
def test_precharge_calculator_example():
    """47 ohm, 1 mF, 800 V: a resistor maker's precharge calculator prints 3 tau = 141 ms and 320 J."""
    assert rc.rise_s(47, 1e-3, 1 - math.exp(-3)) == pytest.approx(0.141)
    assert rc.rise_s(47, 1e-3, 0.95) == pytest.approx(0.1408, abs=5e-5)
    assert rc.rise_s(47, 1e-3, 0.99) == pytest.approx(0.2164, abs=5e-5)
    assert rc.energy_j(1e-3, 800) == pytest.approx(320)


@pytest.mark.outside(
    subject="precharge",
    source="a student design note, seen in a public copy",
    value="1 kohm, 0.56 mF, 4 tau: 2.24 s, 98.2 %",
)
def test_four_time_constants_of_a_student_design():
    """1 kohm, 0.56 mF, 4 tau: 2.24 s and 98.2 % in a student team's design note."""
    fraction = 1 - math.exp(-4)
    assert fraction == pytest.approx(0.982, abs=5e-4)
    assert rc.rise_s(1e3, 0.56e-3, fraction) == pytest.approx(2.24)


@pytest.mark.outside(
    subject="precharge",
    source="notes on an older Formula SAE edition, EV.6.6.2, seen in a public copy",
    value="1200 ohm, 440 uF: 1.216 s to 90 %",
)
def test_precharge_of_the_older_rule_book():
    """1200 ohm, 440 uF: 1.216 s to 90 % in notes on an older Formula SAE edition (EV.6.6.2)."""
    assert rc.rise_s(1200, 440e-6, 0.90) == pytest.approx(1.216, abs=5e-4)


@pytest.mark.outside(
    subject="discharge",
    source="a textbook's answer, seen in a public copy",
    value="the same after 15 s: 0.0178 V",
)
def test_textbook_discharge():
    """100 V falls to 1.00 V in 8.0 s: a textbook's answer is tau 1.737 s, and 0.0178 V at 15 s."""
    tau_s = 8.0 / math.log(100)
    assert tau_s == pytest.approx(1.737, abs=5e-4)
    assert rc.fall_s(tau_s, 1.0, 100, 1.0) == pytest.approx(8.0)
    assert 100 * (1 - rc.fall_part(tau_s, 1.0, 15)) == pytest.approx(0.0178, abs=5e-5)


def test_bleed_example_of_a_public_wiki():
    """100 kohm, 470 uF, 400 V to 50 V: 97.73 s and 37.6 J in a public wiki."""
    assert rc.fall_s(100e3, 470e-6, 400, 50) == pytest.approx(97.73, abs=5e-3)
    assert rc.energy_j(470e-6, 400) == pytest.approx(37.6)


def test_discharge_by_algebra():
    """2.2 kohm, 1 mF, 400 V to 60 V: 4.174 s and 80 J (t = R*C*ln(V0/V), by hand)."""
    assert rc.fall_s(2.2e3, 1e-3, 400, 60) == pytest.approx(4.174, abs=5e-4)
    assert rc.energy_j(1e-3, 400) == pytest.approx(80)


def test_largest_discharge_resistor_of_the_five_second_rule():
    """Formula SAE 2026 EV.7.2.2 wants 60 V or less within 5 s: 2635.6 ohm at 400 V and 1 mF (by hand)."""
    assert rc.drain_ohm_max(1e-3, 400, 60, 5) == pytest.approx(2635.6, abs=0.05)


def test_energy_that_a_contact_sees():
    """Closing at 90 % of 400 V with 1 mF leaves 0.80 J to the contact, at 95 % 0.20 J (C*dV^2/2, by hand)."""
    assert rc.energy_j(1e-3, 400 * 0.10) == pytest.approx(0.80)
    assert rc.energy_j(1e-3, 400 * 0.05) == pytest.approx(0.20)


@pytest.mark.outside(
    subject="energy left",
    source="algebra, C*V^2/2; the limit of 0.2 J seen in an excerpt of ISO 6469-4:2015, 5.2.2",
    value="0.2 J at 400 V are 2.50 uF",
)
def test_energy_of_the_capacitors_to_chassis():
    assert rc.energy_j(2.50e-6, 400) == pytest.approx(0.2)


def _solved(current_a, farad, end_s, start_v):
    """Bus voltage at `end_s`, with the current into it as a function of its voltage. scipy's LSODA."""
    run = solve_ivp(
        lambda _, v: [current_a(v[0]) / farad], (0, end_s), [start_v], method="LSODA", rtol=1e-9, atol=1e-9 * 400
    )
    return run.y[0][-1]


@pytest.mark.outside(
    subject="precharge",
    source="computed apart, scipy's LSODA",
    value="any resistor, capacitor and load: the bus follows the differential equation",
)
@given(series=OHM, farad=FARAD, fraction=st.floats(0.05, 0.99), load=st.one_of(st.just(math.inf), st.floats(1e2, 1e6)))
def test_rise_agrees_with_an_ode_solver(series, farad, fraction, load):
    at_s = rc.rise_s(series, farad, fraction, load)
    if fraction >= rc.rise_end(series, load):
        assert math.isinf(at_s)
        return
    reached_v = _solved(lambda v: (400 - v) / series - v / load, farad, at_s, 0.0)
    assert reached_v == pytest.approx(400 * fraction, rel=1e-5)


@pytest.mark.outside(
    subject="discharge",
    source="computed apart, scipy's LSODA",
    value="any resistor and capacitor: the fall follows the differential equation",
)
@given(drain=OHM, farad=FARAD, to_v=st.floats(1, 399))
def test_fall_agrees_with_an_ode_solver(drain, farad, to_v):
    at_s = rc.fall_s(drain, farad, 400, to_v)
    assert _solved(lambda v: -v / drain, farad, at_s, 400.0) == pytest.approx(to_v, rel=1e-5)
    assert rc.fall_part(drain, farad, at_s) == pytest.approx(1 - to_v / 400, rel=1e-9)


@pytest.mark.outside(
    subject="precharge",
    source="computed apart, scipy's quad",
    value="C*V^2/2 flows through the resistor, whatever its resistance, by quadrature",
)
@given(series=OHM, farad=FARAD, volt=st.floats(1, 1000))
def test_heat_of_a_precharge_is_the_capacitors_energy_whatever_the_resistor(series, farad, volt):
    tau_s = series * farad
    heat_j, _ = quad(lambda x: (volt * math.exp(-x)) ** 2 / series * tau_s, 0, 40)  # x = t / tau
    assert rc.energy_j(farad, volt) == pytest.approx(heat_j, rel=1e-6)


def test_a_bus_that_is_already_there_takes_no_time():
    assert rc.fall_s(1e3, 1e-3, 50, 60) == 0
