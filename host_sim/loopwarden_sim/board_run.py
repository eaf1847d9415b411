"""Runs a scenario on the virtual board: the complete firmware, under real MicroPython, in the world of the simulation.

The same timeline, expectations and promise monitor as `runner`; commands are taken from coils, lamps and lines behind
the pins. Decides nothing of the board's: it starts it, resets it when it asks for that, and takes its power away.
"""

from dataclasses import dataclass, replace

from loopwarden_sim.board_pins import TICK
from loopwarden_sim.runner import BOOT_MS, Run, StoredCode
from loopwarden_sim.scenario import Scenario
from loopwarden_sim.trace import FAULT_NAMES
from loopwarden_sim.virtual_board import GO_ON, VirtualBoard

# Quantities of the world that a board has of itself: they cannot be set from outside.
OF_THE_BOARD = frozenset(
    ("late_ms", "heap_free", "store_failed", "journal_nearly_full", "record_damaged", "isolation_drifting")
) | {"openings_under_load"}


@dataclass
class _Seen:
    """What the board showed of itself at the end of a tick; stands where the runner keeps its supervisor."""

    phase: int


class BoardRun(Run):
    """One run on a board. `command` is given with the next tick: see virtual_board."""

    def __init__(self, scenario: Scenario, board: VirtualBoard, seed: int | None = None) -> None:
        # What the expectations ask of the device's memory and words is asked over its console here, by whoever runs it.
        super().__init__(replace(scenario, expectations=()), scenario.seed if seed is None else seed)
        self.monitor.why = lambda subject: f"{subject} 0"  # S13 is judged where words are made, in the simulation
        self.board = board
        self.command = GO_ON
        self._scratch = (0, 0, 0, 0)

    def set(self, name: str, value: float) -> None:
        """Set a quantity of the world; ValueError for one that only the board itself has."""
        if name in OF_THE_BOARD:
            raise ValueError(f"{name}: cannot be set, the virtual board measures its own")
        super().set(name, value)

    def power_on(self) -> _Seen:
        """The board's program starts, from its own flash."""
        self.scene.outputs.__init__()
        self.world.restart_board()
        raw = self.world.sensors.raw
        raw.levels = self.world.sensors.pressed
        self.board.power_on(self.tick * self.tick_ms * 1000, raw, self._scratch)
        assert self.board.state is not None
        self.world.sensors.loops.line = self.board.harness.loop_drive(self.board.state)
        self._scratch = (0, 0, 0, 0)
        self.scene.supervisor = seen = _Seen(0)
        return seen

    def decide(self) -> tuple[bytes, int | str]:
        """Let the board run a tick; what hangs on its pins is read back. A board that resets itself is started anew."""
        scene, board = self.scene, self.board
        board.harness.hold_us = round(self.world.plant.parameters.heartbeat_hold_s * 1e6)
        self.world.fill(scene.inputs)
        sensors = self.world.sensors
        state = board.state
        assert state is not None
        if state.kind == TICK:  # else it has reset itself while it started
            state = board.tick(sensors.raw, self.command, crash_ended=not sensors.crash_stays)
        self.command = GO_ON
        if state.kind != TICK:
            self._scratch = state.scratch
            board.power_off()
            self.power_off(orderly=False)
            self.boots_at = self.tick + BOOT_MS // self.tick_ms
            self.monitor.dark_tick()
            return b"", scene.phase
        sensors.loops.line = board.harness.loop_drive(state)
        board.harness.commands(state, state.us, scene.outputs)
        scene.supervisor.phase = scene.supervisor.phase if state.phase is None else state.phase
        return state.active, scene.supervisor.phase

    def power_off(self, *, orderly: bool) -> None:
        """The power goes; the flash image stays as it is in that instant."""
        if self.board.running:
            self.board.power_off()
        super().power_off(orderly=orderly)

    def request(self, row: int) -> None:
        """A person types at the console; what becomes of it is said there."""
        self.board.type(f"clear {FAULT_NAMES[row].lower()}\r")

    def reason(self, subject: str) -> str:
        """The board is asked over its console, not from here."""
        return ""

    def codes(self) -> list[StoredCode]:
        """Asked over the console, not from here."""
        return []
