"""Decides a recording again with the policy of this program, tick by tick, and compares with what the device commanded.

Runs on a computer: that a device decides the same from the same readings is S14, and this is its proof for one drive.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from loopwarden import signals
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor
from loopwarden_record.frames import COMMANDS, OTHERS, Frames
from loopwarden_record.recording import Recording

_COMPARED = (*COMMANDS, *(name for name in OTHERS if name.endswith("_permille")))
_FLAGS = ("ready", "new", "failed", "nearly_full", "damaged", "drifting")

OnTick = Callable[[Frames, Any, Any, Any], None]  # frame, inputs, outputs, supervisor; None where none can decide


class _Memory(RamMemory):
    """A fault memory as the recorded one looked to the decisions: when it was ready, idle, and had stored its mark."""

    def __init__(self, recording: Recording) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # device code carries no annotations
        start = recording.header.start
        self.positive_proven = bool(start["positive_proven"])
        self.negative_proven = bool(start["negative_proven"])
        self.precharge_mj, self.discharge_mj = start["precharge_mj"], start["discharge_mj"]
        self.flats, self.under_load = start["flats"], start["under_load"]
        self.cycle = start["cycle"]
        self.locked = list(recording.header.locked)
        self.is_idle = True

    def look(self, told: dict[str, int]) -> None:
        """What it looked like before this tick."""
        for name in _FLAGS:
            setattr(self, name, bool(told[name]))
        self.is_idle = bool(told["idle"])
        self.mark = told["mark"]

    def idle(self) -> bool:
        return self.is_idle

    def work(self, supervisor: Any, room: bool = True) -> bool:
        mark = self.mark
        super().work(supervisor, room)  # type: ignore[no-untyped-call]
        self.mark = mark  # it is stored when the recording says so
        return False


@dataclass(frozen=True)
class Difference:
    """The first tick that was decided otherwise. what: name, as the device commanded it, as it was decided here."""

    tick: int
    t_ms: int
    what: tuple[tuple[str, int, int], ...]


@dataclass
class Replayed:
    """ticks, ms: decided again, from the first on; read: ticks that could be read at all."""

    ticks: int = 0
    ms: int = 0
    read: int = 0
    difference: Difference | None = None
    remarks: list[str] = field(default_factory=list)

    @property
    def identical(self) -> bool:
        """Whether everything that was decided again came out the same, and anything was."""
        return self.difference is None and self.ticks > 0


def replay(recording: Recording, on_tick: OnTick | None = None) -> Replayed:
    """Decide it again until the first tick that differs, or the first one that does not follow on the one before.

    on_tick     gets every tick that can be read, in order; inputs and outputs are the same objects each time, outputs
                as the device commanded them
    Errors: RecordingError for a build that cannot be read.
    """
    found = Replayed()
    inputs, decided, told = signals.Inputs(), signals.Outputs(), signals.Outputs()
    memory, build = _Memory(recording), recording.build()
    supervisor: Any = None
    for frames, follows in recording.ticks():
        found.read += 1
        if found.read == 1 and follows:
            memory.look(frames.memory())
            supervisor = Supervisor(build, memory)
            supervisor.faults.clock_ms = recording.header.start["clock_ms"]
        frames.fill(inputs)
        commands = frames.commands()
        for name in _COMPARED:
            setattr(told, name, commands[name])
        if supervisor is not None and not follows:
            supervisor = None
            found.remarks.append(
                f"from tick {frames.tick - 1} on nothing can be decided again: ticks before it are lost"
            )
        if supervisor is not None:
            memory.look(frames.memory())
            supervisor.step(inputs, decided, frames.dt_ms)
            found.ms += frames.dt_ms
            differs = [
                (name, commands[name], now)
                for name in _COMPARED
                if (now := int(getattr(decided, name))) != commands[name]
            ]
            if differs:
                found.difference = Difference(found.ticks, found.ms, tuple(differs))
            else:
                found.ticks += 1
                memory.work(supervisor)
        if on_tick is not None:
            on_tick(frames, inputs, told, supervisor)
        if found.difference is not None:
            if on_tick is None:
                break
            supervisor = None
    found.remarks += recording.remarks
    return found
