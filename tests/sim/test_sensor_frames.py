"""Isolation and speed as frames on a CAN bus: the simulated senders, whole drives, and a board without a bus.

The truck's build with both, made from the shipped one by replacing text (tests/can_truck.py).
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from can_truck import DBC, MONITOR, can_truck, can_truck_text
from loopwarden.policy.fault_table import TABLE
from loopwarden.signals import DEVICE, OK, QUIET, RANGE, STALE
from loopwarden_prove.attacks import attacks_of
from loopwarden_prove.campaign import Campaign
from loopwarden_prove.work import Cases, campaign_of, run_cases, source_of
from loopwarden_sim.runner import run
from loopwarden_sim.scenario import Action, load_scenario
from loopwarden_sim.world import World

from .board_bench import fresh_image, mismatches, on_board, scenario_of
from .plant_bench import TICK_MS, Bench

SCENARIOS = Path(__file__).resolve().parents[2] / "host_sim" / "scenarios"
NEVER_COUNTED = MONITOR.replace('"Alive"', '"none"')
ISOLATION_LOST, SPEED_LOST = 9, 63  # rows
LOOP_OVERRAN = next(row[0] for row in TABLE if row[1] == "LOOP_OVERRAN")
# A drive, each way to lose one of the two, and what is told apart from a loss.
DRIVES = (
    "start_drive_stop",
    "isolation_fault_at_speed_winds_down",
    "isolation_monitor_lost_at_speed",
    "isolation_monitor_says_it_is_faulty",
    "isolation_signal_implausible_at_speed",
    "isolation_warning_limits_and_heals",
    "rolls_while_precharging",
    "speed_lost_at_speed",
    "speed_lost_while_standing",
)


class CanBench(Bench):
    def __init__(self, monitor: str = MONITOR) -> None:
        super().__init__()
        self.world = World(can_truck(monitor), 1)

    def readings(self) -> tuple[Any, Any]:
        i = self.inputs
        return (i.isolation_ohm, i.isolation_state), (i.speed_mm_s, i.speed_state, i.speed_pulses)


def test_frames_come_once_a_period_and_each_is_a_reading() -> None:
    """Every 100 ms the monitor's, every 20 ms the speed's; the first of each only sets its counter."""
    bench = CanBench()
    ages = []
    for _ in range(25):
        bench.run(TICK_MS)
        ages.append(bench.inputs.isolation_age_ms)
    assert ages[9:] == [0, 20, 40, 60, 80] * 3 + [0]
    assert bench.readings()[0][1] == OK
    assert bench.readings()[1] == (None, QUIET, 0)


@pytest.mark.parametrize("kmh", [1.0, 10.0, 60.0])
def test_the_speed_is_the_wheels(kmh: float) -> None:
    bench = CanBench()
    for _ in range(100):
        bench.world.set("speed_kmh", kmh)
        bench.run(TICK_MS)
    assert bench.inputs.speed_mm_s == pytest.approx(kmh / 3.6 * 1000, abs=30)
    assert bench.inputs.speed_pulses == 1


def test_isolation_follows_a_leak() -> None:
    """To a step of the signal, 1 kohm, and what is still moving."""
    bench = CanBench()
    bench.go_live()
    for ohm in (150e3, 300e3, 1e6):
        bench.world.set("leak_positive_ohm", ohm)
        bench.run(15_000)
        truth = bench.world.read("world_isolation_parallel_ohm")
        assert bench.inputs.isolation_ohm == pytest.approx(truth, rel=0.01)


@pytest.mark.parametrize(
    ("fault", "state"), [("silent", STALE), ("device", DEVICE), ("implausible", RANGE), ("stuck", STALE)]
)
def test_a_broken_monitor_is_found_out_by_its_frames(fault: str, state: int) -> None:
    bench = CanBench()
    bench.run(1_000)
    bench.world.strike(f"isolation_{fault}")
    bench.run(1_000)
    assert bench.readings()[0] == (None, state)
    bench.world.heal(f"isolation_{fault}")
    bench.run(1_000)
    assert bench.readings()[0][1] == OK


def test_without_a_counter_a_sender_that_hangs_is_not_noticed() -> None:
    """As the review says of such a build."""
    bench = CanBench(NEVER_COUNTED)
    bench.run(1_000)
    bench.world.strike("isolation_stuck")
    bench.world.set("leak_negative_ohm", 50e3)
    bench.run(20_000)
    assert bench.readings()[0][1] == OK
    assert bench.inputs.isolation_ohm > 1e6


@pytest.mark.parametrize(
    ("fault", "states"), [("wire_open", {QUIET}), ("lost", {STALE}), ("stuck", {STALE}), ("noisy", {OK, RANGE})]
)
def test_a_broken_speed_sender_is_no_speed(fault: str, states: set[int]) -> None:
    bench = CanBench()
    bench.go_live()
    bench.world.set("throttle", 0.5)
    bench.run(3_000)
    assert bench.readings()[1][1] == OK
    bench.world.strike(f"speed_{fault}")
    bench.run(1_000)
    seen = set()
    for _ in range(50):
        bench.run(TICK_MS)
        seen.add(bench.inputs.speed_state)
        assert (bench.inputs.speed_pulses is None) == (bench.inputs.speed_state in (STALE, RANGE))
    assert seen == states


def test_pulses_cannot_hang_as_a_sender_can() -> None:
    assert "speed_stuck" in World(can_truck(), 1).possible()
    assert "speed_stuck" not in World(can_truck(motion=None), 1).possible()


def over_can(name: str, folder: Path) -> Path:
    """A shipped scenario of the truck, of the truck with frames instead."""
    (folder / "truck.toml").write_text(can_truck_text(), encoding="utf-8")
    (folder / "frames.dbc").write_bytes(DBC.read_bytes())
    text = (SCENARIOS / f"{name}.toml").read_text(encoding="utf-8")
    assert "../builds/orchard_truck.toml" in text
    path = folder / f"{name}.toml"
    path.write_text(text.replace("../builds/orchard_truck.toml", "truck.toml"), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", DRIVES)
def test_a_drive_over_can_does_what_it_does_over_wires_and_breaks_no_promise(name: str, tmp_path: Path) -> None:
    """S1, S4, S10: the scenario's own expectations, and the promise monitor beside it."""
    outcome = run(load_scenario(over_can(name, tmp_path)))
    assert not outcome.failure
    assert [result for result in outcome.expectations if not result.passed] == []
    assert outcome.breaches == []


