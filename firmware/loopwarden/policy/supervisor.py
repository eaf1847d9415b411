"""The one entry: puts monitors, faults, phases, limits, cooling and lamps in the order in which data flows.

Decides the order, and who has a turn. `step` reads `inputs`, writes `outputs`, and allocates nothing after start-up.
"""

from micropython import const

from loopwarden.policy import fault_table as T
from loopwarden.policy.cooling import Cooling
from loopwarden.policy.faults import Faults
from loopwarden.policy.lamps import Lamps
from loopwarden.policy.limits import Limits
from loopwarden.policy.monitors.electrics import Electrics
from loopwarden.policy.monitors.health import Health
from loopwarden.policy.monitors.isolation import Isolation
from loopwarden.policy.monitors.motion import Motion
from loopwarden.policy.monitors.switches import Switches
from loopwarden.policy.monitors.thermal import Thermal
from loopwarden.policy.phases import Phases
from loopwarden.policy.resistors import Resistors
from loopwarden.policy.start_checks import StartChecks

# What became of a request from a link.
NOTHING = const(0)
WAITING = const(1)  # for the wired acknowledge button
DONE = const(2)
NOT_OFF = const(3)
NOT_DEAD = const(4)
PRESENT = const(5)
TIMED_OUT = const(6)
NOT_ACTIVE = const(7)

_ASK_MS = const(10000)
_TURNS = const(3)  # isolation, health, cooling
_CLOCK_MAX_MS = const(0x3FFFFFFF)


