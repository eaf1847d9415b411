"""What is left of a run that went wrong is little, goes wrong in the same way, and no longer does once it is healed."""

from dataclasses import replace
from pathlib import Path

import pytest

from loopwarden_build.load import read_build
from loopwarden_cli.main import main
from loopwarden_prove.scenario_file import scenario_text
from loopwarden_prove.shrink import Shrunk, Sought, breach_head, failure_head, shrink
from loopwarden_sim.runner import Run
from loopwarden_sim.scenario import Action, Scenario, load_scenario

from .broken_policy import plant

ROOT = Path(__file__).resolve().parents[2]
TRUCK = ROOT / "host_sim" / "builds" / "orchard_truck.toml"
BUILD = read_build(TRUCK)
LAMPS = Sought("S5", "high-voltage lamps out: commanded")
CRASHED = "TypeError: '>' not supported between instances of 'NoneType' and 'int'"


def set_to(name: str, value: float) -> Action:
    return Action("set", name, value)


# A drive with much in it that has nothing to do with the wire that comes off at 21.34 s.
EVENTS = (
    (11, set_to("key", 1.0)),
    (12, set_to("ambient_degc", 22.0)),
    (151, set_to("start", 1.0)),
    (161, set_to("start", 0.0)),
    (700, set_to("throttle", 0.6)),
    (800, Action("strike", "fan_stopped", "")),
    (900, set_to("slope_percent", 2.0)),
    (1068, Action("strike", "bus_voltage_open", "")),
    (1100, Action("strike", "pump_stopped", "")),
    (1200, set_to("throttle", 0.0)),
    (1200, set_to("brake", 0.6)),
    (1500, set_to("key", 0.0)),
)
DRIVE = Scenario(
    Path("drive.toml"), "drive", BUILD, 5, 2500, False, (("soaked_degc", 18.0), ("soc_percent", 70.0)), EVENTS, ()
)


@pytest.fixture
def planted(monkeypatch):
    """Plant a mistake; `healed` takes it away again."""

    class Planted:
        healed = staticmethod(monkeypatch.undo)

        def __call__(self, mistake: str) -> None:
            plant(monkeypatch, mistake)

    return Planted()


def written(shrunk: Shrunk, folder: Path) -> Path:
    path = folder / "shrunk.toml"
    path.write_text(scenario_text(shrunk.scenario, TRUCK, folder, ["as found"]), encoding="utf-8")
    return path


def kinds(scenario: Scenario) -> list[str]:
    return [action.name for _, action in scenario.events]


def test_what_is_left_is_what_it_takes(planted):
    """Lamps that go out while a contactor is commanded: key, a start, and the wire that comes off, nothing else."""
    planted("lamps out on none")
    shrunk = shrink(DRIVE, LAMPS)
    assert kinds(shrunk.scenario) == ["key", "start", "bus_voltage_open"]
    assert shrunk.scenario.start == ()
    assert shrunk.seen.startswith("high-voltage lamps out: commanded: ")
    assert shrunk.tries <= 250


def test_each_part_of_what_is_left_is_needed(planted):
    planted("lamps out on none")
    small = shrink(DRIVE, LAMPS).scenario
    for left_out in range(len(small.events)):
        without = replace(small, events=small.events[:left_out] + small.events[left_out + 1 :])
        outcome = Run(without, without.seed).go(None, None)
        assert not [one for one in outcome.breaches if breach_head(one.seen) == LAMPS.head], small.events[left_out]


def test_times_are_those_of_a_clock_and_the_run_ends_soon_after(planted):
    planted("lamps out on none")
    shrunk = shrink(DRIVE, LAMPS)
    times_ms = [(tick - 1) * 20 for tick, _ in shrunk.scenario.events]
    assert times_ms == sorted(times_ms)
    assert all(one % 100 == 0 for one in times_ms), times_ms
    assert shrunk.at_ms <= shrunk.scenario.ticks * 20 <= shrunk.at_ms + 300
    assert shrunk.scenario.ticks < DRIVE.ticks / 4


@pytest.mark.parametrize(
    ("mistake", "sought", "words"),
    [
        ("lamps out on none", LAMPS, "S5 broken at"),
        ("raises on none", None, "TypeError"),
    ],
)
def test_simulate_shows_it_while_it_is_planted_and_passes_once_it_is_healed(
    planted, tmp_path, capsys, mistake, sought, words
):
    planted(mistake)
    if sought is None:
        failure = Run(DRIVE, DRIVE.seed).go(None, None).failure
        assert CRASHED in failure
        sought = Sought("", failure_head(failure))
    path = written(shrink(DRIVE, sought), tmp_path)
    assert main(["simulate", str(path)]) == 1
    assert words in capsys.readouterr().out
    planted.healed()
    assert main(["simulate", str(path)]) == 0
    assert "0 broken promises" in capsys.readouterr().out


def test_the_file_breaks_the_same_promise_at_the_time_that_was_told(planted, tmp_path):
    planted("lamps out on none")
    shrunk = shrink(DRIVE, LAMPS)
    back = load_scenario(written(shrunk, tmp_path))
    breaches = Run(back, back.seed).go(None, None).breaches
    assert (shrunk.at_ms, shrunk.seen) in [(one.t_ms, one.seen) for one in breaches]


def test_tries_are_bounded_and_fewer_find_less(planted):
    planted("lamps out on none")
    few = shrink(DRIVE, LAMPS, tries_max=3)
    assert few.tries == 3
    assert few.seen
    assert len(few.scenario.events) > 3


def test_what_does_not_show_again_is_given_back_as_it_was():
    shrunk = shrink(DRIVE, LAMPS)
    assert (shrunk.scenario, shrunk.seen, shrunk.tries) == (DRIVE, "", 1)


@pytest.mark.parametrize(
    ("text", "head"),
    [
        ("high-voltage lamps out: no valid bus reading", "high-voltage lamps out: no valid bus reading"),
        ("high-voltage lamps out: commanded: positive=1", "high-voltage lamps out: commanded"),
        ("limit above its cap: hot pack: 45.0 degC, drive 900, charge 0", "limit above its cap: hot pack"),
        ("a coil test is longer than 2 s: positive=1", "a coil test is longer than 2 s"),
    ],
)
def test_a_breach_is_called_by_its_words_up_to_the_first_figure(text, head):
    assert breach_head(text) == head
