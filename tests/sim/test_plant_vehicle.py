"""Motion against an ODE solver and the published trace; the motor never takes more than it was granted."""

import math
from typing import Any

import pytest
from scipy.integrate import solve_ivp

from loopwarden_sim.plant_vehicle import GRAVITY, Vehicle

from .plant_bench import Bench, parameters


@pytest.mark.outside(
    subject="plant",
    source="computed apart, scipy's solve_ivp",
    value="coasting under rolling and air resistance",
)
def test_coasting_follows_the_ode() -> None:
    """Rolling and air resistance alone, by scipy."""
    made = Vehicle(parameters())
    made.speed_m_s = 25.0

    def rate(_t: float, v: Any) -> Any:
        return -(made.roll_n + made.drag * v * v) / made.mass_kg

    expected = float(solve_ivp(rate, (0, 60), [25.0], rtol=1e-9).y[0, -1])
    for _ in range(3000):
        made.step(0.02, 0.0, 0.0)
    assert made.speed_m_s == pytest.approx(expected, rel=1e-3)
    assert made.electric_w == 0.0


@pytest.mark.outside(
    subject="drive cycle",
    source="UN GTR 15, Annex 1, seen in a public package's data",
    value="the same as the simulated vehicle drives it",
)
def test_the_trace_is_driven_to_its_published_length() -> None:
    """UN GTR 15, class 3b: 23 266 m and a top speed of 131.3 km/h at 1724 s."""
    made = Vehicle(parameters(max_speed_m_s=50.0))
    made.following = True
    top_m_s, top_at_s = 0.0, 0.0
    for tick in range(90_500):
        made.step(0.02, 200e3, 60e3)
        if made.speed_m_s > top_m_s:
            top_m_s, top_at_s = made.speed_m_s, tick * 0.02
    assert made.distance_m == pytest.approx(23_266, rel=2e-3)
    assert top_m_s * 3.6 == pytest.approx(131.3, abs=0.5)
    assert top_at_s == pytest.approx(1724, abs=3)
    assert made.speed_m_s == 0.0


@pytest.mark.parametrize("drive_w", [0.0, 5e3, 114e3])
def test_the_motor_stays_within_what_is_granted(drive_w: float) -> None:
    made = Vehicle(parameters())
    made.throttle = 1.0
    for _ in range(3000):
        made.step(0.02, drive_w, 0.0)
        assert made.electric_w <= drive_w * (1 + 1e-9)
    assert (made.speed_m_s > 1.0) == (drive_w > 0)


@pytest.mark.outside(
    subject="plant",
    source="algebra",
    value="at the end of full power P*efficiency = (roll + drag*v^2)*v",
)
def test_full_power_ends_at_the_speed_that_resistance_allows() -> None:
    """P eff = (roll + drag v^2) v at the end (algebra), stall loss left out as the force is small there."""
    made = Vehicle(parameters())
    made.throttle = 1.0
    made.stall_w = 0.0
    for _ in range(60_000):
        made.step(0.02, 50e3, 0.0)
    v = made.speed_m_s
    assert (made.roll_n + made.drag * v * v) * v == pytest.approx(50e3 * made.efficiency, rel=1e-3)


def test_braking_gives_back_no_more_than_is_taken_and_no_more_than_there_is() -> None:
    made = Vehicle(parameters())
    made.speed_m_s = 20.0
    made.brake = 0.4
    back_j = 0.0
    while made.speed_m_s > 0:
        made.step(0.02, 0.0, 10e3)
        assert -made.electric_w <= 10e3
        back_j -= made.electric_w * 0.02
    assert 1e3 < back_j < 0.5 * made.mass_kg * 20.0**2


def test_a_slope_rolls_a_free_vehicle_away() -> None:
    made = Vehicle(parameters())
    made.slope = -0.05
    for _ in range(100):
        made.step(0.02, 0.0, 0.0)
    assert made.speed_m_s == pytest.approx(2.0 * (0.05 * GRAVITY - made.roll_n / made.mass_kg), rel=0.05)


def test_a_limit_of_zero_coasts_the_whole_world() -> None:
    bench = Bench()
    bench.go_live()
    bench.world.set("throttle", 0.6)
    bench.run(10_000)
    assert bench.world.read("world_motor_kw") > 10.0
    before_kmh = bench.world.read("world_speed_kmh")
    bench.outputs.drive_limit_permille = bench.outputs.charge_limit_permille = 0
    bench.run(2_000)
    assert bench.world.read("world_motor_kw") == 0.0
    assert 0.0 < bench.world.read("world_speed_kmh") < before_kmh
    assert not math.isnan(bench.world.read("world_pack_a"))


def test_a_spinning_motor_feeds_a_bus_that_lost_its_power() -> None:
    bench = Bench()
    bench.world.set("emf_v_per_kmh", 5.0)
    bench.world.set("speed_kmh", 50.0)
    bench.run(1_000)
    assert bench.world.read("world_bus_v") == pytest.approx(5.0 * bench.world.read("world_speed_kmh"), rel=0.02)
