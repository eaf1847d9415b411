"""Runs on the virtual board for tests and benchmarks: recorded tick by tick, with things done at chosen ticks."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from loopwarden_sim.board_run import OF_THE_BOARD, BoardRun
from loopwarden_sim.runner import Outcome, Run
from loopwarden_sim.scenario import Scenario, load_scenario
from loopwarden_sim.virtual_board import VirtualBoard, commission, make_image

# Nothing hangs on a pin of a build for these; the hold relay waits for the journal to be folded, which the memory of
# the simulation does not have to do.
_NOT_COMPARED = frozenset(("heartbeat", "hold"))


@dataclass(frozen=True)
class Tick:
    """What a tick decided: phase, active rows in order, commands by name."""

    phase: Any
    active: bytes
    commands: Mapping[str, int]


class _Recorded:
    """Mixed into a run: keeps every tick, and does things before some."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.ticks: dict[int, Tick] = {}
        self.deeds: dict[int, Callable[[], object]] = {}

    def begin(self, tick: int) -> None:
        super().begin(tick)  # type: ignore[misc]
        if tick in self.deeds:
            self.deeds[tick]()

    def decide(self) -> tuple[bytes, Any]:
        active, phase = super().decide()  # type: ignore[misc]
        me: Any = self
        self.ticks[me.tick] = Tick(phase, active, dict(vars(me.scene.outputs)))
        return active, phase


class RecordedRun(_Recorded, Run):
    """The simulation, recorded."""


class RecordedBoard(_Recorded, BoardRun):
    """The virtual board, recorded; `board` is the board, `command` what befalls it in the next tick."""


def fresh_image(scenario: Scenario, image: Path) -> Path:
    """The flash of a board on which the scenario may begin."""
    image.unlink(missing_ok=True)
    make_image(image, scenario.build)
    if not scenario.memory_new:
        commission(image, scenario.build)
    return image


def on_board(
    scenario: Scenario, image: Path, deeds: Callable[[RecordedBoard], None] = lambda run: None, **options: Any
) -> tuple[RecordedBoard, Outcome, str]:
    """Run a scenario on a board with the flash `image`: the run, its outcome, what the console still held."""
    board = VirtualBoard(scenario.build, image, **options)
    try:
        run = RecordedBoard(scenario, board)
        deeds(run)
        outcome = run.go(None, None)
        return run, outcome, board.console_text()
    finally:
        board.close()


def can_run(scenario: Scenario) -> bool:
    """Whether a board can be given all that the scenario does: what it measures of itself it cannot be told."""
    told = {name for name, _ in scenario.start} | {a.name for _, a in scenario.events if a.kind == "set"}
    struck = {a.name for _, a in scenario.events if a.kind == "strike"}
    return not told & OF_THE_BOARD and "speed_lost" not in struck  # a counter in the chip cannot fail to answer


def mismatches(scenario: Scenario, image: Path) -> tuple[int, list[str]]:
    """Ticks in which simulation and board decided differently, and the first of them in words."""
    scenario = replace(scenario, expectations=())
    simulated = RecordedRun(scenario, scenario.seed)
    simulated.go(None, None)
    run, outcome, text = on_board(scenario, fresh_image(scenario, image), stalls=False)
    if outcome.failure:
        return len(simulated.ticks), [f"{outcome.failure} {text}"]
    places = run.board.harness.out
    absent = {name for name, place in places.items() if place < 0} | _NOT_COMPARED
    told = []
    count = 0
    for number, tick in simulated.ticks.items():
        other = run.ticks.get(number)
        differs = ["no tick"] if other is None else _differences(tick, other, absent)
        if differs:
            count += 1
            told.append(f"tick {number}: {', '.join(differs)}")
    return count, told[:5]


def _differences(tick: Tick, other: Tick, absent: frozenset[str] | set[str]) -> list[str]:
    found = [
        f"{name} {getattr(tick, name)} and {getattr(other, name)}"
        for name in ("phase", "active")
        if getattr(tick, name) != getattr(other, name)
    ]
    return found + [
        f"{name} {value} and {other.commands[name]}"
        for name, value in tick.commands.items()
        if name not in absent and value != other.commands[name]
    ]


def scenario_of(name: str) -> Scenario:
    """A shipped scenario."""
    return load_scenario(Path(__file__).resolve().parents[2] / "host_sim" / "scenarios" / f"{name}.toml")
