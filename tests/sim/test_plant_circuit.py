"""The high-voltage circuit against an ODE solver, published examples and the energy it must not lose."""

import math
from typing import Any

import pytest
from scipy.integrate import solve_ivp

from loopwarden_sim.plant_circuit import Circuit

from .plant_bench import Bench, parameters


def circuit(*closed: str, bus_v: float = 0.0, pack_v: float = 400.0, **changes: Any) -> Circuit:
    """A circuit whose named contactors are already closed; the pack's rest voltage is `pack_v` at any charge."""
    table = [(pack_v, 0.0), (pack_v, 1.0)]
    made = Circuit(parameters(charge_table=table, capacity_ah=1e9, **{"bleed_ohm": 1e9, **changes}))
    for name in closed:
        getattr(made, name).closed = 1
    made.bus_v = bus_v
    made.disturb()
    return made


def solved_v(made: Circuit, series_ohm: float, shunt_ohm: float, farad: float, pack_v: float, t_s: float) -> float:
    """Bus voltage after t_s by scipy: a pack behind `series_ohm` (inf: none) into a capacitor with a shunt."""

    def rate(_t: float, v: Any) -> Any:
        return ((pack_v - v) / series_ohm - v / shunt_ohm) / farad

    return float(solve_ivp(rate, (0, t_s), [made.bus_v], method="LSODA", rtol=1e-10, atol=1e-9).y[0, -1])


@pytest.mark.outside(
    subject="precharge",
    source="computed apart, scipy's LSODA",
    value="any resistor, capacitor and load: the bus follows the differential equation",
)
@pytest.mark.parametrize("tick_s", [0.001, 0.02, 0.05])
@pytest.mark.parametrize(
    ("precharge_ohm", "farad", "load_ohm"), [(47.0, 1e-3, 1e9), (100.0, 470e-6, 400.0), (5.0, 0.01, 47e3)]
)
def test_precharge_follows_the_ode_at_any_tick(
    tick_s: float, precharge_ohm: float, farad: float, load_ohm: float
) -> None:
    """Source: scipy's LSODA. With a load the end value is V RL / (R + RL), checks of precharge and discharge."""
    made = circuit("negative", "precharge", precharge_ohm=precharge_ohm, bus_f=farad)
    made.extra_ohm = load_ohm
    made.disturb()
    expected = [
        solved_v(made, precharge_ohm, load_ohm, farad, 400.0, 0.1),
        400.0 * load_ohm / (load_ohm + precharge_ohm),
    ]
    for _ in range(round(0.1 / tick_s)):
        made.step(tick_s)
    assert made.bus_v == pytest.approx(expected[0], abs=0.01)
    for _ in range(round(2.0 / tick_s)):
        made.step(tick_s)
    assert made.bus_v == pytest.approx(expected[1], rel=1e-3)


# (ohm, farad, from V, to V, seconds, joule in the resistor, watt at start)
# Sources: wiki example; algebra t = R C ln(V0/V); algebra of the largest resistor.
DISCHARGES = [
    (100e3, 470e-6, 400.0, 50.0, 97.73, None, 1.6),
    (2.2e3, 1e-3, 400.0, 60.0, 4.174, None, 72.7),
    (2635.6, 1e-3, 400.0, 60.0, 5.0, None, 60.7),
]


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
    source="algebra",
    value="largest resistor for 400 V, 1 mF, 60 V in 5 s: 2635.6 ohm, 60.7 W at the start",
)
@pytest.mark.parametrize(("ohm", "farad", "from_v", "to_v", "t_s", "energy_j", "start_w"), DISCHARGES)
def test_discharge_takes_the_published_time(
    ohm: float, farad: float, from_v: float, to_v: float, t_s: float, energy_j: None, start_w: float
) -> None:
    made = circuit("discharge", bus_v=from_v, discharge_ohm=ohm, bus_f=farad, bleed_ohm=1e15)
    made.step(0.001)
    assert made.discharge_j / 0.001 == pytest.approx(start_w, rel=0.01)
    elapsed_s = 0.001
    while made.bus_v > to_v:
        made.step(0.001)
        elapsed_s += 0.001
    assert elapsed_s == pytest.approx(t_s, rel=1e-3)
    assert made.discharge_j == pytest.approx(0.5 * farad * (from_v**2 - to_v**2), rel=1e-3)


