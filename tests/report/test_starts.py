"""Precharge and discharge: what is expected, against an ODE solver and algebra; what was measured, against that."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from loopwarden_build import derived
from loopwarden_build.load import read_build
from loopwarden_report.figures import Drawing
from loopwarden_report.history import Cycle
from loopwarden_report.starts import charge_v, discharges, drain_v, precharges
from loopwarden_report.trends import Expected, settled_s, started, trends
from report.conftest import SCENARIOS

TRUCK = SCENARIOS.parent / "builds" / "orchard_truck.toml"
OHM, FARAD = 100.0, 1e-3


def solved(ohm, source_v, from_v, t_s):
    """C dv/dt = (source - v) / R, by scipy."""
    done = solve_ivp(
        lambda _, v: (source_v - v) / (ohm * FARAD), (0, t_s[-1]), [from_v], t_eval=t_s, rtol=1e-9, atol=1e-9
    )
    return done.y[0]


@pytest.mark.outside(
    subject="precharge",
    source="computed apart by scipy's solve_ivp",
    value="the curve that a report draws as expected: a capacitor filled from empty",
)
def test_the_expected_curve_of_a_precharge():
    t_s = np.linspace(0, 1, 50)
    assert charge_v(t_s, 390.0, OHM, FARAD) == pytest.approx(solved(OHM, 390.0, 0.0, t_s), abs=1e-4)
    assert charge_v(np.array([-1.0]), 390.0, OHM, FARAD) == 0


@pytest.mark.outside(
    subject="discharge",
    source="computed apart by scipy's solve_ivp",
    value="the curve that a report draws as expected: a capacitor drained to nothing",
)
def test_the_expected_curve_of_a_discharge():
    t_s = np.linspace(0, 4, 50)
    assert drain_v(t_s, 390.0, 1000.0, FARAD) == pytest.approx(solved(1000.0, 0.0, 390.0, t_s), abs=1e-4)
    assert drain_v(np.array([-1.0]), 390.0, OHM, FARAD) == 390.0


@pytest.mark.outside(
    subject="precharge",
    source="algebra",
    value="the truck's R*C*ln(1/(1-p)): 100 ohm, 1 mF, 95 %: 299.6 ms",
)
@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="the truck's R*C*ln(V/Vend): 1 kohm, 1 mF, 380 V to 20 V: 2.944 s",
)
def test_the_times_to_expect_are_those_of_r_and_c():
    build = read_build(TRUCK)
    expected = Expected.of_build(build)
    assert (build.precharge.resistance, build.bus.capacitance) == (100, 1e-3)
    assert build.precharge.fraction == pytest.approx(0.95)
    assert (build.discharge.resistance, build.pack.nominal, derived.stop_v(build)) == (1000, 380, 20)
    assert expected.precharge_s is not None
    assert expected.discharge_s is not None
    assert expected.precharge_s[1] == pytest.approx(0.1 * math.log(20))
    assert expected.discharge_s[1] == pytest.approx(math.log(19))
    assert expected.precharge_s[0] < expected.precharge_s[1] < expected.precharge_s[2]
    assert expected.discharge_s[0] < expected.discharge_s[1] < expected.discharge_s[2]


@pytest.mark.parametrize(("rc_s", "fraction"), [(0.1, 0.95), (0.05, 0.90), (1.0, 0.99), (0.4, 0.95)])
def test_settled_is_when_a_window_of_half_r_c_brings_less_than_a_hundredth(rc_s, fraction):
    """By hand: with windows of a = half R*C, e**(-(n-1)a/RC) * (1 - e**(-a/RC)) < 0.01 (algebra)."""
    tick_s = 0.02
    half_s = max(math.ceil(round(rc_s / 2 / tick_s, 9)), 2) * tick_s
    part = half_s / rc_s
    least = 1 + math.log((1 - math.exp(-part)) / 0.01) / part
    windows = max(math.floor(least) + 1, math.ceil(-math.log(1 - fraction) / part))
    assert settled_s(rc_s, fraction, tick_s) == pytest.approx(windows * half_s)


def test_a_measured_precharge_lies_where_r_and_c_put_it(start_drive_stop):
    """The plant has nominal parts: from the command to settled, less the travel that was not needed."""
    history = start_drive_stop.history
    expected = Expected.of_build(history.build)
    (cycle,) = started(history.cycles)
    assert cycle.precharge_ms is not None
    assert cycle.discharge_ms is not None
    assert expected.settled_s is not None
    assert expected.discharge_s is not None
    assert expected.settled_s - 0.1 <= cycle.precharge_ms / 1000 <= expected.settled_s
    assert expected.discharge_s[0] <= cycle.discharge_ms / 1000 <= expected.discharge_s[2]


def test_each_precharge_and_each_discharge_gets_a_plot_that_names_its_source(two_starts):
    drawing = Drawing(two_starts.history)
    for plots, kind in ((precharges(drawing), "precharge"), (discharges(drawing), "discharge")):
        assert [plot.id for plot in plots] == [f"{kind}-1", f"{kind}-2"]
        for plot in plots:
            assert "textbook" in plot.told
            assert [trace.name for trace in plot.figure.data] == ["pack", "bus", "expected"]


def test_what_was_measured_stays_near_the_expected_curve(start_drive_stop):
    """Within 5 % of pack voltage once the contactor has travelled: nominal parts, the bleed beside it."""
    drawing = Drawing(start_drive_stop.history)
    for plot in (*precharges(drawing), *discharges(drawing)):
        _, bus, expected = plot.figure.data
        later = bus.x > 0.06
        assert later.sum() > 10
        wanted = np.interp(bus.x[later], expected.x, expected.y)
        assert np.nanmax(np.abs(bus.y[later] - wanted)) < 0.05 * 390


def test_trends_go_from_cycle_to_cycle_and_leave_out_what_was_not_measured():
    cycles = [
        Cycle(1, precharge_ms=480, discharge_ms=2800, lowest_ohm=4_200_000, hottest_dc=200),
        Cycle(2),  # no start
        Cycle(3, precharge_ms=520, discharge_ms=None, lowest_ohm=None),
    ]
    plots = trends(cycles, Expected.of_build(read_build(TRUCK)))
    isolation, precharge, discharge, hottest = (plot.figure.data[0] for plot in plots)
    assert list(precharge.x) == [1, 3]
    assert list(precharge.y) == [0.48, 0.52]
    assert isolation.y[0] == 10_000
    assert np.isnan(isolation.y[1])
    assert np.isnan(discharge.y[1])
    assert hottest.y[0] == 20
    assert all("textbook" in plot.told for plot in plots[1:3])


def test_without_a_start_there_is_no_trend():
    assert trends([Cycle(1), Cycle(2)], Expected()) == []


def test_a_board_alone_tells_the_window_but_no_r_and_no_c():
    answer = {"working_v": 420, "iso_warn_ohm": 420_000, "iso_fault_ohm": 210_000, "precharge_min_ms": 150}
    expected = Expected.of_board({**answer, "precharge_max_ms": 450})
    assert (expected.warn_ohm_per_v, expected.fault_ohm_per_v, expected.window_s) == (1000, 500, (0.15, 0.45))
    assert expected.precharge_s is None
    plots = trends([Cycle(1, precharge_ms=480)], expected)
    assert "--build" in plots[1].told
    assert Expected.of_board({"working_v": "420", "iso_warn_ohm": 0}) == Expected()
