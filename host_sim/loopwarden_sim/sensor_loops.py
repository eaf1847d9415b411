"""Interlock loops: a wire through connectors, how the board reads it, and what can happen to it."""

from dataclasses import dataclass
from typing import cast

from loopwarden.convert.raw import Raw
from loopwarden.signals import LOOP0
from loopwarden_build.model import BuildFile, ResistorLoop
from loopwarden_sim.sensor_channel import COUNTS_MAX


@dataclass
class _Loop:
    name: str
    hard: bool
    sense: str
    closed_counts: int = 0
    open_counts: int = 0
    ground_counts: int = 0
    supply_counts: int = 4095
    fault: str = ""
    open_us: int = 0
    every_us: int = 1_000_000
    phase_us: int = 0


class Loops:
    """All loops of a build, in its order. After `sample`, `hard_open` says whether a hard loop was open in this tick.

    A flickering loop opens for `open_s` at the start of every `every_s`; an opening shorter than the hardware filter
    is seen by nobody, one shorter than a tick only by the edge latch of a level loop.
    """

    FAULTS = ("open", "to_ground", "to_supply", "flicker")

    def __init__(self, build: BuildFile) -> None:
        self._filter_us = round(build.inputs.stop_pulse * 1e6)
        self.loops = []
        for loop in build.loop:
            item = _Loop(loop.name, loop.kind == "hard", loop.sense)
            if isinstance(loop, ResistorLoop):
                low, high = loop.closed_counts
                item.closed_counts = (low + high) // 2
                item.open_counts = (high + loop.supply_above) // 2
                item.ground_counts = loop.ground_below // 2
                item.supply_counts = (loop.supply_above + 4095) // 2 + 1
            self.loops.append(item)
        self.names = [loop.name for loop in self.loops]
        self.hard_open = False
        self.coil_broken = False
        self._driven = 0
        self.line: int | None = None  # the level that a board really drives; None: it changes in each tick
        self._quiet = False

    def strike(self, name: str, fault: str, open_s: float = 0.0, every_s: float = 1.0) -> None:
        """Begin a fault of the loop `name`; "" ends it. KeyError for a name that the build does not have."""
        loop = next((item for item in self.loops if item.name == name), None)
        if loop is None:
            raise KeyError(name)
        loop.fault = fault
        loop.open_us, loop.every_us, loop.phase_us = round(open_s * 1e6), round(every_s * 1e6), 0
        self.coil_broken = any(item.hard and item.fault in ("open", "to_ground") for item in self.loops)

    def sample(self, raw: Raw, dt_s: float, noise: float) -> None:
        """Write the loops' part of `raw` for the tick that ends now; `levels` and `latched` hold no loop yet."""
        self.hard_open = self.coil_broken = False
        self._driven = raw.loop_driven = 1 - self._driven if self.line is None else self.line
        for index, loop in enumerate(self.loops):
            bit = LOOP0 << index
            is_open, was_open = False, False
            if loop.fault:
                is_open, was_open = self._state(loop, dt_s)
                if loop.hard and was_open:
                    self.hard_open = True
                    self.coil_broken = self.coil_broken or is_open
            if loop.sense == "level":
                if loop.fault == "to_supply" or (not is_open and loop.fault != "to_ground"):
                    raw.levels |= bit
                if was_open:
                    raw.latched |= bit
            elif loop.sense == "toggled":
                if self._echo(loop.fault, is_open):
                    raw.levels |= bit
            else:
                counts = min(max(self._counts(loop, is_open) + round(noise), 0), COUNTS_MAX)
                cast("list[int | None]", raw.loop_counts)[index] = counts

    def _state(self, loop: _Loop, dt_s: float) -> tuple[bool, bool]:
        """Open at the end of this tick, and open at any time in it for longer than the filter."""
        if loop.fault == "to_supply":
            return False, False
        if loop.fault in ("open", "to_ground"):
            return True, True
        if loop.open_us < self._filter_us:
            return False, False
        before = loop.phase_us
        after = before + round(dt_s * 1e6)
        loop.phase_us = after % loop.every_us
        # The tick is open at its end: an opening that begins with the next tick is none of this one's.
        seen = before < loop.open_us or after > loop.every_us
        return (after - 1) % loop.every_us < loop.open_us, seen

    def _echo(self, fault: str, is_open: bool) -> int:
        # The return of a toggled loop is pulled against the level that is driven in.
        if fault == "to_ground":
            return 0
        if fault == "to_supply":
            return 1
        return 1 - self._driven if is_open else self._driven

    def _counts(self, loop: _Loop, is_open: bool) -> int:
        if loop.fault == "to_ground":
            return loop.ground_counts
        if loop.fault == "to_supply":
            return loop.supply_counts
        return loop.open_counts if is_open else loop.closed_counts
