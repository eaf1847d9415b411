"""Low-voltage supply, known-voltage self-test, heap, loop time and the fault memory's own state. Judges, never acts."""

from loopwarden.policy.part import Part

_SLOTS = ((58, 0), (59, 0), (60, 0), (72, 0), (71, 0), (73, 0), (74, 0), (68, 0))
_HEAP_MIN, _CLOCK_MAX_MS, _COUNTER = 24 * 1024, 0x3FFF0000, 0x1FFFFFFF
_OVERRUNS, _OVERRUN_WINDOW_MS = 3, 10000


class Health(Part):
    """Judges in slow turns; ticks that came late are counted as they come."""

    uses = ("memory", "phases")

    def __init__(self, build, faults):
        self.group = faults.add(_SLOTS)
        self.steady = self.overruns = self.late_at = 0

    def start(self):
        """What the memory says at power-up. Start-up only."""
        m, b = self.memory, self.build
        for row, told in ((76, m.new), (75, m.damaged), (13, m.drifting), (80, m.under_load >= b.inspect_after)):
            if told:
                self.faults.trip(row)

    def late(self):
        """A tick missed its deadline."""
        if self.overruns == 0:
            self.late_at = self.faults.now
            self.faults.measured[68] = self.inputs.late_ms
        self.overruns += 1

    def step(self, dt):
        """Judge one turn; dt: ms since the last turn. Holds the clocks of faults and phases below 2**30 (12 days)."""
        self.faults.clock_ms = min(self.faults.clock_ms, _CLOCK_MAX_MS)
        self.phases.t_ms = min(self.phases.t_ms, _CLOCK_MAX_MS)
        i = self.inputs
        b = self.build
        bad = 2  # a supply that cannot be read is not read as good (S10)
        mv = i.supply_mv
        if not i.supply_state and mv is not None:
            bad = (mv < b.supply_low_mv) | (mv < b.supply_fail_mv) << 1 | (mv > b.supply_high_mv) << 2
        mv = i.reference_mv
        if b.reference_fitted:
            off = i.reference_state or mv is None or abs(mv - b.reference_mv) > b.reference_tol_mv
            bad |= 8 if off else 0
        bad |= (i.heap_free < _HEAP_MIN) << 4 | self.memory.failed << 5 | self.memory.nearly_full << 6
        bad |= (self.overruns >= _OVERRUNS) << 7  # judged before the window ends, so that no third one is forgotten
        if self.overruns and (self.faults.now - self.late_at) & _COUNTER > _OVERRUN_WINDOW_MS:
            self.overruns = 0
        if bad != self.steady:
            self.steady = self.faults.count(self.group, bad)
