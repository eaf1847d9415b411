"""The coil test, S15's one exception: one coil on for 2 s at the most, nothing connected, the service switch in TEST.

The loop calls `step` after the supervisor's, so that the policy has no way from a link to a coil. Every condition is
looked at again in each tick; what has changed ends the test in that tick, before the outputs are driven.
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.phases import READY

COILS = ("positive", "negative", "precharge", "discharge")
ON_MS = const(2000)
BEATS_MS = const(1000)  # hold: so long with a heartbeat, then without
SILENT_MS = const(500)
_AFTER_MS = const(500)  # past its release time a contact is waited for so long
_ROW = const(81)
_POSITIVE, _PRECHARGE = const(0), const(2)
_AUX_SHIFT = const(8)  # of S.AUX_POSITIVE
UNSEEN = const(-1)
_WAITS, _ON, _AFTER = const(0), const(1), const(2)

# With "no coil test: " before it no line of a page is longer than 80.
_SWITCH = b"the service input is not high; service switch to TEST"
_STARTED = b"something is started; key off, and ask when it is dead"
_START = b"the start button is pressed; let go of it"
_OUTPUTS = b"an output is on; key off, and ask when it is dead"
_STOP = b"emergency stop, crash or a hard loop; release, close, ask again"
_BUS = b"the bus is not proven dead; ask when it was dead for 10 s"
_PACK_UNREAD = b"the pack channel has no valid reading; mend it first"
_PACK = b"voltage on the pack side; disconnect, lock, prove it dead"
_MEMORY = b"the fault memory cannot log it; key off until it stored"
_NOT_CLOSED = b"its contact did not report closed: look why, then ask again"


def refusal(loop, mine):
    """Why no coil may be on in this tick, with the next step; b"" where one may. Heap: none.

    mine   mask of the coil that is on for the test, 1 << index into COILS; 0 for none
    """
    s = loop.supervisor
    word = s.switches.word
    if not word & S.SERVICE:  # what could not be read is not in the word (S10)
        return _SWITCH
    if word & S.START:
        return _START
    if s.switches.cut:
        return _STOP
    if s.phases.stage > READY:
        return _STARTED
    if _on(loop.outputs) & ~mine:
        return _OUTPUTS
    if loop.memory.mark or not s.phases.proven_dead():
        return _BUS
    return _pack(s.inputs, loop.build) or _log(loop.memory)


def _on(o):
    # Coils by their bit, and whatever else a started drive would have on.
    other = o.inverter_enable | o.charger_enable | o.hv_loads_enable | o.drive_limit_permille | o.charge_limit_permille
    return o.positive | o.negative << 1 | o.precharge << 2 | o.discharge << 3 | (16 if other else 0)


def _pack(i, b):
    mv = i.pack_mv
    if i.pack_state or mv is None or mv < -b.noise_mv:
        return _PACK_UNREAD
    return _PACK if mv >= b.dead_mv else b""


def _log(m):
    return _MEMORY if m.failed or m.nearly_full or not m.ready else b""


class CoilTest:
    """One test. The link makes it and puts it into `loop.coil_test`; it takes itself out again when it is over.

    coil   index into COILS
    hold   after 1 s the heartbeat's edges stop with the command still on, until the contact lets go, 500 ms at the most

    ended      why it ended early or was not begun, b"" for neither
    on_ms      how long the coil was commanded; held_ms: from the last edge on
    let_go     in that time the contact, or else the driver's line, reported that it let go
    closed_ms, opened_ms   from command, and from its end, to the report of the contact; UNSEEN for none
    before, during, after  what the contact reported: 1 closed, 0 open, UNSEEN
    fault      whether the driver's line differed from the command while the heart beat: 1, 0, UNSEEN
    begin_mv, end_mv       bus, when the command came and in its last tick
    """

    def __init__(self, loop, coil, hold):
        self.loop, self.coil, self.hold = loop, coil, hold
        self.mine = 1 << coil
        self.contact_bit = S.AUX_POSITIVE << coil if loop.build.feedback and coil < _PRECHARGE else 0
        self.line_bit = S.COIL_FAULT if loop.build.coil_feedback_fitted else 0
        self.ended = b""
        self.state = _WAITS
        self.on_ms = self.held_ms = self.after_ms = 0
        self.closed_ms = self.opened_ms = self.before = self.during = self.after = self.fault = UNSEEN
        self.let_go = False
        self.begin_mv = self.end_mv = None
        self.precharge_mj = self.doubt_mj = 0

    def contact(self):
        """What the coil's contact reports now: 1 closed, 0 open, UNSEEN for none or one that cannot be read."""
        return self._seen(self.contact_bit)

    def _seen(self, bit):
        switches = self.loop.supervisor.switches
        if not bit or not (switches.known or 0) & bit:
            return UNSEEN
        return 1 if switches.word & bit else 0

    def step(self, dt_ms):
        """One tick, between the supervisor's step and the outputs. Heap: none."""
        if self.state == _ON:
            self._stay_on(dt_ms)
        elif self.state == _AFTER:
            self._watch(dt_ms)
        else:
            self._begin()

    def _begin(self):
        loop = self.loop
        self.ended = refusal(loop, 0)
        if self.ended:
            loop.coil_test = None
            return
        if self.coil == _POSITIVE:
            loop.memory.spend_positive()  # the proof holds until positive is commanded closed again
        resistors = loop.supervisor.resistors
        self.precharge_mj = resistors.precharge_mj
        self.doubt_mj = resistors.doubt_mj
        faults = loop.supervisor.faults
        faults.drop(_ROW)
        faults.place[faults.event[_ROW]] = self.mine  # its one slot stands for the coil that is tried
        faults.trip(_ROW)  # S8: logged when it begins, so that nothing can end it unlogged
        self.before = self.contact()
        self.begin_mv = self.end_mv = loop.inputs.bus_mv
        self.state = _ON
        self._command(1)

    def _command(self, level):
        o = self.loop.outputs
        setattr(o, COILS[self.coil], level)
        o.lamp_hv = 1  # S5

    def _stay_on(self, dt_ms):
        self.on_ms += dt_ms
        self._look()
        loop = self.loop
        self.ended = refusal(loop, self.mine)
        if self.ended or self.on_ms + loop.build.tick_ms > ON_MS:  # the next tick would be past it
            self._off()
        elif self.hold and self.on_ms >= BEATS_MS:
            self._silent(dt_ms)
        else:
            loop.outputs.lamp_hv = 1  # S5

    def _look(self):
        self.during = self.contact()
        if self.during == 1 and self.closed_ms < 0:
            self.closed_ms = self.on_ms
        self.end_mv = self.loop.inputs.bus_mv
        if not self.held_ms and self.fault < 1:
            self.fault = self._seen(self.line_bit)

    def _silent(self, dt_ms):
        # Counted from the last edge, which the tick before drove. What lets go is the coil drive; we only watch.
        if not self.held_ms and self.contact_bit and self.during != 1:
            self.ended = _NOT_CLOSED
            self._off()
            return
        self.held_ms += dt_ms
        line = self.fault == 0 and self._seen(self.line_bit) == 1
        self.let_go = self.during == 0 if self.contact_bit else line
        if self.let_go or self.held_ms + self.loop.build.tick_ms > SILENT_MS:
            self._off()
        else:
            self.loop.outputs.heartbeat ^= 1  # S11: no edge in this tick, and in none until it let go
            self.loop.outputs.lamp_hv = 1  # S5

    def _off(self):
        self._command(0)
        self.state = _AFTER

    def _watch(self, dt_ms):
        # Until its release time is over it may still conduct: no other test before, the lamps lit (S5, S6).
        self.after_ms += dt_ms
        build = self.loop.build
        self.after = self.contact()
        if self.after == 0 and self.opened_ms < 0 and not self.let_go:
            self.opened_ms = self.after_ms
        if self.after_ms >= build.release_ms + (_AFTER_MS if self.after == 1 else 0):
            self._over()
        else:
            self.loop.outputs.lamp_hv = 1

    def _over(self):
        loop = self.loop
        loop.supervisor.faults.drop(_ROW)
        if not self.ended and self.coil == _PRECHARGE:
            # A dead pack is no pack voltage for the heat model, which counts the highest then; nothing has flowed.
            resistors = loop.supervisor.resistors
            resistors.precharge_tail_ms = 0
            resistors.precharge_mj = self.precharge_mj
            resistors.doubt_mj = self.doubt_mj
        loop.coil_test = None
