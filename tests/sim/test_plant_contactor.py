"""A contactor moves when its coil says so, late, and with a bounce; its faults are the four that matter."""

import math

import pytest

from loopwarden_sim.plant_contactor import Contactor

from .plant_bench import Bench


def contactor(**changes: bool) -> Contactor:
    return Contactor(0.030, 0.040, 0.002, **changes)


def run(made: Contactor, dt_s: float) -> list[int]:
    """Positions taken within dt_s."""
    taken = []
    while dt_s > 1e-9:
        part_s = min(dt_s, made.due_s)
        dt_s -= part_s
        if made.due_s < math.inf:
            before = made.closed
            made.advance(part_s)
            if made.closed != before:
                taken.append(made.closed)
    return taken


def test_closing_takes_its_travel_and_bounces_once() -> None:
    made = contactor()
    made.command(1)
    assert run(made, 0.0299) == []
    assert run(made, 0.0002) == [1]
    assert run(made, 0.1) == [0, 1]
    made.command(0)
    assert run(made, 0.0399) == []
    assert run(made, 0.0002) == [0]


def test_a_command_taken_back_in_time_moves_nothing() -> None:
    made = contactor()
    made.command(1)
    run(made, 0.02)
    made.command(0)
    assert run(made, 1.0) == []
    assert not made.closed


def test_a_weld_holds_until_it_is_broken() -> None:
    made = contactor()
    made.command(1)
    run(made, 0.1)
    made.welded = True
    made.settle()
    made.command(0)
    assert run(made, 1.0) == []
    assert made.closed
    made.welded = False
    made.settle()
    assert run(made, 1.0) == [0]


def test_stuck_open_opens_at_once_and_stays() -> None:
    made = contactor()
    made.command(1)
    run(made, 0.1)
    made.stuck_open = True
    made.settle()
    assert not made.closed
    made.command(0)
    made.command(1)
    assert run(made, 1.0) == []


@pytest.mark.parametrize("factor", [2.0, 5.0])
def test_a_slow_one_takes_that_much_longer(factor: float) -> None:
    made = contactor()
    made.slow = factor
    made.command(1)
    assert run(made, 0.030 * factor - 0.001) == []
    assert run(made, 0.002) == [1]


def test_a_normally_closed_one_closes_when_the_coil_goes() -> None:
    made = contactor(normally_closed=True)
    assert made.closed
    made.command(1)
    assert run(made, 0.5) == [0]
    made.command(0)
    assert run(made, 0.5)[0] == 1


def closed(bench: Bench) -> tuple[int, int, int]:
    circuit = bench.world.plant.circuit
    return circuit.positive.closed, circuit.negative.closed, circuit.discharge.closed


@pytest.mark.outside(
    subject="start and stop",
    source="Formula SAE 2026 V1.0 EV.7.8.3, seen in a public copy",
    value="a break of an interlock opens the shutdown circuit by itself",
)
@pytest.mark.parametrize(
    "cause",
    [
        lambda world: world.set("stop", 1),
        lambda world: world.strike("loop_open", "battery lid and service disconnect"),
        lambda world: world.set("supply_v", 4.0),
    ],
    ids=["emergency stop", "hard loop", "supply gone"],
)
def test_the_coil_supply_is_broken_in_hardware(cause: object) -> None:
    """The commands stay on; the contactors open all the same, within their release time and a tick."""
    bench = Bench()
    bench.go_live()
    assert closed(bench)[:2] == (1, 1)
    assert callable(cause)
    cause(bench.world)
    bench.run(60)
    assert closed(bench)[:2] == (0, 0)
    assert (bench.outputs.positive, bench.outputs.negative) == (1, 1)


@pytest.mark.outside(
    subject="discharge",
    source="Formula SAE 2026 V1.0 EV.5.6.3, seen in a public copy",
    value="the discharge is active while the shutdown circuit is open",
)
def test_the_discharge_works_with_the_stop_button_pressed() -> None:
    bench = Bench()
    bench.world.set("stop", 1)
    bench.world.set("bus_v", 300.0)
    bench.outputs.discharge = 1
    bench.run(3_000)
    assert closed(bench)[2] == 1
    assert bench.world.read("world_bus_v") < 30.0


@pytest.mark.outside(
    subject="contactors",
    source="common practice",
    value="a coil holds to far below the voltage that pulls it in",
)
def test_a_sagging_supply_holds_what_it_could_not_pull_in() -> None:
    """A coil holds to far below the voltage that pulls it in (common practice)."""
    bench = Bench()
    bench.go_live()
    bench.world.set("supply_v", 6.0)
    bench.run(200)
    assert closed(bench)[:2] == (1, 1)
    bench.outputs.positive = bench.outputs.negative = 0
    bench.world.set("supply_v", 4.0)
    bench.run(200)
    bench.world.set("supply_v", 6.0)
    bench.outputs.negative = 1
    bench.run(200)
    assert closed(bench)[:2] == (0, 0)


def test_without_a_heartbeat_the_coils_let_go() -> None:
    """S11: within the hold time, 100 ms, and the release time."""
    bench = Bench()
    bench.go_live()
    for _ in range(9):
        bench.world.step(bench.outputs, 20)
    assert closed(bench)[:2] == (0, 0)
