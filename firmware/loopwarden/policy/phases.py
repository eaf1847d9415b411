"""The phases: off, checking, precharging, live, winding down, opening, discharging, locked out; one method a stage.

Decides when which contactor is commanded, and nothing else does. Every stage is left by enter(), so the ways through
can be read here from top to bottom. Limits and lamps follow from the phase; they are decided elsewhere.
"""

from micropython import const

from loopwarden.policy import fault_table as T
from loopwarden.policy import signals as S
from loopwarden.policy import start_checks as C
from loopwarden.policy.faults import MOVING_COLUMN, OFF_COLUMN, STANDING_COLUMN

NAMES = ("off", "checking", "precharging", "live", "winding down", "opening", "discharging", "locked out")
OFF = const(0)
CHECKING = const(1)
PRECHARGING = const(2)
LIVE = const(3)
WINDING = const(4)
OPENING = const(5)
DISCHARGING = const(6)
LOCKED = const(7)

# Stages, and the phase that each belongs to.
IDLE = const(0)
READY = const(1)
MARK = const(2)
NEGATIVE_TEST = const(3)  # precharge alone: a rise means the negative main is welded
NEGATIVE_TEST_ENDS = const(4)
POSITIVE_TEST = const(5)  # negative alone: a rise means precharge or positive is welded
CHARGE_BUS = const(6)
TAKE_OVER = const(7)  # positive closes onto the charged bus
DRIVE = const(8)
WIND_DOWN = const(9)
WAIT_CURRENT = const(10)
POSITIVE_OPENS = const(11)
PROOF_PULSE = const(12)
PROOF_ENDS = const(13)
NEGATIVE_OPENS = const(14)
ALL_OPEN = const(15)  # aborted or cut: every release time runs off
DISCHARGE = const(16)
CREEP = const(17)
PROVE_DEAD = const(18)
_PHASE_OF = bytes((0, 1, 2, 2, 2, 2, 2, 2, 3, 4, 5, 5, 5, 5, 5, 6, 6, 6, 6))

_LAMP_TEST_MS = const(2000)
_LONG_MS = const(0x0FFFFFFF)
_CURRENT_WAIT_MS = const(2000)
_CURRENT_BLIND_MS = const(500)  # fixed wait where no current reading tells
_SOLID_MS = const(1000)
_STANDING_RAMP_MS = const(500)
_CHARGE_END_MS = const(2000)
_PACK_LOST_MS = const(10000)
_FLATS = const(3)
_MARK_MS = const(1000)
_PROVEN_MS = const(10000)
_PROOF_MIN_MV = const(10000)


