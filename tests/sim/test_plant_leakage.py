"""The leakage network against a nodal solver and the worked examples of the meter method."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden_sim.plant_leakage import Leakage

from .plant_bench import parameters

INSULATOR = 1e15


def network(pack_v: float = 400.0, closed: tuple[int, int] = (1, 1), **ohms: float) -> Leakage:
    """A pack of `pack_v` with only the named leaks; `closed`: negative pole, positive pole."""
    made = Leakage(parameters(healthy_ohm=INSULATOR, isolation_side="pack", nominal_v=pack_v))
    for name, value in ohms.items():
        setattr(made, f"{name}_ohm", value)
    made.update(*closed, pack_v)
    return made


def chassis_v(branches: list[tuple[float, float]]) -> float:
    """Node voltage by numpy: each branch is (source volts, ohm) to the one unknown node, chassis."""
    matrix = np.array([[sum(1 / ohm for _, ohm in branches)]])
    return float(np.linalg.solve(matrix, np.array([sum(v / ohm for v, ohm in branches)]))[0])


# R+, R-, Ro, Vb, V1, V2, side of Ro, V', Ri, Rpar. Sources: UN R100 Annex 5A formula; algebra by a network solver.
TABLE = [
    (1e6, 1e6, 200e3, 400.0, 200.0, 200.0, "negative", 57.1429, 1.000e6, 500e3),
    (100e3, 1e9, 40e3, 400.0, 399.96, 0.04, "negative", 114.2824, 100.0e3, 99.99e3),
    (2e6, 500e3, 150e3, 300.0, 60.0, 240.0, "positive", 65.4545, 500e3, 400e3),
    (250e3, 750e3, 200e3, 400.0, 300.0, 100.0, "negative", 154.8387, 250e3, 187.5e3),
]


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 Rev 3 Annex 5A, seen in a public copy",
    value="Ri = Ro*Vb*(1/V1' - 1/V1) with Ro at the negative pole where V1 >= V2, else the same at the "
    "positive pole with V2, V2'",
)
@pytest.mark.outside(
    subject="isolation by meter",
    source="algebra, confirmed by a network solver",
    value="worked readings: 1 M and 1 M; 100 k and 1 G; 2 M and 500 k; 250 k and 750 k: V1, V2, V', Ri, Rpar",
)
@pytest.mark.parametrize(("plus", "minus", "known", "vb", "v1", "v2", "side", "v_known", "worse", "parallel"), TABLE)
def test_the_worked_examples_of_the_meter_method(
    plus: float,
    minus: float,
    known: float,
    vb: float,
    v1: float,
    v2: float,
    side: str,
    v_known: float,
    worse: float,
    parallel: float,
) -> None:
    """Two steps of UN R100 Annex 5A on our network: measure, put Ro in, measure again, and the formula gives Ri."""
    made = network(vb, pack_positive=plus, pack_negative=minus)
    made.advance(1e4)
    assert made.negative_v == pytest.approx(v1, abs=0.01)
    assert made.positive_v == pytest.approx(v2, abs=0.01)
    # The voltmeter of 10 Mohm and more is left out, as in the table.
    with_known = {
        "pack_positive": 1 / (1 / plus + (1 / known if side == "positive" else 0)),
        "pack_negative": 1 / (1 / minus + (1 / known if side == "negative" else 0)),
    }
    second = network(vb, **with_known)
    second.advance(1e4)
    v = made.negative_v if side == "negative" else made.positive_v
    v_second = second.negative_v if side == "negative" else second.positive_v
    assert v_second == pytest.approx(v_known, abs=1e-3)
    assert known * vb * (1 / v_second - 1 / v) == pytest.approx(worse, rel=1e-4)
    assert made.worse_pole_ohm == pytest.approx(worse, rel=1e-4)
    assert known * (v - v_second) / v_second == pytest.approx(parallel, rel=1e-4)
    assert made.parallel_ohm == pytest.approx(parallel, rel=1e-4)


ohm = st.floats(1e3, 1e8)


@pytest.mark.outside(
    subject="isolation by meter",
    source="computed apart, nodal analysis by numpy",
    value="any leaks: Ri is the smaller of R+ and R-, not their parallel value; Rpar = Ro*(V - V')/V'",
)
@given(plus=ohm, minus=ohm, middle=ohm, bus_plus=ohm, bus_minus=ohm, known=st.floats(1e4, 1e6))
def test_any_network_agrees_with_the_nodal_solver(
    plus: float, minus: float, middle: float, bus_plus: float, bus_minus: float, known: float
) -> None:
    """With a leak in mid-pack as well: chassis voltage, and the meter method's Ri, by numpy.linalg."""
    leaks = {
        "pack_positive": plus,
        "pack_negative": minus,
        "middle": middle,
        "bus_positive": bus_plus,
        "bus_negative": bus_minus,
    }
    made = network(**leaks)
    made.advance(1e4)
    branches = [(400.0, plus), (0.0, minus), (200.0, middle), (400.0, bus_plus), (0.0, bus_minus)]
    v1 = chassis_v(branches)
    assert made.negative_v == pytest.approx(v1, rel=1e-6)
    pole_v, pole = (v1, 0.0) if v1 >= 200.0 else (400.0 - v1, 400.0)
    second = abs(chassis_v([*branches, (pole, known)]) - pole)
    assert made.worse_pole_ohm == pytest.approx(known * 400.0 * (1 / second - 1 / pole_v), rel=1e-4)
    assert made.parallel_ohm == pytest.approx(known * (pole_v - second) / second, rel=1e-4)


