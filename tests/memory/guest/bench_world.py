"""As much of a supervisor as the fault memory looks at, set by hand; runs everywhere."""

from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import ENDED, GONE, NOTED

ROWS = len(T.TABLE) + 1
IDLE, DRIVE = 0, 8  # stages of phases.py
ENDS = [0] + [row[T.ENDS] for row in T.TABLE]


class _Bag:
    pass


class BenchWorld:
    """`note`, `gone` and `end` mark rows as the policy does; `live` and `off` are the two states that matter here."""

    def __init__(self):
        f = self.faults = _Bag()
        f.marks, f.places, f.measured = bytearray(ROWS), [0] * ROWS, [0] * ROWS
        f.marked = f.worst = f.column = f.clock_ms = 0
        f.dt = 20
        i = self.inputs = _Bag()
        i.bus_mv, i.pack_mv, i.current_ma, i.isolation_ohm, i.speed_mm_s = 1, 380_000, 0, 2_000_000, 0
        i.current_state = i.isolation_state = i.speed_state = 0
        o = self.outputs = _Bag()
        o.positive = o.negative = o.precharge = o.discharge = 0
        o.drive_limit_permille = o.charge_limit_permille = 0
        e = self.electrics = _Bag()
        e.bus_ok = e.pack_ok = 1
        t = self.thermal = _Bag()
        t.valid = t.pack_zones = 1
        t.hottest_dc, t.coldest_dc, t.inverter_dc, t.motor_dc = 310, 250, 400, 500
        self.phases = _Bag()
        self.phases.phase = self.phases.stage = 0
        self.switches = _Bag()
        self.switches.word = 1

    def tick(self, memory):
        """One tick's work of the memory."""
        self.faults.clock_ms += self.faults.dt
        memory.work(self)

    def live(self):
        """Both mains closed."""
        self.phases.phase, self.phases.stage = 3, DRIVE
        self.outputs.positive = self.outputs.negative = 1

    def off(self):
        """Everything off: here the memory may write files."""
        self.phases.phase = self.phases.stage = 0
        self.outputs.positive = self.outputs.negative = 0

    def note(self, row, places=1):
        """A row becomes active, or bad again."""
        self.faults.places[row] |= places
        self._mark(row, NOTED)

    def gone(self, row):
        """Its condition is over."""
        self._mark(row, GONE)

    def end(self, row):
        """It ends: healed, cleared, acknowledged."""
        self.faults.places[row] = 0
        self._mark(row, GONE | ENDED)

    def _mark(self, row, mark):
        self.faults.marks[row] |= mark
        self.faults.marked = 1
