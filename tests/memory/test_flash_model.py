"""The fault memory against a model that simply remembers: any history of faults, drives, clears and power cuts."""

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from loopwarden.memory import codes as K
from loopwarden.memory.rules import KEPT

from .desk_flash import powered
from .guest.bench_world import ROWS, BenchWorld

rows = st.integers(1, ROWS - 1).filter(lambda row: row not in (46, 76, 79, 80))  # those mean more to the memory


class MemoryMachine(RuleBasedStateMachine):
    """What the model holds is counts, locks and the power mark; what the flash holds is everything that was stored."""

    @initialize()
    def power_up(self):
        self.folder = Path(tempfile.mkdtemp())
        self.memory, self.world = powered(self.folder), BenchWorld()
        self.counts, self.locks = {}, set()
        self.mark = 0

    @rule(row=rows, places=st.integers(1, 0x3F))
    def occurs(self, row, places):
        self.world.note(row, places)
        self.world.tick(self.memory)
        if K.CODED[row]:
            self.counts[row] = self.counts.get(row, 0) + 1
        if KEPT[row]:
            self.locks.add(row)

    @rule(row=rows)
    def ends(self, row):
        if self.world.faults.places[row]:
            self.world.end(row)
            self.world.tick(self.memory)
            self.locks.discard(row)

    @rule(row=rows)
    def cleared(self, row):
        done = self.memory.clear(row)
        assert done is (row in self.counts and row not in self.locks)
        if done:
            del self.counts[row]

    @rule(live=st.booleans())
    def drives(self, live):
        if live:
            self.memory.mark_live(1, 2)
            self.world.tick(self.memory)
            self.world.live()
        else:
            self.world.off()
            self.memory.mark_dead(3, 4)
        self.mark = 1 if live else 0

    @rule(ticks=st.integers(1, 120))
    def time_passes(self, ticks):
        for _ in range(ticks):
            self.world.tick(self.memory)

    @rule()
    def power_goes(self):
        """What was called stored is there, and nothing else is."""
        stored = {row for row in range(ROWS) if self.memory.stored(row)}
        settled = not self.memory.state_waits
        self.memory = powered(self.folder)
        self.world = BenchWorld()
        found = {code["row"]: code["count"] for code in self.memory.codes()}
        for row in range(ROWS):
            count, expected = found.get(row, 0), self.counts.get(row, 0)
            assert count == expected if row in stored else count <= max(expected, count)
        self.counts = found
        if settled:
            assert set(self.memory.locked) == self.locks
            assert self.memory.mark == self.mark
        self.locks = set(self.memory.locked)
        for row in self.locks:
            self.world.faults.places[row] = 1
        self.mark = self.memory.mark
        assert self.memory.ready
        assert not self.memory.damaged

    @invariant()
    def what_is_told_is_what_happened(self):
        assert {code["row"]: code["count"] for code in self.memory.codes()} == self.counts
        assert set(self.memory.locked) == self.locks
        assert not self.memory.failed

    def teardown(self):
        if hasattr(self, "folder"):
            shutil.rmtree(self.folder)


TestMemory = MemoryMachine.TestCase
TestMemory.settings = settings(max_examples=40, stateful_step_count=30, deadline=None)
