"""Runs a scenario: world, conversion and the supervisor under test, tick by tick, with everyone who watches them.

Decides the order of a tick and what becomes of the board's power; what must hold is judged by the expectations and by
the promise monitor. The same scenario and seed give the same run.
"""

import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loopwarden import signals
from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor
from loopwarden.words import why
from loopwarden_build.integer_build import to_device
from loopwarden_sim.expectations import Checker, Result
from loopwarden_sim.plant import Plant
from loopwarden_sim.promise_bounds import bounds_of
from loopwarden_sim.promise_monitor import Breach, PromiseMonitor
from loopwarden_sim.scenario import Action, Scenario
from loopwarden_sim.trace import FAULT_IDS, FAULT_NAMES, Scene, TraceFile, code_text, columns
from loopwarden_sim.world import World

BOOT_MS = 400  # from power or reset to the first tick (guess: import of the compiled program takes 135 ms)
_PROGRESS_TICKS = 500
_NEVER = 1 << 60
_KEY = signals.KEY
# Quantities of the world that are what the fault memory says of itself.
_OF_MEMORY = {
    "store_failed": "failed",
    "journal_nearly_full": "nearly_full",
    "record_damaged": "damaged",
    "isolation_drifting": "drifting",
    "openings_under_load": "under_load",
}
Progress = Callable[[int, int], None]  # ticks done, ticks in all
Watch = Callable[[Scene], None]  # what has just ended


@dataclass(frozen=True)
class Event:
    """One line of a run's story."""

    t_ms: int
    text: str

    def __str__(self) -> str:
        return f"{self.t_ms / 1000:9.3f} s  {self.text}"


@dataclass(frozen=True)
class StoredCode:
    """One record of the fault memory after the run. code is "" for a row that has none."""

    name: str
    code: str
    count: int
    present: bool


@dataclass
class Outcome:
    """What a run showed.

    failure   what stopped the run before its end, "" for nothing
    digest    over every command of every tick (S14)
    """

    scenario: Scenario
    seed: int
    ticks: int = 0
    expectations: list[Result] = field(default_factory=list)
    breaches: list[Breach] = field(default_factory=list)
    exercised: dict[str, int] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    codes: list[StoredCode] = field(default_factory=list)
    digest: str = ""
    failure: str = ""

    @property
    def passed(self) -> bool:
        """Every expectation met, no promise broken, run to its end."""
        return not self.failure and not self.breaches and all(result.passed for result in self.expectations)


def run(
    scenario: Scenario,
    *,
    seed: int | None = None,
    trace: Path | None = None,
    progress: Progress | None = None,
    twice: bool = False,
    watch: Watch | None = None,
) -> Outcome:
    """Run a scenario to its end.

    seed       in place of the scenario's own
    trace      CSV file to write, a row per tick
    progress   called now and then with the ticks done and the ticks in all
    twice      run it again and compare the digests (S14)
    watch      called after each tick of the first run
    Errors: OSError when the trace cannot be written.
    """
    outcome = Run(scenario, scenario.seed if seed is None else seed).go(trace, progress, watch)
    if twice and not outcome.failure:
        outcome.exercised["S14"] += 1
        again = Run(scenario, outcome.seed).go(None, progress)
        if again.digest != outcome.digest:
            seen = "the same inputs gave other commands in a second run"
            outcome.breaches.append(Breach("S14", outcome.ticks, outcome.ticks * _tick_ms(scenario), seen))
    return outcome


def _tick_ms(scenario: Scenario) -> int:
    return round(1000 * scenario.build.build.tick)


class _Truth:
    """The plant's facts under the names that the promise monitor asks for."""

    def __init__(self, world: World) -> None:
        self._plant: Plant = world.plant
        self._circuit = world.plant.circuit
        self._vehicle = world.plant.vehicle
        self._sensors = world.sensors
        self._loops = world.sensors.loops

    @property
    def bus_v(self) -> float:
        return self._circuit.bus_v

    @property
    def pack_v(self) -> float:
        return self._circuit.pack_v

    @property
    def speed_kmh(self) -> float:
        return self._vehicle.speed_m_s * 3.6

    @property
    def positive_closed(self) -> bool:
        return bool(self._circuit.positive.closed)

    @property
    def negative_closed(self) -> bool:
        return bool(self._circuit.negative.closed)

    @property
    def estop(self) -> bool:
        return bool(self._sensors.estop)

    @property
    def crash(self) -> bool:
        return bool(self._sensors.crashed)

    @property
    def hard_loop_open(self) -> bool:
        return bool(self._loops.hard_open)

    @property
    def precharge_heat_j(self) -> float:
        return self._plant.precharge_heat_j

    @property
    def discharge_heat_j(self) -> float:
        return self._plant.discharge_heat_j