def test_the_campaign_strikes_what_frames_can_do() -> None:
    names = {attack.name for attack in attacks_of(can_truck())}
    assert {"speed_stuck", "isolation_stuck", "isolation_silent", "speed_lost"} <= names
    due = {attack.name: attack.due for attack in attacks_of(can_truck()) if attack.due}
    assert due["isolation_stuck"].row == "ISOLATION_LOST"
    assert "isolation_stuck" not in {attack.name for attack in attacks_of(can_truck(NEVER_COUNTED)) if attack.due}


def test_a_worker_that_has_no_dbc_file_makes_the_same_campaign(tmp_path: Path) -> None:
    """Its text comes along with the build file's; a copy of a run goes on as the run itself would."""
    path = over_can("start_drive_stop", tmp_path).with_name("truck.toml")
    source = source_of(str(path), path.read_text(encoding="utf-8"), 1)
    struck = {("speed_stuck",), ("isolation_stuck",)}
    cases = [case for case in Campaign(can_truck()).cases if case.attacks in struck][::60]
    assert len(cases) > 3
    for file in tmp_path.iterdir():
        file.unlink()
    campaign_of.cache_clear()
    found = run_cases(Cases(source, tuple(cases)))
    assert [one.breaches for one in found] == [()] * len(cases)
    campaign_of.cache_clear()


