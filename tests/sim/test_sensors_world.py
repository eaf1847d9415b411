"""The world by name: every fault does something and can be healed, every wrong name is refused, a seed is a seed."""

from collections.abc import Callable
from typing import Any

import pytest

from can_truck import can_truck
from loopwarden_sim.world import World

from .plant_bench import Bench, build

FAULTS = sorted(World.FAULTS)
SETTABLE = sorted(World.SETTABLE)
GIVEN = {"ohm": 200.0, "amount": 20.0, "ticks": 30, "bounces": 50, "open_ms": 300.0}
# A level loop cannot show it, the toggled one does; the last zone of the pack lies before the inverter's.
OVER_CAN = {"speed_stuck"}  # pulses cannot hang
STRUCK = {"loop_to_supply": 2, "zone_swapped": sum(zone.where == "pack" for zone in build().zone) - 1}


def snapshot(bench: Bench) -> tuple[Any, ...]:
    inputs = {name: tuple(value) if isinstance(value, list) else value for name, value in vars(bench.inputs).items()}
    return (*inputs.items(), *(bench.world.read(name) for name in World.TRUTH))


def drive(
    before: Callable[[World], None] | None = None, seed: int = 1, *, over_can: bool = False
) -> list[tuple[Any, ...]]:
    """A short life: up, drive, cool, brake, no heartbeat, down, discharge. What was seen and true, every 100 ms."""
    bench = Bench(seed=seed)
    if over_can:
        bench.world = World(can_truck(), seed)
    bench.world.set("key", 1)
    bench.run(100)
    if before:
        before(bench.world)
    seen = []

    def watch(ms: int) -> None:
        for _ in range(ms // 100):
            bench.run(100)
            seen.append(snapshot(bench))

    bench.go_live()
    bench.outputs.pump_permille = bench.outputs.fan_permille = 1000
    bench.outputs.chiller = bench.outputs.chill_valve = 1
    bench.world.set("coolant_degc", 40.0)
    bench.world.set("throttle", 0.7)
    watch(3_000)
    bench.world.set("throttle", 0.0)
    bench.world.set("brake", 0.5)
    bench.world.set("supply_v", 12.0)
    watch(6_000)
    bench.beats = 0
    watch(400)
    bench.beats = 1
    bench.outputs.positive = 0
    watch(200)
    bench.outputs.off()
    bench.outputs.discharge = 1
    watch(3_000)
    bench.outputs.discharge = 0
    watch(1_000)
    return seen


def test_a_seed_is_a_seed() -> None:
    assert drive() == drive()
    assert drive() != drive(seed=2)


def test_noise_does_not_touch_the_truth() -> None:
    """Two seeds: other readings, the same world."""
    truths = len(World.TRUTH)
    assert [row[-truths:] for row in drive(seed=1)] == [row[-truths:] for row in drive(seed=2)]


HEALTHY = {over_can: drive(over_can=over_can) for over_can in (False, True)}


def strike(world: World, fault: str) -> str:
    kind = World.FAULTS[fault]
    names = world.names_of(fault)
    name = names[STRUCK.get(fault, 0)] if names else ""
    given = {key: GIVEN.get(key, argument.default or 0.3) for key, argument in kind.arguments.items()}
    world.strike(fault, name, **given)
    return name


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_shows(fault: str) -> None:
    """In readings or in the truth, somewhere in a life; a fault that changes nothing is not modelled."""
    over_can = fault in OVER_CAN
    if fault not in World(can_truck() if over_can else build(), 1).possible():
        pytest.fail(f"the truck has no {fault}: choose another build for it")
    assert drive(lambda world: strike(world, fault), over_can=over_can) != HEALTHY[over_can]


# A weld closes its contact at once, and the healed one needs time to open: tests/sim/test_plant_contactor.py.
@pytest.mark.parametrize("fault", [fault for fault in FAULTS if not fault.endswith("_welded")])
def test_every_fault_heals_without_a_trace(fault: str) -> None:
    """Struck and healed within the same instant at rest, the whole life is as if it had never been."""

    def both(world: World) -> None:
        name = strike(world, fault)
        world.heal(fault, name)

    over_can = fault in OVER_CAN
    assert drive(both, over_can=over_can) == HEALTHY[over_can]


@pytest.mark.parametrize("name", SETTABLE)
def test_every_quantity_can_be_set_to_both_ends_and_no_further(name: str) -> None:
    known = World.SETTABLE[name]
    bench = Bench()
    for value in (known.low, min(known.high, 1e12)):
        bench.world.set(name, value)
        bench.run(40)
    for beyond in (known.low - 1, known.high + 1):
        if known.low <= beyond <= known.high:  # infinity and one more
            continue
        with pytest.raises(ValueError, match=f"{name} = .*: allowed"):
            bench.world.set(name, beyond)


@pytest.mark.parametrize("name", [name for name in SETTABLE if name.startswith("leak_")])
def test_every_leak_is_seen_by_the_live_monitor(name: str) -> None:
    bench = Bench()
    bench.go_live()
    before = bench.world.read("world_isolation_parallel_ohm")
    bench.world.set(name, 100e3)
    bench.run(200)
    assert bench.world.read("world_isolation_parallel_ohm") == pytest.approx(1 / (1 / before + 1 / 100e3), rel=1e-6)


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (lambda w: w.set("warp", 1), "warp: not a quantity of the world"),
        (lambda w: w.strike("gremlin"), "gremlin: not a fault of the world"),
        (lambda w: w.strike("loop_open"), "loop_open: no loop is called ''; known: battery lid"),
        (lambda w: w.strike("zone_open", "attic"), "zone_open: no zone is called 'attic'"),
        (lambda w: w.strike("positive_welded", "attic"), "takes no name"),
        (lambda w: w.strike("bus_short"), "bus_short: needs ohm"),
        (lambda w: w.strike("bus_short", ohm=-1.0), "bus_short: ohm = -1: allowed 0.001 to"),
        (lambda w: w.strike("bus_short", ohm=1.0, volts=2.0), "bus_short: has no argument volts; known: ohm"),
        (lambda w: w.heal("positive_welded"), "positive_welded: is not present"),
        (lambda w: w.read("world_peace"), "world_peace: not a truth"),
    ],
)
def test_a_wrong_name_or_number_says_what_is_wrong(act: Callable[[World], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        act(World(build(), 1))


@pytest.mark.parametrize("fault", ["current_open", "speed_lost", "aux_positive_wire_open", "isolation_device"])
def test_a_build_cannot_lose_what_it_does_not_have(fault: str) -> None:
    world = World(build("bench_cart"), 1)
    if fault == "isolation_device":
        assert fault in world.possible(), "a line monitor reports its own fault by its line"
        return
    with pytest.raises(ValueError, match="this build has nothing that could fail so"):
        world.strike(fault)


def test_the_truths_that_a_stranger_needs_are_all_there() -> None:
    """The columns of the trace that promises are judged from."""
    assert set(World.TRUTH) >= {
        f"world_{name}"
        for name in [
            "bus_v",
            "pack_v",
            "pack_a",
            "speed_kmh",
            "isolation_parallel_ohm",
            "isolation_worse_pole_ohm",
            "pack_hottest_degc",
            "positive_closed",
            "negative_closed",
            "precharge_closed",
            "discharge_closed",
            "precharge_heat_j",
            "discharge_heat_j",
            "estop",
            "crash",
            "hard_loop_open",
        ]
    }


def test_a_charge_is_a_current_that_gives_way_at_its_end() -> None:
    bench = Bench()
    bench.world.set("plug", 1)
    bench.world.set("soc_percent", 50)
    bench.go_live()
    bench.outputs.inverter_enable = 0
    bench.outputs.charger_enable = 1
    bench.run(2_000)
    assert bench.world.read("world_pack_a") == pytest.approx(-120.0, rel=0.05)
    assert bench.inputs.current_ma == pytest.approx(-120_000, rel=0.05)
    bench.outputs.charge_limit_permille = 500
    bench.run(200)
    assert bench.world.read("world_charger_a") == pytest.approx(60.0, rel=0.01)
    bench.world.set("charger_end_v", bench.world.plant.circuit.ocv_v + 0.1)
    bench.run(200)
    assert bench.world.read("world_charger_a") < 1.0
    assert bench.world.plant.charger_done


def test_a_plug_without_an_enable_charges_nothing() -> None:
    bench = Bench()
    bench.world.set("plug", 1)
    bench.go_live()
    bench.run(1_000)
    assert bench.world.read("world_charger_a") == 0.0


def test_a_restarted_board_remembers_no_reading() -> None:
    """S10: what was read before the reset is not shown as current after it."""
    bench = Bench()
    bench.run(1_000)
    assert bench.inputs.isolation_ohm is not None
    bench.world.restart_board()
    bench.run(20)
    assert bench.inputs.isolation_ohm is None
    assert bench.inputs.bus_mv is not None
    bench.run(1_000)
    assert bench.inputs.isolation_ohm is not None
