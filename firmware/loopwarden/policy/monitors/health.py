"""Low-voltage supply, known-voltage self-test, heap, loop time and the fault memory's own state. Judges, never acts."""

from micropython import const

from loopwarden.policy import signals as S

_HEAP_MIN = const(24 * 1024)
_OVERRUNS = const(3)
_OVERRUN_WINDOW_MS = const(10000)
_UNKNOWN = const(15)


class Health:
    """Attribute supply_ok: 1 when the supply is known and in range (start check)."""

    def __init__(self, build, faults, memory):
        self.build = build
        self.faults = faults
        self.memory = memory
        self.inputs = None
        self.supply_ok = 0
        self.group = faults.add(((58, 0), (59, 0), (60, 0), (72, 0), (71, 0), (73, 0), (74, 0)))
        self.steady = 0
        self.overruns = 0
        self.window_ms = 0

    def start(self):
        """What the memory says at power-up, once."""
        if self.memory.new:
            self.faults.trip(76)
        if self.memory.damaged:
            self.faults.trip(75)
        if self.memory.drifting:
            self.faults.trip(13)

    def late(self):
        """A tick missed its deadline."""
        if self.overruns == 0:
            self.window_ms = 0
        self.overruns += 1
        if self.overruns >= _OVERRUNS:
            self.faults.trip(68, self.inputs.late_ms)
            self.overruns = 0

    def step(self, dt):
        """Judge one turn; dt: ms since the last turn."""
        i = self.inputs
        b = self.build
        bad = 0
        mv = i.supply_mv
        self.supply_ok = 0
        if i.supply_state != S.OK or mv is None:
            bad = 2  # a supply that cannot be read is not read as good (S10)
        elif mv < b.supply_low_mv:
            bad = 3 if mv < b.supply_fail_mv else 1
        elif mv > b.supply_high_mv:
            bad = 4
        else:
            self.supply_ok = 1
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
            self.steady = self.faults.update(self.group, bad)

    def _reference(self, read, known):
        if self.inputs.reference_state != S.OK or read is None:
            return 1
        read -= known
        return read > self.build.reference_tol_mv or -read > self.build.reference_tol_mv