class Supervisor:
    """One build's supervisor.

    build    loopwarden.build.Build: checked integers
    memory   the fault memory (loopwarden.memory.ram.RamMemory, or the store in flash)
    `answer` says what became of the last `ask`.
    """

    def __init__(self, build, memory):
        self.build = build
        self.memory = memory
        f = Faults(build, memory)
        self.faults = f
        self.switches = Switches(build, f)
        self.motion = Motion(build, f)
        self.electrics = Electrics(build, f)
        self.isolation = Isolation(build, f)
        self.thermal = Thermal(build, f)
        self.health = Health(build, f, memory)
        monitors = (self.switches, self.motion, self.electrics, self.isolation, self.thermal, self.health)
        f.add_events()
        self.resistors = Resistors(build, memory)
        self.checks = StartChecks(build, f, memory, monitors, self.resistors)
        self.electrics.word_of = self.switches
        self.thermal.electrics = self.electrics
        self.resistors.electrics = self.electrics
        self.health.start()
        self.phases = Phases(build, f, memory, monitors, self.resistors, self.checks)
        self.limits = Limits(build, f)
        self.cooling = Cooling(build, f)
        self.lamps = Lamps(f)
        for part in (self.limits, self.cooling, self.lamps):
            part.phases = self.phases
        self.limits.thermal = self.thermal
        self.limits.electrics = self.electrics
        self.limits.isolation = self.isolation
        self.cooling.thermal = self.thermal
        self.cooling.switches = self.switches
        self.lamps.electrics = self.electrics
        self.lamps.switches = self.switches
        self.inputs = None
        self.outputs = None
        self.turn = 0
        self.turn_ms = [0, 0, 0]
        self.asked = 0
        self.ask_ms = 0
        self.answer = NOTHING

    @property
    def phase(self):
        """Index into phases.NAMES."""
        return self.phases.phase

    def _bind(self, inputs, outputs):
        self.inputs = inputs
        self.outputs = outputs
        for part in (self.switches, self.motion, self.electrics, self.isolation, self.thermal, self.health):
            part.inputs = inputs
        for part in (self.checks, self.resistors, self.phases, self.limits):
            part.inputs = inputs
        for part in (self.motion, self.electrics, self.resistors, self.phases, self.limits, self.cooling, self.lamps):
            part.outputs = outputs
        outputs.off()
        outputs.hold = self.build.hold_fitted

    def step(self, inputs, outputs, dt_ms):
        """Decide one tick.

        inputs   signals.Inputs, filled for this tick; the same object at every call
        outputs  signals.Outputs, written in place; the same object at every call
        dt_ms    int 1..100, ms since the last step
        """
        if inputs is not self.inputs:
            self._bind(inputs, outputs)
        f = self.faults
        f.dt = dt_ms
        f.clock_ms += dt_ms
        if f.clock_ms > 0x3FFFFF00:
            f.clock_ms = 0x3FFFFF00
        if inputs.late_ms:
            self.health.late()
        self.switches.step()
        if self.switches.ack_edge:
            f.acknowledge()
        self.electrics.step()
        self.motion.step()
        self.thermal.step(dt_ms)
        self._slow(dt_ms)
        self.resistors.step(dt_ms)
        self.phases.step(dt_ms)
        self.limits.step(dt_ms)
        self.lamps.step()
        if self.asked:
            self._asked()
        outputs.heartbeat ^= 1

    def _slow(self, dt_ms):
        # One slow subject a tick, in fixed order; each gets the time since its own last turn.
        waited = self.turn_ms
        waited[0] += dt_ms
        waited[1] += dt_ms
        waited[2] += dt_ms
        k = self.turn
        self.turn = k + 1 if k < _TURNS - 1 else 0
        dt_ms = waited[k]
        waited[k] = 0
        f = self.faults
        tick = f.dt
        f.dt = dt_ms
        if k == 0:
            self.isolation.step(dt_ms)
        elif k == 1:
            self.health.step(dt_ms)
        else:
            self.cooling.step(dt_ms)
        f.dt = tick

    def ask(self, row_id):
        """A link asks to clear or acknowledge a row; the wired button decides (S15). Outside the tick."""
        self.asked = row_id
        self.ask_ms = 0
        self.answer = WAITING

    def _asked(self):
        # S9, S15: off, the bus proven dead, the button held, the condition gone.
        self.ask_ms += self.faults.dt
        row = self.asked
        if not self.faults.is_on(row):
            self.answer = NOT_ACTIVE
        elif self.phases.stage > 1:
            self.answer = NOT_OFF
        elif not self.switches.ack:
            if self.ask_ms < _ASK_MS:
                return
            self.answer = TIMED_OUT
        elif not self.phases.proven_dead():
            self.answer = NOT_DEAD
        elif row == 76:
            self._commissioned()
        else:
            self._clear(row)
        self.asked = 0

    def _commissioned(self):
        self.memory.new = False
        self._clear(76)

    def _clear(self, row):
        if self.faults.ends[row] != T.LOCK and self.faults.ends[row] != T.ACKED:
            if self.faults.ends[row] != T.KEY_ACKED:
                self.answer = NOT_ACTIVE
                return
        if not self.faults.clear(row):
            self.answer = PRESENT
            return
        self.answer = DONE
        if row == 46:
            self.memory.prove_positive()  # the meter check stands for the proof
        elif row == 79:
            self.phases.flats = 0
            self.memory.flats = 0

    def frame(self, row):
        """A freeze frame of this tick as a dict (allocates; outside the tick). None where a reading is not valid."""
        i = self.inputs
        o = self.outputs
        t = self.thermal
        pack = t.valid & t.pack_zones
        return {
            "t_ms": self.faults.clock_ms,
            "phase": self.phases.phase,
            "bus_mv": i.bus_mv if self.electrics.bus_ok else None,
            "pack_mv": i.pack_mv if self.electrics.pack_ok else None,
            "current_ma": i.current_ma if i.current_state == 0 else None,
            "isolation_ohm": i.isolation_ohm if i.isolation_state == 0 else None,
            "hottest_dc": t.hottest_dc if pack else None,
            "coldest_dc": t.coldest_dc if pack else None,
            "speed_mm_s": i.speed_mm_s if i.speed_state == 0 else None,
            "drive_limit_permille": o.drive_limit_permille,
            "charge_limit_permille": o.charge_limit_permille,
            "commands": o.positive | o.negative << 1 | o.precharge << 2 | o.discharge << 3,
            "switches": self.switches.word,
            "measured": self.faults.measured[row],
        }