@pytest.mark.outside(
    subject="precharge",
    source="a resistor maker's calculator, seen in its page",
    value="47 ohm, 1 mF, 800 V: tau 47.0 ms, 95 % after 140.8 ms, 99 % after 216.4 ms, 17.0 A, 13.6 kW, 320 J",
)
def test_a_resistor_makers_precharge_example() -> None:
    """47 ohm, 1 mF, 800 V: 17.0 A at start, 95 % after 140.8 ms, 320 J (a resistor maker's calculator)."""
    made = circuit("negative", "precharge", pack_v=800.0, precharge_ohm=47.0, bus_f=1e-3)
    made.step(1e-6)
    assert made.pack_a == pytest.approx(17.0, abs=0.05)
    elapsed_s = 1e-6
    while made.bus_v < 0.95 * 800.0:
        made.step(0.0005)
        elapsed_s += 0.0005
    assert elapsed_s == pytest.approx(0.1408, abs=0.001)
    for _ in range(200):
        made.step(0.02)
    assert made.precharge_j == pytest.approx(320.0, rel=1e-3)


@pytest.mark.outside(
    subject="precharge",
    source="algebra",
    value="C*dV^2/2 is lost in the contact path: 0.80 J closing at 90 % of 400 V on 1 mF, 0.20 J at 95 %",
)
@pytest.mark.parametrize(("part", "lost_j"), [(0.90, 0.80), (0.95, 0.20)])
def test_closing_onto_a_part_charged_bus_costs_its_share(part: float, lost_j: float) -> None:
    """C dV^2 / 2 is lost in the contact path: 0.80 J at 90 % of 400 V and 1 mF, 0.20 J at 95 % (algebra)."""
    made = circuit("negative", "positive", bus_v=part * 400.0, bus_f=1e-3, pack_ohm=0.1)
    made.step(0.02)
    assert made.pack_j == pytest.approx(lost_j, rel=0.01)


@pytest.mark.outside(
    subject="precharge",
    source="a contactor application note, seen in a public copy",
    value="at 80 % charged twice the inrush of 90 %; 95 % is recommended",
)
def test_the_inrush_goes_with_what_is_missing() -> None:
    peak_a = []
    for part in (0.80, 0.90, 0.95):
        made = circuit("negative", "positive", bus_v=part * 400.0, bus_f=1e-3, pack_ohm=0.1)
        made.step(1e-7)  # a thousandth of the time constant
        peak_a.append(made.pack_a)
    assert peak_a == pytest.approx([800.0, 400.0, 200.0], rel=2e-3)


@pytest.mark.outside(
    subject="contactors",
    source="algebra",
    value="through a welded precharge contactor the bus levels off at Rdis/(Rdis + Rpre)",
)
def test_a_proof_pulse_through_a_welded_precharge_levels_off() -> None:
    """With the pack behind the precharge resistor the bus stays at Rdis / (Rdis + Rpre) (algebra)."""
    made = circuit("negative", "precharge", "discharge", bus_v=400.0, precharge_ohm=100.0, discharge_ohm=1000.0)
    for _ in range(200):
        made.step(0.02)
    assert made.bus_v == pytest.approx(400.0 * 1000 / 1100, rel=1e-4)


def test_one_pole_alone_carries_nothing() -> None:
    for name in ("negative", "positive", "precharge"):
        made = circuit(name)
        for _ in range(100):
            made.step(0.02)
        assert made.pack_a == 0.0
        assert made.bus_v == 0.0


@pytest.mark.outside(
    subject="discharge",
    source="application notes, seen in public copies",
    value="a discharged electrolytic recovers a few per cent within a minute: measure again",
)
def test_a_capacitor_recovers_a_few_per_cent() -> None:
    """Dielectric absorption: within a minute a few per cent of a long-held voltage creep back (application notes)."""
    made = circuit("negative", "positive", bus_v=400.0, absorption=0.02, discharge_ohm=1000.0)
    for _ in range(6000):
        made.step(0.02)
        made.absorb_slowly(0.02)
    made.positive.closed = made.negative.closed = 0
    made.discharge.closed = 1
    made.disturb()
    for _ in range(400):
        made.step(0.02)
    low_v = made.bus_v
    made.discharge.closed = 0
    made.disturb()
    for _ in range(3000):
        made.step(0.02)
    assert 0.005 * 400 < made.bus_v - low_v < 0.05 * 400


