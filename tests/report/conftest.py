"""Drives that several files look at, each run once."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from loopwarden_report.history import History
from loopwarden_report.recorder import Recorder
from loopwarden_sim.runner import Outcome, run
from loopwarden_sim.scenario import load_scenario

SCENARIOS = Path(__file__).resolve().parents[2] / "host_sim" / "scenarios"


@dataclass
class Driven:
    """A recorded run: what was taken down, what the runner says, and the plant's truth at each tick."""

    history: History
    outcome: Outcome
    truth: dict[str, list[float]]


TRUTHS = ("world_bus_v", "world_pack_v", "world_speed_kmh", "world_isolation_parallel_ohm", "world_inverter_degc")


def driven(path: Path, trace: Path | None = None) -> Driven:
    scenario = load_scenario(path)
    recorder = Recorder(scenario.build, scenario.title, "simulation")
    truth: dict[str, list[float]] = {name: [] for name in TRUTHS}

    def watch(scene):
        recorder.tick(scene.t_ms, scene.inputs, scene.outputs, scene.supervisor)
        for name in TRUTHS:
            truth[name].append(scene.world.read(name))

    outcome = run(scenario, trace=trace, watch=watch)
    assert not outcome.failure
    return Driven(recorder.history(), outcome, truth)


@pytest.fixture(scope="session")
def start_drive_stop() -> Driven:
    return driven(SCENARIOS / "start_drive_stop.toml")


@pytest.fixture(scope="session")
def welded(tmp_path_factory) -> tuple[Driven, Path]:
    """A drive with an unpowered time in the middle and codes in two power cycles; with the simulator's own trace."""
    trace = tmp_path_factory.mktemp("trace") / "trace.csv"
    return driven(SCENARIOS / "negative_main_welded.toml", trace), trace


@pytest.fixture(scope="session")
def two_starts(tmp_path_factory) -> Driven:
    """Two power cycles of the truck, each started and stopped; in the second there is a leak."""
    path = tmp_path_factory.mktemp("two") / "two_starts.toml"
    text = f'title = "two starts"\nbuild = "{SCENARIOS.parent / "builds" / "orchard_truck.toml"}"\nseed = 3\n'
    text += 'run = "90 s"\nexpect = "promises"\n'
    for begin in (1, 45):
        text += f'[[at]]\nt = "{begin} s"\nset = {{ key = true }}\n[[at]]\nt = "{begin + 4} s"\npress = "start"\n'
        text += f'[[at]]\nt = "{begin + 20} s"\nset = {{ key = false }}\n'
    text += '[[at]]\nt = "52 s"\nset = { leak_bus_negative_ohm = "450 kohm" }\n'
    path.write_text(text, encoding="utf-8")
    return driven(path)
