"""Low-voltage supply, known-voltage self-test, heap, loop time and the fault memory's own state. Judges, never acts."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_HEAP_MIN = const(24 * 1024)
_CLOCK_MAX_MS = const(0x3FFF0000)
_OVERRUNS = const(3)
_OVERRUN_WINDOW_MS = const(10000)


class Health(Part):
    """Judges in slow turns; ticks that came late are counted as they come."""

    uses = ("memory",)

    def __init__(self, build, faults):
        self.group = faults.add([(row, 0) for row in (58, 59, 60, 72, 71, 73, 74)])
        self.steady = self.overruns = self.window_ms = 0

    def start(self):
        """What the memory says at power-up, once."""
        for row, told in (
            (76, self.memory.new),
            (75, self.memory.damaged),
            (13, self.memory.drifting),
            (80, self.memory.under_load >= self.build.inspect_after),
        ):
            if told:
                self.faults.trip(row)

    def late(self):
        """A tick missed its deadline."""
        if self.overruns == 0:
            self.window_ms = 0
        self.overruns += 1
        if self.overruns >= _OVERRUNS:
            self.faults.trip(68, self.inputs.late_ms)
            self.overruns = 0

    def step(self, dt):
        """Judge one turn; dt: ms since the last turn. Holds the clock of the faults below 2**30 (12 days)."""
        self.faults.clock_ms = min(self.faults.clock_ms, _CLOCK_MAX_MS)
        i = self.inputs
        b = self.build
        bad = 0
        mv = i.supply_mv
        if i.supply_state != S.OK or mv is None:
            bad = 2  # a supply that cannot be read is not read as good (S10)
        elif mv < b.supply_low_mv:
            bad = 3 if mv < b.supply_fail_mv else 1
        elif mv > b.supply_high_mv:
            bad = 4
        if b.reference_fitted and self._reference(i.reference_mv, b.reference_mv):
            bad |= 8
        if i.heap_free < _HEAP_MIN:
            bad |= 16
        if self.memory.failed:
            bad |= 32
        if self.memory.nearly_full:
            bad |= 64
        if self.overruns:
            self.window_ms += dt
            if self.window_ms > _OVERRUN_WINDOW_MS:
                self.overruns = 0
        if bad != self.steady:
            self.steady = self.faults.count(self.group, bad)

    def _reference(self, read, known):
        if self.inputs.reference_state != S.OK or read is None:
            return 1
        read -= known
        return read > self.build.reference_tol_mv or -read > self.build.reference_tol_mv