@pytest.mark.parametrize("name", ["start_drive_stop", "isolation_fault_at_speed_winds_down", "speed_lost_at_speed"])
def test_the_complete_firmware_decides_the_same_by_the_frames_of_its_bus(name: str, tmp_path: Path) -> None:
    """The virtual board has a stand-in for the driver that this version does not have."""
    assert mismatches(replace(scenario_of(name), build=can_truck()), tmp_path / "flash.img") == (0, [])


def test_a_board_that_hears_nothing_reads_lost_and_refuses_the_start(tmp_path: Path) -> None:
    """S1, S10: as every board does without a driver."""
    deaf = tuple((1, Action("strike", name)) for name in ("isolation_silent", "speed_lost"))
    whole = scenario_of("start_drive_stop")
    scenario = replace(
        whole, build=can_truck(), expectations=(), ticks=20_000 // TICK_MS, events=(*deaf, *whole.events)
    )
    ran, outcome, _ = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"))
    assert not outcome.failure
    assert not any(tick.commands[name] for tick in ran.ticks.values() for name in ("positive", "negative", "precharge"))
    assert {ISOLATION_LOST, SPEED_LOST} <= set(list(ran.ticks.values())[-1].active)


class HostileBus:
    """Ten frames a tick beside those of the sensors."""

    def __init__(self, *kinds: Callable[[random.Random], tuple[int, bytes]]) -> None:
        self._kinds = kinds
        self._source = random.Random(4)

    def heard(self) -> list[tuple[int, bytes]]:
        return [self._kinds[n % len(self._kinds)](self._source) for n in range(10)]

    def say(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """It does not listen."""


def somebody_elses(source: random.Random) -> tuple[int, bytes]:
    return source.choice((0, 672, 674, 673 | 1 << 29, 0x18F00121 & 0x7FF, 0x7FF)), source.randbytes(8)


def of_another_length(source: random.Random) -> tuple[int, bytes]:
    identifier, length = source.choice(((673, 6), (0x18F00121 | 1 << 29, 8)))
    return identifier, source.randbytes(source.choice([n for n in range(9) if n != length]))


def with_a_counter_that_stands(source: random.Random) -> tuple[int, bytes]:
    return source.choice(((673, bytes((0x88, 0x13, 0, 0, 0, 0))), (0x18F00121 | 1 << 29, bytes(8))))


def test_frames_that_are_nobodys_change_no_decision(tmp_path: Path) -> None:
    """Other identifiers and lengths: tick by tick the complete firmware decides as on a quiet bus."""
    scenario = replace(scenario_of("start_drive_stop"), build=can_truck(), expectations=(), ticks=30_000 // TICK_MS)
    ticks = []
    for bus in (None, HostileBus(somebody_elses, of_another_length)):
        image = fresh_image(scenario, tmp_path / f"{bus is None}.img")
        ran, outcome, _ = on_board(scenario, image, stalls=False, bus=bus)
        assert not outcome.failure
        ticks.append(ran.ticks)
    assert ticks[0] == ticks[1]
    assert any(tick.commands["positive"] for tick in ticks[1].values()), "it never drove"


def test_a_flood_in_the_sensors_own_name_never_lets_it_start(tmp_path: Path) -> None:
    """S1, S10: good numbers with a counter that stands, after each frame of the sensors themselves."""
    scenario = replace(scenario_of("start_drive_stop"), build=can_truck(), expectations=(), ticks=20_000 // TICK_MS)
    image = fresh_image(scenario, tmp_path / "flash.img")
    ran, outcome, _ = on_board(scenario, image, stalls=False, bus=HostileBus(with_a_counter_that_stands))
    assert not outcome.failure
    assert not outcome.breaches
    assert not any(tick.commands[name] for tick in ran.ticks.values() for name in ("positive", "negative", "precharge"))
    assert LOOP_OVERRAN not in {row for tick in ran.ticks.values() for row in tick.active}
