"""The discharge path against worked examples of others and an ODE solver, and its proposals against brute force."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from loopwarden_build import derived
from loopwarden_build.discharge_facts import discharge_facts
from loopwarden_build.discharge_path import DischargePath, largest_resistor
from loopwarden_build.preferred_values import values_ohm


def exact(volt, ohm, farad):
    """A path whose parts have no tolerance."""
    return DischargePath(volt, ohm, 0.0, farad, 0.0)


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
@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="largest resistor for 400 V, 1 mF, 60 V in 5 s: 2635.6 ohm, 60.7 W at the start",
)
@pytest.mark.parametrize(
    ("path", "to_v", "time_s", "energy_j", "peak_w"),
    [
        (exact(400, 100e3, 470e-6), 50, 97.73, 37.6, 1.6),  # a public wiki (seen)
        (exact(400, 2.2e3, 1e-3), 60, 4.174, 80, 72.7),  # algebra
        (exact(100, 1737.2, 1e-3), 1.0, 8.0, 5, 5.756),  # a textbook's tau of 1.737 s (seen)
        (exact(400, 2635.6, 1e-3), 60, 5.0, 80, 60.7),  # algebra: the largest for 60 V in 5 s
    ],
)
def test_worked_examples(path, to_v, time_s, energy_j, peak_w):
    assert path.time_s(to_v) == pytest.approx(time_s, rel=2e-4)
    assert path.energy_j == pytest.approx(energy_j, rel=1e-3)
    assert path.peak_w == pytest.approx(peak_w, rel=1e-3)


@pytest.mark.outside(
    subject="discharge",
    source="Formula SAE 2026 V1.0 EV.7.2.2, seen in a public copy",
    value="60 V or less within 5 s of opening",
)
def test_the_largest_resistor_of_the_five_second_rule():
    """Formula SAE 2026 EV.7.2.2: 60 V in 5 s; 400 V and 1 mF allow 2635.6 ohm (algebra), so 2.4 kohm of E24."""
    parts = exact(400, 1.0, 1e-3)
    assert parts.largest_ohm(60, 5) == pytest.approx(2635.6, abs=0.05)
    assert largest_resistor(parts, 60, 5, "E24").resistance_ohm == 2400
    assert largest_resistor(parts, 60, 5, "E12").resistance_ohm == 2200


@pytest.mark.outside(
    subject="discharge",
    source="Formula SAE 2026 V1.0 EV.5.6.3, seen in a public copy",
    value="the discharge takes full voltage for 15 s",
)
def test_full_voltage_for_fifteen_seconds():
    """Formula SAE 2026 V1.0 EV.5.6.3 (seen): V^2/R*15 s, with the resistor at the low end of its tolerance."""
    path = DischargePath(420, 1000, 0.05, 1e-3, 0.1)
    assert path.full_voltage_j == pytest.approx(420**2 / 950 * 15)


@pytest.mark.outside(
    subject="discharge",
    source="computed apart, scipy's LSODA",
    value="slowest discharge over the tolerances of the parts",
)
@given(
    parts=st.tuples(st.floats(0, 0.3), st.floats(0, 0.3)),
    ends=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
    to_v=st.floats(1, 399),
)
def test_no_part_within_its_tolerance_is_slower_than_was_said(parts, ends, to_v):
    """The bus of some parts within tolerance, by scipy's LSODA."""
    path = DischargePath(400, 1e3, parts[0], 1e-3, parts[1])
    tau_s = 1e3 * (1 + ends[0] * parts[0]) * 1e-3 * (1 + ends[1] * parts[1])
    run = solve_ivp(lambda _, v: [-v[0] / tau_s], (0, path.slowest_s(to_v)), [400.0], method="LSODA", rtol=1e-9)
    assert run.y[0][-1] <= to_v * (1 + 1e-5)


@given(
    within_s=st.floats(0.001, 3600),
    farad=st.floats(1e-6, 10e-3),
    parts=st.tuples(st.floats(0, 0.3), st.floats(0, 0.3)),
    to_v=st.floats(1, 399),
    series=st.sampled_from(["E12", "E24"]),
)
def test_the_proposed_resistor_fits_and_the_next_larger_does_not(within_s, farad, parts, to_v, series):
    path = DischargePath(400, 1.0, parts[0], farad, parts[1])
    proposed = largest_resistor(path, to_v, within_s, series)
    fitting = [ohm for ohm in values_ohm(series, 10, 1e6) if path.with_ohm(ohm).slowest_s(to_v) <= within_s]
    # A value that takes just the wanted time may fall to either side by the last bit.
    assert math.isclose(proposed.resistance_ohm if proposed else 0, fitting[-1] if fitting else 0, rel_tol=1e-12)


def test_a_build_and_its_parts_typed_in_give_the_same(parse):
    truck = parse("orchard_truck")
    assert derived.discharge_path(truck) == DischargePath(420, 1000, 0.05, 1e-3, 0.1)
    assert derived.bleed_path(truck) == DischargePath(420, 47e3, 0.0, 1e-3, 0.1)


def test_every_key_is_there_whatever_is_known():
    parts = exact(400, 1.0, 1e-3)
    asked = {"parts": parts, "dead_v": 60.0, "to_v": 60.0, "series": "E24", "build_name": None}
    all_known = discharge_facts(
        path=parts.with_ohm(1e3), bleed=parts.with_ohm(47e3), within_s=5.0, pulse_j=400.0, rated_v=500.0, **asked
    )
    only_asked = discharge_facts(path=None, bleed=None, within_s=5.0, pulse_j=None, rated_v=None, **asked)
    assert set(all_known) == set(only_asked)
    assert all_known["ok"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"within_s": 1.0}, "Too slow: 60 V may take"),
        ({"pulse_j": 79.0}, "one discharge may leave 80 J in it"),
        ({"rated_v": 399.0}, "stands 399 V"),
    ],
)
def test_what_does_not_fit_is_said(change, said):
    parts = exact(400, 1.0, 1e-3)
    known = {"within_s": 5.0, "pulse_j": 400.0, "rated_v": 500.0} | change
    facts = discharge_facts(
        path=parts.with_ohm(1e3), parts=parts, bleed=None, dead_v=60.0, to_v=60.0, series="E24", build_name=None,
        **known,
    )  # fmt: skip
    assert not facts["ok"]
    assert said in facts["why"]