@pytest.mark.outside(
    subject="plant",
    source="computed apart, nodal analysis by numpy",
    value="what leaks put onto a bus with one pole closed",
)
@given(plus=ohm, minus=ohm, middle=ohm, bus_plus=ohm, bus_minus=ohm, bleed=st.floats(1e3, 1e6))
@pytest.mark.parametrize("pole", ["negative", "positive"])
def test_what_leaks_put_onto_a_bus_with_one_pole_closed(
    pole: str, plus: float, minus: float, middle: float, bus_plus: float, bus_minus: float, bleed: float
) -> None:
    """Source and resistance seen by the bus, against a nodal solve of chassis and the open bus pole (numpy.linalg)."""
    leaks = {
        "pack_positive": plus,
        "pack_negative": minus,
        "middle": middle,
        "bus_positive": bus_plus,
        "bus_negative": bus_minus,
    }
    made = network(closed=(1, 0) if pole == "negative" else (0, 1), **leaks)
    own, other = (bus_minus, bus_plus) if pole == "negative" else (bus_plus, bus_minus)
    pole_v = 0.0 if pole == "negative" else 400.0
    # Unknowns: chassis, open bus pole. The closed bus pole lies on the pack's.
    g = [1 / plus, 1 / minus, 1 / middle, 1 / own, 1 / other, 1 / bleed]
    matrix = np.array([[sum(g[:5]), -g[4]], [-g[4], g[4] + g[5]]])
    right = np.array([400.0 * g[0] + 200.0 * g[2] + pole_v * g[3], pole_v * g[5]])
    open_pole_v = float(np.linalg.solve(matrix, right)[1])
    seen_v = made.path_v * bleed / (bleed + made.path_ohm)
    assert seen_v == pytest.approx(abs(open_pole_v - pole_v), rel=1e-5, abs=1e-6)


@pytest.mark.outside(
    subject="isolation by meter",
    source="algebra",
    value="settling: tau = Cy times R+, R- and Ro in parallel; 1 uF, 1 M, 1 M, 200 k: 1 % left after 658 ms",
)
def test_y_capacitors_settle_as_the_meter_method_says() -> None:
    """Cy 1 uF, 1 M, 1 M, 200 k: tau 142.86 ms, 1 % of the step left after 658 ms (algebra)."""
    made = Leakage(parameters(healthy_ohm=INSULATOR, y_capacitors_f=1e-6, monitor_ohm=200e3, isolation_settle_s=0.0))
    made.pack_positive_ohm = 1e6
    made.pack_negative_ohm = 1e6
    made.update(1, 1, 400.0)
    made.negative_v = 0.0
    made.advance(0.14286)
    assert made.negative_v == pytest.approx(200.0 * (1 - math.exp(-1)), abs=0.05)
    made.advance(0.658 - 0.14286)
    assert made.negative_v == pytest.approx(198.0, abs=0.05)


def test_the_monitor_is_within_a_hundredth_after_its_settling_time() -> None:
    made = Leakage(parameters(isolation_settle_s=10.0))
    made.update(1, 1, 400.0)
    made.advance(1e4)
    before = made.reading_s
    made.pack_positive_ohm = 100e3
    made.update(1, 1, 400.0)
    for _ in range(50):
        made.advance(0.2)
    truth = 1 / made.parallel_ohm
    assert abs(made.reading_s - truth) <= 0.0101 * (truth - before)
    made = Leakage(parameters(isolation_settle_s=10.0))
    made.pack_positive_ohm = 100e3
    made.update(1, 1, 400.0)
    made.advance(2.0)
    assert made.reading_s < 0.7 / made.parallel_ohm, "it settles long before its time"


@pytest.mark.parametrize(("side", "seen"), [("pack", 1e6), ("bus", 50e3)])
def test_a_monitor_sees_its_own_side_until_a_pole_closes(side: str, seen: float) -> None:
    made = Leakage(parameters(healthy_ohm=INSULATOR, isolation_side=side))
    made.pack_negative_ohm = 1e6
    made.bus_positive_ohm = 50e3
    made.update(0, 0, 400.0)
    assert made.parallel_ohm == pytest.approx(seen, rel=1e-3)
    made.update(1, 0, 400.0)
    assert made.parallel_ohm == pytest.approx(1 / (1 / 1e6 + 1 / 50e3), rel=1e-3)


@pytest.mark.outside(
    subject="isolation limits",
    source="common practice, no source found",
    value="a healthy build reads around 10 000 ohm/V; one drop of coolant can cost a factor of twenty",
)
def test_water_costs_a_factor_of_twenty() -> None:
    """Common practice: a healthy build reads around 10 000 ohm/V, one drop of coolant can cost a factor of twenty."""
    made = Leakage(parameters())  # the truck's
    made.update(1, 1, 400.0)
    dry_ohm = made.parallel_ohm
    assert dry_ohm / 420 == pytest.approx(10_000)
    made.wetness = 1.0
    made.update(1, 1, 400.0)
    assert dry_ohm / made.parallel_ohm == pytest.approx(20.0)