class Run:
    """One run from the first tick to the last, the decisions made in this process."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.build = Build(to_device(scenario.build))
        self.world = World(scenario.build, seed)
        self.scene = Scene(self.world, signals.Inputs(), signals.Outputs())
        self.scene.memory = RamMemory(new=scenario.memory_new)
        self.monitor = PromiseMonitor(
            bounds_of(scenario.build),
            self.scene.inputs,
            self.scene.outputs,
            _Truth(self.world),
            active=self.active,
            why=self.reason,
        )
        self.outcome = Outcome(scenario, seed)
        self.tick_ms = _tick_ms(scenario)
        self.has_relay = scenario.build.build.hold_relay
        self.supplied = True  # what the scenario's "board" events leave of the supply
        self.boots_at = 1  # a board that is always supplied has been running
        self.raised: set[str] = set()
        self.tick = 0
        self.coming: list[tuple[int, Action]] = []
        self.next_event = _NEVER
        self.was_active = b""
        self.was_phase: int | str = self.scene.phase

    def active(self) -> frozenset[str]:
        """Names of the faults that are active now."""
        return self.scene.active

    def go(self, trace: Path | None, progress: Progress | None, watch: Watch | None = None) -> Outcome:
        scenario, scene = self.scenario, self.scene
        checker = Checker(scenario.expectations)
        self.prepare()
        file = None if trace is None else TraceFile(trace, columns(scenario.build))
        try:
            for tick in range(1, scenario.ticks + 1):
                self.advance(tick)
                if tick >= checker.next_tick:
                    checker.tick(tick, scene)
                if file is not None:
                    file.row(scene)
                if watch is not None:
                    watch(scene)
                if progress is not None and tick % _PROGRESS_TICKS == 0 and tick < scenario.ticks:
                    progress(tick, scenario.ticks)
        except Exception as error:  # the code under test may raise anything, and the run's story is wanted all the more
            self.outcome.failure = self.failed(error)
        finally:
            if file is not None:
                file.close()
        if progress is not None:
            progress(scenario.ticks, scenario.ticks)
        return self.finish(checker)

    def prepare(self) -> None:
        """Before the first tick: the world as the scenario begins with it, and what is to come."""
        for name, value in self.scenario.start:
            self.set(name, value)
        self.expect_events(self.scenario.events)

    def expect_events(self, events: Sequence[tuple[int, Action]]) -> None:
        """Let these events come, in order of their ticks, in place of those still outstanding."""
        self.coming = list(reversed(events))
        self.next_event = self.coming[-1][0] if self.coming else _NEVER

    def advance(self, tick: int) -> None:
        """One tick: what the scenario does before it, the board's supply, the world, the decisions, the promises."""
        self.begin(tick)
        if tick == self.next_event:
            while self.coming and self.coming[-1][0] == tick:
                self.act(self.coming.pop()[1], tick)
            self.next_event = self.coming[-1][0] if self.coming else _NEVER
        scene = self.scene
        supervisor = scene.supervisor
        if not self.supplied or (self.has_relay and not (self.world.sensors.pressed & _KEY or scene.outputs.hold)):
            if supervisor is not None:
                self.power_off(orderly=self.supplied)
                supervisor = None
            self.boots_at = tick + 1 + BOOT_MS // self.tick_ms  # at the earliest it has power in the next tick
        elif supervisor is None and tick >= self.boots_at:
            supervisor = self.power_on()

        self.world.step(scene.outputs, self.tick_ms)
        scene.t_ms = tick * self.tick_ms
        phase: int | str
        if supervisor is None:
            self.monitor.dark_tick()
            phase, active = scene.phase, b""
        else:
            active, phase = self.decide()
            supervisor = scene.supervisor
        if active != self.was_active:
            scene.active = frozenset(FAULT_NAMES[row] for row in active)
        if active != self.was_active or phase != self.was_phase:
            self.tell(phase != self.was_phase)
            self.was_active, self.was_phase = active, phase
        if supervisor is not None:
            self.monitor.tick()

    def failed(self, error: Exception) -> str:
        """What stopped the run, and where."""
        place = traceback.extract_tb(error.__traceback__)[-1]
        what = f"{type(error).__name__}: {error} ({place.filename}:{place.lineno})"
        return f"stopped at {(self.monitor.ticks + 1) * self.tick_ms / 1000:.3f} s by {what}"

    def begin(self, tick: int) -> None:
        """A tick begins, whether or not the board has power."""
        self.tick = tick

    def sampled(self) -> None:
        """The readings of this tick are there, and nothing is decided yet."""

    def decide(self) -> tuple[bytes, int | str]:
        """One tick of the board that runs: the ids of its active rows, and its phase."""
        scene = self.scene
        supervisor = scene.supervisor
        self.world.fill(scene.inputs)
        self.sampled()
        supervisor.step(scene.inputs, scene.outputs, self.tick_ms)
        scene.memory.work(supervisor)
        faults = supervisor.faults
        return bytes(faults.active[: faults.actives]), supervisor.phase

    def finish(self, checker: Checker) -> Outcome:
        outcome, monitor = self.outcome, self.monitor
        outcome.ticks = monitor.ticks
        outcome.expectations = checker.results()
        outcome.breaches = list(monitor.breaches)
        outcome.exercised = dict(monitor.exercised)
        outcome.digest = monitor.digest
        outcome.codes = self.codes()
        return outcome

    def codes(self) -> list[StoredCode]:
        """What the fault memory holds."""
        found = []
        for record in self.scene.memory.codes():
            row = record["row"]
            found.append(StoredCode(FAULT_NAMES[row], code_text(row), record["count"], record["present"]))
        return found

    def set(self, name: str, value: float) -> None:
        """Set a quantity of the world; what the fault memory says of itself is one of them."""
        self.world.set(name, value)
        if name in _OF_MEMORY:
            setattr(self.scene.memory, _OF_MEMORY[name], getattr(self.world, name))

    def act(self, action: Action, tick: int) -> None:
        """Do one thing of the scenario's timeline."""
        world = self.world
        if action.kind == "set":
            self.set(action.name, action.value)
        elif action.kind == "strike":
            world.strike(action.name, action.value, **(action.arguments or {}))
        elif action.kind == "heal":
            world.heal(action.name, action.value)
        elif action.kind == "clear":
            if self.scene.supervisor is not None:
                self.request(FAULT_IDS[action.name])
        elif action.kind == "ask":
            answer = "the board has no supply" if self.scene.supervisor is None else self.reason(action.name)
            self.note(f"why {action.name}? {answer}", (tick - 1) * self.tick_ms)
            return
        else:
            self.supplied = action.name != "off"
            if self.scene.supervisor is not None and action.name != "on":
                self.power_off(orderly=False)
            self.boots_at = tick + BOOT_MS // self.tick_ms
        if action.kind in ("strike", "heal"):
            # A reading that is falsified on purpose is not the lamps' fault.
            self.monitor.bus_sensor_lies = any(
                fault.startswith("bus_voltage_") or fault == "voltages_swapped" for fault, _ in world.active
            )
            self.monitor.discharge_welded |= action.name == "discharge_welded"
        place = f" ({action.value})" if action.kind in ("strike", "heal") and action.value else ""
        value = f" = {action.value:g}" if action.kind == "set" else ""
        self.note(f"{action.kind} {action.name}{place}{value}", (tick - 1) * self.tick_ms)

    def request(self, row: int) -> None:
        """Ask over a link to have a row cleared."""
        self.scene.supervisor.ask(row)

    def reason(self, subject: str) -> str:
        """The device's own words on a subject."""
        return str(why(self.scene.supervisor, subject))

    def power_on(self) -> Any:
        """The board starts: a new supervisor on the memory that outlived the power."""
        self.scene.outputs.__init__()
        self.world.restart_board()
        self.scene.memory.begin()
        supervisor = Supervisor(self.build, self.scene.memory)
        self.scene.supervisor = supervisor
        return supervisor

    def power_off(self, *, orderly: bool) -> None:
        """The board stops. Without supply or heartbeat every output is off and the lamps are lit by their wiring; an
        orderly end cuts the lamps' supply as well."""
        self.monitor.power_off()
        self.scene.inputs.__init__()  # it reads nothing any more
        self.scene.outputs.__init__()
        self.scene.outputs.lamp_hv = 0 if orderly else 1
        self.scene.supervisor = None
        self.raised = set()

    def note(self, text: str, t_ms: int) -> None:
        self.outcome.events.append(Event(t_ms, text))

    def tell(self, phase_changed: bool) -> None:
        """Write down a new phase and new faults, each with the device's own reason."""
        scene = self.scene
        supervisor = scene.supervisor
        if phase_changed:
            reason = "" if supervisor is None else self.reason("phase")
            self.note(f"{scene.phase}{f': {reason}' if reason else ''}", scene.t_ms)
        for name in sorted(scene.active - self.raised, key=FAULT_IDS.__getitem__):
            reason = self.reason(name)
            self.note(f"{name}: {reason}" if reason else name, scene.t_ms)
        for name in sorted(self.raised - scene.active, key=FAULT_IDS.__getitem__):
            self.note(f"{name} is over", scene.t_ms)
        self.raised = set(scene.active)