class Phases:
    """Attributes: stage, phase, t_ms in the stage, charge (1 for a charge), wind_cap (permille), solid (see limits)."""

    def __init__(self, build, faults, memory, monitors, resistors, checks):
        self.build = build
        self.faults = faults
        self.memory = memory
        self.switches, self.motion, self.electrics, self.isolation, self.thermal, self.health = monitors
        self.resistors = resistors
        self.checks = checks
        self.inputs = None
        self.outputs = None
        self.t_ms = 0
        self.charge = 0
        self.refused = C.LAMP_TEST
        self.fresh_key = 0  # a key-on not yet used for ending faults
        self.solid = 0
        self.solid_ms = 0
        self.hold_ms = 0  # how long the board has waited to let its own supply go
        self.part_ms = 0
        self.wind_cap = T.FULL
        self.wind_acc = 0
        self.wind_fault = 0
        self.fast = 0
        self.finish = 0  # wind down standing: to zero in half a second, then open
        self.why_row = 0  # the row that ended or prevented live, for "why"
        self.start_mv = 0
        self.ref_mv = 0
        self.reached = 0
        self.flats = memory.flats
        self.lost_ms = 0
        self.emergency = 0
        self.restarts = 0
        self.after_run = 0  # set by cooling: still wanted
        self.stages = (
            self._idle,
            self._ready,
            self._mark,
            self._negative_test,
            self._negative_test_ends,
            self._positive_test,
            self._charge_bus,
            self._take_over,
            self._drive,
            self._wind_down,
            self._wait_current,
            self._positive_opens,
            self._proof_pulse,
            self._proof_ends,
            self._negative_opens,
            self._all_open,
            self._discharge,
            self._creep,
            self._prove_dead,
        )
        self.stage = IDLE
        self.phase = OFF
        if memory.mark:
            faults.trip(70)
            self.emergency = 1
            self.enter(ALL_OPEN)

    def enter(self, stage):
        """Go to a stage; its time starts at 0."""
        self.stage = stage
        self.phase = _PHASE_OF[stage]
        self.t_ms = 0
        self.part_ms = 0
        self._column()
        self.electrics.closing = 1 if NEGATIVE_TEST <= stage <= TAKE_OVER or stage >= POSITIVE_OPENS else 0
        self.electrics.live = 1 if DRIVE <= stage <= WAIT_CURRENT else 0
        self.switches.driving = 1 if MARK <= stage <= WAIT_CURRENT and not self.charge else 0
        self.switches.charging = self.charge
        self.switches.again()

    def _column(self):
        f = self.faults
        column = OFF_COLUMN
        if self.phase == LIVE or self.phase == WINDING:
            column = MOVING_COLUMN if self.motion.moving else STANDING_COLUMN
        if column != f.column:
            f.column = column
            f.changed = 1

    def step(self, dt):
        """One tick: S3 first, then the stage."""
        self.t_ms += dt
        if self.t_ms > _LONG_MS:
            self.t_ms = _LONG_MS
        if self.switches.key_edge:
            self.fresh_key = 1
        if self.switches.cut and self._powered():
            self._cut()  # S3: any phase, any speed, this tick
        if self.phase == LIVE or self.phase == WINDING:
            self._column()
        if self.faults.changed:
            self.faults.judge()
        if self.phase == OFF or self.phase >= DISCHARGING:
            self._supply()
        self.stages[self.stage]()

    def _powered(self):
        o = self.outputs
        return o.positive or o.negative or o.precharge or o.inverter_enable or o.charger_enable

    def _cut(self):
        # Everything off at once (S3); whether the current was above the break current is worth a note.
        self._under_load()
        self.resistors.precharge_ends()
        self.outputs.off()
        self.why_row = 0
        self.emergency = 1
        self.enter(ALL_OPEN)

    def _under_load(self):
        i = self.inputs
        if self.phase < LIVE:
            return
        if i.current_state == S.OK and i.current_ma is not None:
            if -self.build.break_ma <= i.current_ma <= self.build.break_ma:
                return
        elif not self.build.current_fitted and not self.outputs.inverter_enable:
            return
        n = self.memory.count_under_load()
        self.faults.drop(57)
        self.faults.trip(57, n)

    # Off and checking

    def _idle(self):
        self.phase = LOCKED if self.faults.locks else OFF
        self._bus_off()
        if self.switches.key:
            self._key_on()
            self.enter(READY)

    def _supply(self):
        # The board lets its own supply go only proven dead and with nothing left to do, or after the longest wait.
        if self.switches.key:
            self.hold_ms = 0
        else:
            self.hold_ms = min(self.hold_ms + self.faults.dt, self.build.hold_max_ms)
        done = self.stage == IDLE and self.electrics.dead_ms >= _PROVEN_MS and not self.after_run and self.memory.idle()
        if not self.switches.key and (done or self.hold_ms >= self.build.hold_max_ms):
            self.outputs.hold = 0
        else:
            self.outputs.hold = self.build.hold_fitted

    def _key_on(self):
        if self.fresh_key:
            self.fresh_key = 0
            self.faults.key_on()

    def _ready(self):
        self.phase = LOCKED if self.faults.locks else CHECKING
        self._bus_off()
        if not self.switches.key:
            self.enter(IDLE)
            return
        self.charge = self.switches.plugged
        self.switches.charging = self.charge
        if self.t_ms < _LAMP_TEST_MS:
            self.refused = C.LAMP_TEST
            return
        if self.switches.start_edge:
            self._start()
        elif self.switches.start == 0:
            self.refused = C.FINE

    def _start(self):
        # S1: every check, at the moment of the fresh edge, on this tick's readings.
        self.refused = self.checks.refusal(self.charge)
        if self.refused == C.PROOF:
            self.faults.trip(46)
        elif self.refused == C.PRECHARGE_HOT:
            self.faults.trip(43, self.resistors.precharge_mj)
        elif self.refused == C.DISCHARGE_HOT:
            self.faults.trip(56, self.resistors.discharge_mj)
        elif self.refused == C.FINE:
            self._reserve()
            self.enter(MARK)

    def _reserve(self):
        # S12: what a start and an emergency discharge can cost is on record before the first contactor closes.
        from_pack = self.inputs.pack_mv
        r = self.resistors
        self.memory.mark_live(r.precharge_mj + r.start_mj(from_pack), r.discharge_mj + r.one_mj(from_pack))
        self.faults.drop(43)
        self.faults.drop(56)
        self.emergency = 0
        self.motion.closing()

    def _bus_off(self):
        # All contactors open: a bus that is up must fall as its slowest path allows; one that does not is fed.
        e = self.electrics
        if e.dead_ms or not e.bus_ok or self.motion.pulses:
            self.part_ms = 0
            self.faults.drop(33)
            return
        if self.part_ms == 0:
            self.ref_mv = self.inputs.bus_mv
            self.part_ms = 1
            return
        self.part_ms += self.faults.dt
        fell = self.ref_mv - self.inputs.bus_mv
        if fell < -3 * self.build.noise_mv - self.ref_mv // 50:
            self.faults.trip(34, self.inputs.bus_mv)
        elif self.part_ms >= self.build.fall_check_ms:
            if fell < self.ref_mv // 1000 * self.build.fall_permille:
                self.faults.trip(34, self.inputs.bus_mv)
            else:
                self.faults.trip(33, self.inputs.bus_mv)
            self.part_ms = 0

    # Precharging

    def _aborts(self):
        # In precharging a refusal is an abort; a key-off and a vehicle that rolls abort as well.
        if self.faults.worst >= T.REFUSE:
            self.why_row = self.faults.worst_row
        elif self.switches.key and not self.motion.pulses and self.electrics.pack_ok and self.electrics.bus_ok:
            return 0
        self._abort()
        return 1

    def _abort(self):
        if self.motion.pulses:
            self.emergency = 1
        self.resistors.precharge_ends()
        self.outputs.off()
        self.enter(ALL_OPEN)

    def _abort_for(self, row, measured):
        self.why_row = row
        self.faults.trip(row, measured)
        self._abort()

    def _mark(self):
        if self._aborts():
            return
        if self.memory.mark:
            self.start_mv = self.inputs.bus_mv
            self.outputs.precharge = 1
            self.resistors.precharge_closes()
            self.enter(NEGATIVE_TEST)
        elif self.t_ms >= _MARK_MS:
            self._abort_for(73, 0)

    def _rose(self):
        return self.inputs.bus_mv - self.start_mv >= self.inputs.pack_mv // 10

    def _negative_test(self):
        if self._aborts():
            return
        if self._rose():
            self._abort_for(44, self.inputs.bus_mv)
        elif self.t_ms >= self.build.close_ms + self.build.rc_ms:
            self.outputs.precharge = 0
            self.enter(NEGATIVE_TEST_ENDS)

    def _negative_test_ends(self):
        if self._aborts():
            return
        if self.t_ms >= self.build.release_ms:
            if not self.checks.positive_open():  # S1: never onto a main that was not proven open
                self._abort_for(46, 0)
                return
            self.start_mv = self.inputs.bus_mv
            self.ref_mv = self.start_mv
            self.outputs.negative = 1
            self.enter(POSITIVE_TEST)

    def _positive_test(self):
        if self._aborts():
            return
        bus = self.inputs.bus_mv
        if self._rose():
            # Through the resistor a tick can bring 40 % at the most; more than half came past it.
            self._abort_for(45 if bus - self.ref_mv > self.inputs.pack_mv // 2 else 47, bus)
            return
        self.ref_mv = bus
        if self.t_ms >= self.build.close_ms + self.build.rc_ms:
            self.reached = 0
            self.outputs.precharge = 1
            self.resistors.precharge_closes()
            self.enter(CHARGE_BUS)

    def _charge_bus(self):
        if self._aborts():
            return
        b = self.build
        t = self.t_ms - b.close_ms
        pack = self.inputs.pack_mv
        bus = self.inputs.bus_mv
        if bus * 20 >= pack:
            self.resistors.bus_rises()
        elif t >= b.flat_ms:
            self._flat(bus)
            return
        if self.resistors.energy_mj > 2 * self.resistors.one_mj(pack):
            self._flat(bus)
            return
        if not self.reached and bus >= pack // 1000 * b.fraction_permille:
            if self.t_ms + self.faults.dt < b.precharge_min_ms:
                self._abort_for(42, self.t_ms)
                return
            self.reached = 1
        elif not self.reached and t > b.precharge_max_ms:
            self._abort_for(41, bus)
            return
        if t > b.settle_max_ms:
            self._abort_for(41, bus)
        else:
            self._settle(bus, pack)

    def _flat(self, bus):
        self.flats += 1
        self.memory.flats = self.flats
        if self.flats >= _FLATS:
            self.faults.trip(79, self.flats)
        self._abort_for(40, bus)

    def _settle(self, bus, pack):
        # S2: at or above the fraction, and less than 1 % of pack more in the last half R*C. Time alone closes nothing.
        self.part_ms += self.faults.dt
        if self.part_ms < self.build.half_rc_ms:
            return
        rise = bus - self.ref_mv
        self.ref_mv = bus
        self.part_ms = 0
        if self.reached and bus >= pack // 1000 * self.build.fraction_permille and -pack // 100 < rise < pack // 100:
            self.flats = 0
            self.memory.flats = 0
            self.memory.prove_negative()
            self.memory.spend_positive()  # before the command: a cut in between must not leave a proof
            self.outputs.positive = 1
            self.enter(TAKE_OVER)

    def _take_over(self):
        if self._aborts():
            return
        if self.t_ms < self.build.close_ms:
            return
        if self.outputs.precharge:
            self.outputs.precharge = 0
            return
        if self.t_ms < self.build.close_ms + self.build.release_ms:
            return
        if self.build.feedback and self.electrics._reported() != 3:
            self._abort_for(49 if self.electrics._reported() & 1 else 48, self.inputs.bus_mv)
            return
        self.resistors.precharge_ends()
        self.solid = 0
        self.solid_ms = 0
        self.wind_cap = T.FULL
        self.wind_fault = 0
        self.fast = 0
        self.isolation.closing()
        self.isolation.watching = 0 if self.charge and not self.build.iso_while_plugged else 1
        self.enter(DRIVE)
        self.outputs.hv_loads_enable = 1  # the loads come on first: a main that did not close shows now

    # Live

    def _drive(self):
        w = self.faults.worst
        if w >= T.WIND:
            self._end(w)
            return
        if not self.switches.key:
            self._wind(0)
            return
        if not self.solid:
            self._hold()
        if self.charge:
            self._charging()
        if self.faults.slots_on[35] and not self.motion.moving:
            self.lost_ms += self.faults.dt
            if self.lost_ms >= _PACK_LOST_MS:
                self._wind(35)
        else:
            self.lost_ms = 0

    def _end(self, w):
        self.why_row = self.faults.worst_row
        if w == T.CUT:
            self._cut()
            self.why_row = self.faults.worst_row
        elif w == T.DOWN:
            self._down()
        else:
            self._wind(self.why_row)

    def _hold(self):
        # The bus must hold within 3 % of pack for a second before it counts; a bus that falls was never connected.
        e = self.electrics
        if not (e.pack_ok and e.bus_ok):
            return
        apart = self.inputs.pack_mv - self.inputs.bus_mv
        if apart * 100 > self.inputs.pack_mv * 3:
            self.solid_ms = 0
            self.part_ms += self.faults.dt
            if self.part_ms >= 100 and apart * 10 > self.inputs.pack_mv:
                self.faults.trip(48, self.inputs.bus_mv)
            return
        self.part_ms = 0
        self.solid_ms += self.faults.dt
        if self.charge:
            self.outputs.charger_enable = 1
        else:
            self.outputs.inverter_enable = 1
        if self.solid_ms >= _SOLID_MS:
            self.solid = 1

    def _charging(self):
        if not self.switches.plugged or self.faults.slots_on[19] or self.switches.word & S.CHARGED:
            self._wind(19 if self.faults.slots_on[19] else 0)
            return
        if self.electrics.pack_ok and self.inputs.pack_mv >= self.build.charge_end_mv:
            self.part_ms += self.faults.dt
            if self.part_ms >= _CHARGE_END_MS:
                self._wind(0)
        else:
            self.part_ms = 0

    def _wind(self, row):
        self.why_row = row
        self.wind_fault = 1 if row else 0
        self.fast = 1 if self.faults.worst == T.FAST else 0
        self.finish = 1 if self.charge or not self.motion.moving else 0
        o = self.outputs
        if self.charge:
            o.charger_enable = 0
        self.wind_cap = max(o.drive_limit_permille, o.charge_limit_permille)
        self.wind_acc = 0
        self.enter(WIND_DOWN)

    def _wind_down(self):
        w = self.faults.worst
        if w >= T.WIND:
            self.wind_fault = 1
            self.why_row = self.faults.worst_row
            if w == T.CUT or w == T.DOWN:
                self._end(w)
                return
            if w == T.FAST:
                self.fast = 1
        elif self.switches.key and self.switches.key_edge and not self.wind_fault and not self.finish:
            self.fresh_key = 0  # this key-on ends no fault: it is the same drive
            self.wind_cap = T.FULL
            self.enter(DRIVE)
            return
        if not self.motion.moving:
            self.finish = 1  # the first confirmed standing ends it
        if self.finish:
            self._ramp(_STANDING_RAMP_MS, 0)
            if self.wind_cap == 0:
                self._down()
        elif self.fast:
            self._ramp(self.build.ramp_fast_ms, 0)
        elif self.wind_cap > self.build.crawl_permille:
            self._ramp(self.build.ramp_ms, self.build.crawl_permille)
        else:
            self.part_ms += self.faults.dt
            if self.part_ms >= self.build.crawl_ms:
                self.wind_cap = 0
        # S4: moving and at zero, nothing opens; standing or the fallback of the motion monitor ends it.

    def _ramp(self, span_ms, floor):
        self.wind_acc += T.FULL * self.faults.dt
        step = self.wind_acc // span_ms
        self.wind_acc -= step * span_ms
        self.wind_cap = max(self.wind_cap - step, floor)

    # Opening

    def _down(self):
        o = self.outputs
        o.inverter_enable = 0
        o.charger_enable = 0
        o.hv_loads_enable = 0
        o.drive_limit_permille = 0
        o.charge_limit_permille = 0
        self.wind_cap = 0
        self.enter(WAIT_CURRENT)

    def _wait_current(self):
        i = self.inputs
        if i.current_state == S.OK and i.current_ma is not None:
            if not self.motion.current_low and self.t_ms < _CURRENT_WAIT_MS:
                return
            if not self.motion.current_low:
                self._under_load()
        elif self.t_ms < _CURRENT_BLIND_MS:
            return
        elif self.build.current_fitted:
            self._under_load()  # current unknown is noted, never taken for none (S10)
        self.outputs.positive = 0
        self.start_mv = i.pack_mv if self.electrics.pack_ok else 0
        self.enter(POSITIVE_OPENS)

    def _positive_opens(self):
        if self.t_ms < self.build.release_ms:
            return
        e = self.electrics
        if not e.bus_ok or not self.start_mv or not self.resistors.discharge_fits(self.inputs.bus_mv):
            self._negative_off()  # no conclusion: the pole stays unproven
            return
        self.ref_mv = self.inputs.bus_mv
        if self.build.discharge_kind != 2:
            self.outputs.discharge = 1  # S6: the one exception, a single budgeted pulse with one pole closed
        self.enter(PROOF_PULSE)

    def _proof_need(self):
        return max(_PROOF_MIN_MV, self.start_mv // 1000 * self.build.proof_fall_permille)

    def _proof_pulse(self):
        bus = self.inputs.bus_mv
        if not self.electrics.bus_ok:
            self._proof_done()
            return
        fell = self.start_mv - bus
        if self.build.discharge_kind == 2:
            if fell >= self._proof_need():
                self.memory.prove_positive()
            elif self.t_ms < self.build.proof_max_ms:
                return
            elif fell * 2 < self._proof_need():
                self._welded(45, bus)
            self._proof_done()
            return
        t = self.t_ms - self.build.close_ms
        if t < 0:
            self.ref_mv = bus
        elif self.part_ms == 0 and t * 2 >= self.build.proof_ms:
            self.part_ms = 1
            self.reached = bus  # half way
        elif t >= self.build.proof_ms:
            self._judge_proof(bus)
            self._proof_done()

    def _judge_proof(self, bus):
        # A free bus falls on at nearly the same pace; one fed past the precharge resistor levels off; one fed by the
        # positive main does not fall.
        first = self.ref_mv - self.reached
        second = self.reached - bus
        need = self._proof_need()
        if self.start_mv - bus < need // 2:
            self._welded(45, bus)
        elif second * 4 < first * 3 and self.start_mv - bus < 3 * need:
            self._welded(47, bus)
        elif self.start_mv - bus >= need:
            self.memory.prove_positive()

    def _welded(self, row, bus):
        self.why_row = row
        self.faults.trip(row, bus)

    def _proof_done(self):
        self.outputs.discharge = 0
        self.enter(PROOF_ENDS)

    def _proof_ends(self):
        if self.t_ms >= self.build.release_ms:
            self._negative_off()

    def _negative_off(self):
        self.outputs.negative = 0
        self.enter(NEGATIVE_OPENS)

    def _negative_opens(self):
        if self.t_ms >= self.build.release_ms:
            self._released()

    # Discharging

    def _all_open(self):
        if self.t_ms >= self.build.release_ms:
            self._released()

    def _released(self):
        self.isolation.opened()
        self.isolation.watching = 1
        self.restarts = 0
        self.enter(DISCHARGE)

    def _coasting(self):
        # A spinning motor may feed the bus: while it may, discharge waits and nothing is judged.
        if self.build.speed_fitted:
            return self.emergency and self.motion.moving
        return self.emergency and self.part_ms < self.build.coast_ms

    def _discharge(self):
        o = self.outputs
        e = self.electrics
        i = self.inputs
        if self.emergency and not self.build.speed_fitted:
            self.part_ms = min(self.part_ms + self.faults.dt, self.build.coast_ms)
        if self._powered() or self._coasting():
            o.discharge = 0  # S6
            self.t_ms = 0
            return
        self.emergency = 0
        if e.bus_ok and i.bus_mv < self.build.discharge_stop_mv:
            o.discharge = 0
            self.enter(CREEP)
        elif self.build.discharge_kind == 2:
            self._bleed()
        elif self.faults.slots_on[54] or self.faults.slots_on[55]:
            o.discharge = 0
            self._bleed()
        elif self.t_ms >= self.build.discharge_window_ms:
            o.discharge = 0
            self._overdue(e, i)
        else:
            o.discharge = 1 if self._may_discharge() else 0

    def _may_discharge(self):
        # S12: within the budget, its own switching-off included; an unreadable bus counts as a full one.
        r = self.resistors
        mv = self.inputs.bus_mv if self.electrics.bus_ok else self.build.pack_over_mv
        return r.discharge_room(mv) if self.outputs.discharge else r.discharge_fits(mv)

    def _overdue(self, e, i):
        if e.bus_ok and i.bus_mv >= self.build.dead_mv:
            self.faults.trip(54, i.bus_mv)
        elif e.bus_ok:
            self.enter(CREEP)  # dead, only not as low as the discharge would bring it
        else:
            self.t_ms = self.build.discharge_window_ms  # an unreadable bus stays "not dead": lamps lit, no start

    def _bleed(self):
        # Nothing of ours pulls the bus down any more: it must fall by its own bleed, or it is fed.
        e = self.electrics
        if e.bus_ok and self.inputs.bus_mv < self.build.dead_mv:
            self.enter(CREEP)

    def _creep(self):
        e = self.electrics
        if e.bus_ok and self.inputs.bus_mv >= self.build.dead_mv:
            self.restarts += 1
            if self.restarts >= 2 and not self.faults.slots_on[55]:
                self.faults.trip(55, self.inputs.bus_mv)
            self.enter(DISCHARGE)
        elif self.t_ms >= self.build.creep_ms:
            self.enter(PROVE_DEAD)

    def _prove_dead(self):
        # Proven dead: below the dead level throughout 10 s, discharge off, all commands off, standing.
        e = self.electrics
        if e.bus_ok and self.inputs.bus_mv >= self.build.dead_mv:
            self.enter(CREEP)
        elif e.dead_ms >= _PROVEN_MS and not (self.motion.fitted and self.motion.moving):
            self.memory.mark_dead(self.resistors.precharge_mj, self.resistors.discharge_mj)
            self.emergency = 0
            self.enter(IDLE)

    def proven_dead(self):
        """1 while the bus counts as proven dead: for clearing locks and for service."""
        return self.stage <= READY and self.electrics.dead_ms >= _PROVEN_MS