@pytest.mark.outside(
    subject="plant",
    source="algebra, conservation of energy",
    value="a whole drive: heats, loads and stored energy add up to what left the pack, within 1 %",
)
def test_energy_is_neither_made_nor_lost_over_a_whole_drive() -> None:
    """What left the pack's source is in the heats, the loads or the capacitors, within 1 % (conservation)."""
    bench = Bench()
    bench.go_live()
    bench.world.set("trace", 1)
    bench.run(300_000)
    bench.open_all()
    bench.outputs.discharge = 1
    bench.run(5_000)
    made = bench.world.plant.circuit
    heats_j = made.pack_j + made.precharge_j + made.discharge_j + made.bleed_j
    stored_j = 0.5 * bench.world.parameters.bus_f * made.bus_v**2
    assert made.drawn_j > 1e6, "nobody drove"
    assert min(made.precharge_j, made.discharge_j) > 60.0, "nothing was precharged or discharged"
    assert heats_j + made.load_j - made.fed_j + stored_j == pytest.approx(made.drawn_j, rel=0.01)
    # The small energies on their own: they would vanish in 1 % of the drive.
    charged_j = 0.5 * bench.world.parameters.bus_f * 400.0**2
    assert made.precharge_j == pytest.approx(charged_j, rel=0.03)
    assert made.discharge_j == pytest.approx(charged_j, rel=0.06)


def test_precharging_energy_balances_to_the_joule_fraction() -> None:
    """No load to hide behind: drawn = heats + stored to a ten-thousandth (conservation)."""
    made = circuit("negative", "precharge", pack_ohm=0.5, precharge_ohm=47.0, bleed_ohm=10e3)
    for _ in range(50):
        made.step(0.02)
    stored_j = 0.5 * 1e-3 * made.bus_v**2
    assert made.drawn_j == pytest.approx(made.pack_j + made.precharge_j + made.bleed_j + stored_j, rel=1e-4)


@pytest.mark.outside(
    subject="plant",
    source="algebra",
    value="constant power behind a resistance: v = (E + sqrt(E^2 - 4*R*P))/2",
)
@pytest.mark.parametrize("power_w", [100e3, -40e3])
def test_a_live_bus_settles_where_the_quadratic_says(power_w: float) -> None:
    """Constant power behind a resistance: v = (E + sqrt(E^2 - 4 R P)) / 2 (algebra)."""
    made = circuit("negative", "positive", bus_v=400.0, pack_ohm=0.12)
    made.motor_w = power_w
    for _ in range(20):
        made.step(0.02)
    assert made.settled
    assert made.bus_v == pytest.approx((400 + math.sqrt(400**2 - 4 * 0.12 * power_w)) / 2, abs=0.02)
    assert made.pack_a == pytest.approx(power_w / made.bus_v, rel=1e-3)


@pytest.mark.outside(
    subject="plant",
    source="algebra",
    value="constant power out of a capacitor: v^2 falls by 2*P*t/C",
)
def test_a_load_that_loses_the_pack_drains_the_capacitor() -> None:
    """Constant power out of a capacitor: v^2 falls by 2 P t / C until the load gives up (algebra)."""
    made = circuit("negative", "positive", bus_v=400.0)
    made.step(0.02)
    made.motor_w = 2000.0
    made.positive.closed = 0
    made.disturb()
    made.step(0.005)
    assert made.bus_v == pytest.approx(math.sqrt(400**2 - 2 * 2000 * 0.005 / 1e-3), rel=0.01)
    for _ in range(50):
        made.step(0.02)
    assert made.bus_v == pytest.approx(0.5 * 380, rel=0.05)


def test_the_cart_runs_on_the_same_circuit() -> None:
    bench = Bench("bench_cart")
    bench.go_live()
    made = bench.world.plant.circuit
    assert made.bus_v == pytest.approx(made.ocv_v, rel=0.02)
    assert bench.inputs.bus_mv == pytest.approx(made.bus_v * 1000, abs=1000)
