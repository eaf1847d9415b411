"""The one entry: puts monitors, faults, phases, limits, cooling and lamps in the order in which data flows.

Decides the order, and who has a turn. `step` reads `inputs`, writes `outputs`, and allocates nothing after start-up.
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy import cooling, faults, lamps, limits, phases, resistors, start_checks
from loopwarden.policy import fault_table as T
from loopwarden.policy.monitors import electrics, health, isolation, motion, switches, thermal

# What became of a request from a link; WAITING for the wired acknowledge button.
NOTHING, WAITING, DONE, NOT_OFF, NOT_DEAD, PRESENT, TIMED_OUT, NOT_ACTIVE = range(8)
_PARTS = "switches electrics motion isolation thermal health resistors checks phases limits cooling lamps"
_ASK_MS = const(10000)
_ORDER = bytes((0, 1, 0, 2, 0, 5, 0, 3, 0, 1, 0, 2, 0, 5, 0, 4))
_COUNTER = const(0x1FFFFFFF)


class Supervisor:
    """One build's supervisor.

    build    loopwarden.build.Build: checked integers
    memory   the fault memory (loopwarden.memory.ram.RamMemory, or the store in flash)
    `answer` says what became of the last `ask`.
    """

    def __init__(self, build, memory):
        self.build, self.memory = build, memory
        f = self.faults = faults.Faults(build)
        self.switches, self.electrics = switches.Switches(build, f), electrics.Electrics(build, f)
        self.motion, self.isolation = motion.Motion(build, f), isolation.Isolation(build, f)
        self.thermal, self.health = thermal.Thermal(build, f), health.Health(build, f)
        f.add_events(memory.locked)
        self.resistors, self.checks = resistors.Resistors(build, f), start_checks.StartChecks()
        self.phases, self.limits = phases.Phases(build, f), limits.Limits(build, f)
        self.cooling, self.lamps = cooling.Cooling(build, f), lamps.Lamps()
        self.bind(None, S.Outputs())
        # The heat at the last mark.
        self.resistors.precharge_mj, self.resistors.discharge_mj = memory.precharge_mj, memory.discharge_mj
        self.health.start()
        self.phases.start()
        # Saved bound methods: looking a method up costs more than calling it.
        quick = (self.switches.step, self.electrics.step, self.motion.step, self.resistors.step)
        self.parts = quick + (self.phases.step, self.limits.step, self.lamps.step)
        slow = (self.thermal.step, self.isolation.step, self.health.step, self.cooling.step, self.resistors.cool)
        self.slow = slow + (self.limits.look,)
        self.slow_at = [0] * len(self.slow)
        self.judged = self.turn = self.asked = self.ask_ms = self.answer = 0

    @property
    def phase(self):
        """Index into phases.NAMES."""
        return self.phases.phase

    def bind(self, inputs, outputs):
        """Take the two objects that every step gets; the first step does it where nobody did before."""
        self.inputs, self.outputs = inputs, outputs
        for name in _PARTS.split():
            getattr(self, name).join(self)
        outputs.off()
        outputs.hold = self.build.hold_fitted

    def step(self, inputs, outputs, dt_ms):
        """Decide one tick.

        inputs   signals.Inputs, filled for this tick; the same object at every call
        outputs  signals.Outputs, written in place; the same object at every call
        dt_ms    int 1..100, ms since the last step
        """
        if inputs is not self.inputs:
            self.bind(inputs, outputs)
        f = self.faults
        f.dt = dt_ms
        f.clock_ms += dt_ms
        f.now = (f.now + dt_ms) & _COUNTER
        f.turn = (f.turn + 1) & 3
        f.quota = 1
        f.busy = 0
        outputs.heartbeat ^= 1
        if inputs.late_ms:
            self.health.late()
        part = self.parts
        part[0]()
        part[1]()
        if self.switches.cut and phases.MARK <= self.phases.stage < phases.ALL_OPEN:
            part[3](dt_ms)  # S12: what flowed until now
            self.phases.cut()  # S3: any phase, any speed, this tick; all else waits for the next
            return
        part[2]()
        if not (f.busy and f.turn & 1):  # else a tick in which much was counted leaves it to the next
            # A temperature zone in one tick, another slow subject in the next, in fixed order; each gets its own time.
            self.turn = (self.turn + 1) & 15
            k = _ORDER[self.turn]
            f.dt = (f.now - self.slow_at[k]) & _COUNTER
            self.slow_at[k] = f.now
            self.slow[k](f.dt)
            f.dt = dt_ms
        if not self.phases.calm:
            part[3](dt_ms)
        part[4](dt_ms)
        if self.phases.calm and f.judged == self.judged and not self.limits.busy:
            outputs.lamp_hv = 1  # S5: calm is live; nothing else that limits and lamps read has changed
        else:
            self.judged = f.judged
            if self.electrics.live or self.limits.turned:
                part[5](dt_ms)
            part[6]()
        if self.asked:
            self._asked()

    def ask(self, row_id):
        """A link asks to clear or acknowledge a row; the wired button decides (S15). Outside the tick."""
        self.asked = row_id if 0 < row_id < len(self.faults.ends) else 0
        self.answer = WAITING if self.asked else NOT_ACTIVE
        self.ask_ms = 0

    def _asked(self):
        # S9, S15: off, the bus proven dead, the button pressed after the request, the condition gone. What an end means
        # for the memory (a pole proof, a count, a new memory) is the memory's to know.
        self.ask_ms += self.faults.dt
        row = self.asked
        if not self.faults.places[row] or self.faults.ends[row] < T.LOCK:
            self.answer = NOT_ACTIVE
        elif self.phases.stage > 1:
            self.answer = NOT_OFF
        elif not self.switches.edges & S.ACK:  # a press after the request: a button that is stuck says nothing
            if self.ask_ms < _ASK_MS:
                return
            self.answer = TIMED_OUT
        elif not self.phases.proven_dead():
            self.answer = NOT_DEAD
        else:
            self.answer = DONE if self.faults.clear(row) else PRESENT
        self.asked = 0
