"""What another build would have decided on the recorded readings, beside what the recorded build decides on them.

Both decide afresh, on a memory that stores at once, so that they differ by their builds alone. The readings stay as
they were: where one build acts otherwise, the vehicle would have gone on otherwise, and no recording tells how.
"""

from dataclasses import dataclass
from typing import Any

from loopwarden import signals
from loopwarden.memory.ram import RamMemory
from loopwarden.policy import limits, phases
from loopwarden.policy.supervisor import Supervisor
from loopwarden_record.recording import Recording
from loopwarden_sim.trace import FAULT_NAMES

_LIMITERS = {getattr(limits, name): name.lower().replace("_", " ") for name in ("FAULT", "SOLID", "WIND", "SETTLING")}
_LIMITERS |= {limits.PACK_HOT: "pack hot", limits.INVERTER_HOT: "inverter hot", limits.MOTOR_HOT: "motor hot"}
_LIMITERS |= {limits.CURRENT: "over current", limits.VOLTAGE: "pack voltage", limits.PHASE: "not live"}
_COMMANDS = ("positive", "negative", "precharge", "discharge", "lamp_hv", "lamp_stop", "lamp_caution")


@dataclass(frozen=True)
class Row:
    """One moment, and what either build did in it: "" where it did nothing that is listed."""

    t_ms: int
    here: str
    there: str


class _Side:
    """One build that decides along."""

    def __init__(self, recording: Recording, build: Any) -> None:
        self.memory = RamMemory()
        start = recording.header.start
        self.memory.positive_proven = bool(start["positive_proven"])
        self.memory.precharge_mj, self.memory.discharge_mj = start["precharge_mj"], start["discharge_mj"]
        self.memory.flats, self.memory.under_load = start["flats"], start["under_load"]
        self.memory.locked = list(recording.header.locked)
        self.build = build
        self.outputs = signals.Outputs()
        self.supervisor: Any = None
        self.was: dict[str, Any] = {}

    def step(self, inputs: Any, dt_ms: int, memory: dict[str, int]) -> list[str]:
        """Decide one tick; what is new in it, in words."""
        for name in ("ready", "new", "failed", "nearly_full", "damaged", "drifting"):
            setattr(self.memory, name, bool(memory[name]))
        if self.supervisor is None:
            self.supervisor = Supervisor(self.build, self.memory)
        s = self.supervisor
        s.step(inputs, self.outputs, dt_ms)
        self.memory.work(s)
        faults = s.faults
        now: dict[str, Any] = {
            "phase": phases.NAMES[s.phase],
            "rows": frozenset(faults.active[: faults.actives]),
            **{name: getattr(self.outputs, name) for name in _COMMANDS},
            "drive": (s.limits.drive_goal >> 4, s.limits.drive_goal & 15),
            "charge": (s.limits.charge_goal >> 4, s.limits.charge_goal & 15),
        }
        said = self._said(now) if self.was else [f"phase {now['phase']}"]
        self.was = now
        return said

    def _said(self, now: dict[str, Any]) -> list[str]:
        was = self.was
        said = [] if now["phase"] == was["phase"] else [f"phase {now['phase']}"]
        said += [str(FAULT_NAMES[row]) for row in sorted(now["rows"] - was["rows"])]
        said += [f"{FAULT_NAMES[row]} is over" for row in sorted(was["rows"] - now["rows"])]
        for name in _COMMANDS:
            if now[name] != was[name]:
                said.append(f"{name.replace('_', ' ')} {'on' if now[name] else 'off'}")
        for name in ("drive", "charge"):
            (permille, limiter), (_, limiter_was) = now[name], was[name]
            if limiter != limiter_was:
                by = f" by {_LIMITERS.get(limiter, limiter)}" if permille < 1000 else ""
                said.append(f"{name} limit {permille / 10:g} %{by}")
        return said


def side_by_side(recording: Recording, other: Any) -> tuple[list[Row], int]:
    """Rows in which the two builds did something else, in order of time, and how many moments were the same.

    other   loopwarden.build.Build
    Errors: RecordingError for a recorded build that cannot be read.
    """
    here, there = _Side(recording, recording.build()), _Side(recording, other)
    inputs = signals.Inputs()
    rows: list[Row] = []
    same = t_ms = 0
    for frames, follows in recording.ticks():
        if not follows:
            break
        frames.fill(inputs)
        t_ms += frames.dt_ms
        memory = frames.memory()
        one, two = here.step(inputs, frames.dt_ms, memory), there.step(inputs, frames.dt_ms, memory)
        if one != two:
            rows.append(Row(t_ms, ", ".join(one), ", ".join(two)))
        elif one:
            same += 1
    return rows, same
