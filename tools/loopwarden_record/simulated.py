"""Records a scenario as a board would: from the first power-up on, until the supply goes or a link asks to clear."""

from pathlib import Path
from typing import Any

from loopwarden import VERSION
from loopwarden.link.recorder import Frames
from loopwarden_build.integer_build import to_device
from loopwarden_build.pack import pack_bytes
from loopwarden_record.frames import COMMANDS, WHOLE_EVERY
from loopwarden_record.recording import Header, Writer
from loopwarden_sim.runner import Run
from loopwarden_sim.scenario import Scenario


class Driver:
    """What a board's driver is asked beside the commands that it writes in every tick; here nobody drives anything."""

    def __init__(self, outputs: Any) -> None:
        self.outputs = outputs

    @property
    def asked(self) -> int:
        """A bit for each of those commands, in the order of COMMANDS."""
        names = COMMANDS[COMMANDS.index("lamp_ready") :]
        return sum(bool(getattr(self.outputs, name)) << k for k, name in enumerate(names))


class _Recorded(Run):
    """A run whose first power cycle is written down."""

    def __init__(self, scenario: Scenario, path: Path) -> None:
        super().__init__(scenario, scenario.seed)
        self.path = path
        self.ticks = 0
        self.why = ""
        self._writer: Writer | None = None
        self._frames: Any = None
        self._bytes = bytearray()

    def power_on(self) -> Any:
        memory = self.scene.memory
        if self._writer is None and not self.why:
            start = {"clock_ms": 0, "cycle": memory.cycle + 1, "flats": memory.flats, "under_load": memory.under_load}
            start |= {"positive_proven": int(memory.positive_proven), "negative_proven": int(memory.negative_proven)}
            start |= {"precharge_mj": memory.precharge_mj, "discharge_mj": memory.discharge_mj}
            header = Header(VERSION, "simulation", "", start, tuple(memory.locked))
            self._writer = Writer(self.path, header, pack_bytes(to_device(self.scenario.build)))
        supervisor = super().power_on()
        if not self.why:
            self._frames = Frames(self.scene.inputs, self.scene.outputs, memory, Driver(self.scene.outputs))
        return supervisor

    def sampled(self) -> None:
        if not self.why:
            self._frames.look()

    def decide(self) -> tuple[bytes, int | str]:
        result = super().decide()
        if not self.why:
            self._frames.tick(self.tick_ms)
            frames = self._frames
            if frames.end < frames.at:
                self._bytes += frames.ring[frames.at : frames.top]
                frames.at = 0
            self._bytes += frames.ring[frames.at : frames.end]
            frames.at = frames.end
            self.ticks += 1
            if self.ticks % WHOLE_EVERY == 0:
                self._keep()
        return result

    def _keep(self) -> None:
        if self._writer is not None and self._bytes:
            self._writer.ticks((self.ticks - 1) // WHOLE_EVERY * WHOLE_EVERY, bytes(self._bytes))
            self._bytes.clear()

    def power_off(self, *, orderly: bool) -> None:
        self.end("the board's supply went")
        super().power_off(orderly=orderly)

    def request(self, row: int) -> None:
        self.end("a link asked to clear a fault, which no recording tells")
        super().request(row)

    def end(self, why: str) -> None:
        """No more of it."""
        if not self.why:
            self.why = why
            self._keep()
            if self._writer is not None:
                self._writer.close(why)


def record_scenario(scenario: Scenario, path: Path) -> tuple[int, str]:
    """Run a scenario and write its first power cycle to a file. Returns how many ticks, and why it ended.

    Errors: FileExistsError, OSError.
    """
    run = _Recorded(scenario, path)
    outcome = run.go(None, None)
    run.end(f"the run {outcome.failure}" if outcome.failure else "the scenario was over")
    return run.ticks, run.why
