"""Temperatures: what is heated warms by its heat capacity, what is cooled falls to its surroundings."""

import math

import pytest

from loopwarden_sim.plant_heat import Heat

from .plant_bench import Bench, parameters


@pytest.mark.outside(
    subject="plant",
    source="algebra",
    value="45.6 kWh of cells at 6 J/K per Wh, 10 kW for 60 s: 2.19 K",
)
def test_a_pack_without_cooling_warms_by_its_heat_capacity() -> None:
    """6 J/K per Wh (cells of 170 Wh/kg at 1000 J/kg K): 45.6 kWh and 10 kW for 60 s are 2.19 K (algebra)."""
    made = Heat(parameters())
    made.drive(0, 0, 0, 0, 0, 0)
    for _ in range(300):
        made.step(0.2, 10e3, 0.0, 0.0)
    mean = sum(made.pack) / len(made.pack) - 20.0
    assert mean == pytest.approx(10e3 * 60 / (6 * 380 * 120), rel=0.01)
    assert made.hottest > made.coldest, "all zones alike: nothing for a spread to see"


def test_pump_and_fan_carry_the_drive_losses_away() -> None:
    warm = []
    for pump in (0.0, 1.0):
        made = Heat(parameters())
        made.drive(pump, pump, 0, 0, 0, 0)
        for _ in range(6000):
            made.step(0.2, 500.0, 1500.0, 3000.0)
        warm.append((made.inverter, made.motor))
    assert warm[1][0] < warm[0][0] - 20.0
    assert warm[1][1] < warm[0][1] - 20.0


def test_in_balance_all_heat_leaves_through_radiator_and_surfaces() -> None:
    """Steady state: no node moves, so the coolant's radiator carries what was put in less what surfaces gave off."""
    made = Heat(parameters())
    made.drive(1.0, 1.0, 0, 0, 0, 0)
    for _ in range(200_000):
        made.step(0.5, 1000.0, 1000.0, 2000.0)
    size = made._size
    surfaces_w = 15 * size * (sum(made.pack) / len(made.pack) - 20) + size * (
        115 * (made.inverter - 20) + 125 * (made.motor - 20)
    )
    assert surfaces_w + 530 * size * (made.coolant - 20) == pytest.approx(4000.0, rel=1e-3)


def test_a_chiller_goes_below_the_air_and_a_heater_above() -> None:
    cold, warm = Heat(parameters()), Heat(parameters())
    cold.drive(1.0, 0.0, 0, 1, 1, 0)
    warm.drive(1.0, 0.0, 1, 0, 0, 0)
    for _ in range(9000):
        cold.step(0.2, 0.0, 0.0, 0.0)
        warm.step(0.2, 0.0, 0.0, 0.0)
    assert cold.hottest < 15.0
    assert warm.coldest > 25.0


def test_a_stopped_pump_is_no_flow_whatever_is_asked() -> None:
    made = Heat(parameters())
    made.pump_works = False
    made.drive(1.0, 1.0, 0, 0, 0, 0)
    assert not made.coolant_moves


def test_a_running_away_zone_warms_at_its_rate() -> None:
    bench = Bench()
    name = bench.world.names_of("cell_runaway")[0]
    bench.world.strike("cell_runaway", name, k_per_s=1.5)
    before = bench.world.read("world_pack_hottest_degc")
    bench.run(10_000)
    assert bench.world.read("world_pack_hottest_degc") - before == pytest.approx(15.0, abs=0.5)


@pytest.mark.outside(
    subject="plant",
    source="algebra, by definition",
    value="after one time constant 37 % of the heat are left",
)
def test_resistor_heat_fades_with_the_time_constant() -> None:
    """After one time constant 37 % are left (definition)."""
    bench = Bench()
    bench.world.set("precharge_heat_j", 100.0)
    bench.run(120_000)
    assert bench.world.read("world_precharge_heat_j") == pytest.approx(100.0 * math.exp(-1), rel=0.01)


@pytest.mark.outside(
    subject="precharge",
    source="algebra",
    value="C*V^2/2 flows through the resistor, whatever its resistance",
)
def test_each_precharge_leaves_its_energy_in_the_resistor() -> None:
    """C V^2 / 2 = 80 J from 400 V into 1 mF, whatever the resistance (algebra)."""
    bench = Bench()
    bench.go_live()
    assert bench.world.read("world_precharge_heat_j") == pytest.approx(80.0, rel=0.05)
