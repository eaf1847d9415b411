"""The phases: off, checking, precharging, live, winding down, opening, discharging, locked out; one method a stage.

Decides when which contactor is commanded, and nothing else does. Every stage is left by enter(), so the ways through
can be read here from top to bottom. Limits and lamps follow from the phase; they are decided elsewhere.
"""

from loopwarden import signals as S
from loopwarden.policy import fault_table as T
from loopwarden.policy import start_checks as C
from loopwarden.policy.part import Part

NAMES = ("off", "checking", "precharging", "live", "winding down", "opening", "discharging", "locked out")
OFF, CHECKING, PRECHARGING, LIVE, WINDING, OPENING, DISCHARGING, LOCKED = range(8)

# Stages in the order of a drive, and the phase that each belongs to. NEGATIVE_TEST: precharge alone, a rise means the
# negative main is welded. POSITIVE_TEST: negative alone, a rise means precharge or positive is welded. TAKE_OVER:
# positive closes onto the charged bus. ALL_OPEN: aborted or cut, every release time runs off.
IDLE, READY, MARK, NEGATIVE_TEST, NEGATIVE_TEST_ENDS, POSITIVE_TEST, CHARGE_BUS, TAKE_OVER, DRIVE, WIND_DOWN = range(10)
WAIT_CURRENT, POSITIVE_OPENS, PROOF_PULSE, PROOF_ENDS, NEGATIVE_OPENS = range(10, 15)
ALL_OPEN, DISCHARGE, CREEP, PROVE_DEAD = range(15, 19)
_PHASE_OF = bytes((0, 1, 2, 2, 2, 2, 2, 2, 3, 4, 5, 5, 5, 5, 5, 6, 6, 6, 6))

_ROW_OF_REFUSAL = (46, 43, 56)  # from PROOF on
_LAMP_TEST_MS, _MARK_MS, _FLATS = 2000, 1000, 3
_SOLID_MS, _SOLID_MAX_MS, _FALLS_MS = 1000, 10000, 100  # past the longest, pack and bus disagree
_PACK_LOST_MS, _CHARGE_END_MS, _STANDING_RAMP_MS = 10000, 2000, 500
_CURRENT_WAIT_MS, _CURRENT_BLIND_MS = 2000, 500  # blind: a fixed wait where no current reading tells
_PROOF_MIN_MV, _PROVEN_MS = 10000, 10000


class Phases(Part):
    """Attributes: stage, phase, t_ms in the stage, charge (1 for a charge), refused (start_checks), solid (bus holds).

    wind_cap: permille while winding down. why_row: the row that ended or prevented live, 0 for none. emergency: a
    spinning motor may feed the bus. fresh_key: a key-on not yet used for ending faults. hold_ms: how long the board has
    waited to let its own supply go; after_run, set by cooling: it still must not.
    """

    uses = ("checks", "electrics", "isolation", "memory", "motion", "resistors", "switches")

    def __init__(self, build, faults):
        self.stage = self.phase = self.t_ms = self.wait_ms = self.part_ms = self.charge = self.calm = 0
        self.solid = self.solid_ms = self.full_ms = self.lost_ms = self.hold_ms = self.restarts = self.reached = 0
        self.wind_cap = self.wind_acc = self.finish = self.why_row = self.emergency = self.refused_ms = self.doubt = 0
        self.start_mv = self.ref_mv = self.half_mv = self.half_ms = self.after_run = 0
        self.refused = C.LAMP_TEST
        self.fresh_key = 1  # power-up is a key-on
        up = (self._idle, self._ready, self._mark, self._test, self._test_ends, self._test, self._charge_bus)
        live = (self._take_over, self._drive, self._wind_down, self._wait_current, self._positive_opens)
        down = (self._proof_pulse, self._negative_off, self._released, self._released)
        self.stages = up + live + down + (self._discharge, self._creep, self._prove_dead)

    def start(self):
        """Power-up: a mark "live" means restarted while live, whatever the reset cause."""
        self.emergency = self.memory.mark  # as after an emergency
        if self.emergency:
            self.faults.trip(70)
            self.enter(ALL_OPEN, self.build.release_ms)

    def enter(self, stage, wait_ms=0):
        """Go to a stage; its time starts at 0 and its method is first called after wait_ms."""
        self.stage = stage
        self.phase = LOCKED if stage <= READY and self.faults.locks else _PHASE_OF[stage]
        self.t_ms = self.part_ms = 0
        self.wait_ms = wait_ms
        self.electrics.closing = 1 if NEGATIVE_TEST <= stage <= TAKE_OVER or POSITIVE_OPENS <= stage <= ALL_OPEN else 0
        self.electrics.live = 1 if DRIVE <= stage <= WAIT_CURRENT else 0
        self.electrics.calm = self.calm = 0
        self.switches.driving = 1 if MARK <= stage <= WAIT_CURRENT and not self.charge else 0
        self.switches.busy = 1

    def step(self, dt):
        """One tick of the stage. A calm live tick has nothing to decide: nothing that it reads changed."""
        self.t_ms += dt
        s = self.switches
        f = self.faults
        live = LIVE <= self.phase <= WINDING
        column = 1 + self.motion.moving if live else 0  # of the fault table: off, standing, moving
        if f.changed or column != f.column:
            f.judge(column)
        elif self.calm and s.key and not s.cut:
            return
        if s.key:
            self.fresh_key |= s.edges & S.KEY
            self.outputs.hold = self.build.hold_fitted
        if live and f.worst >= T.WIND and (f.worst >= T.DOWN or self.stage == DRIVE):
            self._end(f.worst, f.worst_row)
        elif (self.phase != PRECHARGING or not self._aborts()) and self.t_ms >= self.wait_ms:
            self.stages[self.stage]()

    def _end(self, worst, row):
        if worst == T.CUT:
            self.cut()
        elif worst == T.DOWN:
            self._down()
        else:
            self._wind(row)
        self.why_row = row

    def cut(self):
        """Everything off at once (S3); whether the current was above the break current is worth a note."""
        self._under_load()
        self.why_row, self.emergency = 0, 1
        self.electrics.dead_ms = 0  # S5: after a cut the bus is proven dead anew
        self._abort()

    def _under_load(self):
        now = self.inputs.current_ma
        known = self.inputs.current_state == S.OK and now is not None
        loaded = abs(now) > self.build.break_ma if known else self.build.current_fitted or self.outputs.inverter_enable
        if loaded and self.phase >= LIVE:
            n = self.memory.count_under_load()
            self.faults.drop(57)
            self.faults.trip(57, n)
            if n >= self.build.inspect_after:
                self.faults.trip(80, n)

    def supply(self, dt):
        """One slow turn: the board lets its own supply go only proven dead and idle, or after the longest wait."""
        waits = not self.switches.key and (self.phase == OFF or self.phase >= DISCHARGING)
        self.hold_ms = min(self.hold_ms + dt, self.build.hold_max_ms) if waits else 0
        # Marked: noted in this tick, and not yet taken over by the memory (S8).
        done = self.proven_dead() and not (self.after_run or self.faults.marked) and self.memory.idle()
        done = waits and (done or self.hold_ms >= self.build.hold_max_ms)
        self.outputs.hold = 0 if done else self.build.hold_fitted

    # Off and checking

    def _idle(self):
        self._bus_off()
        if self.switches.key:
            self.enter(READY)

    def _ready(self):
        self._bus_off()
        s = self.switches
        if self.fresh_key:
            self.fresh_key = self.faults.key_on()
        self.charge = s.charging = s.plugged
        self.isolation.watching = self.build.iso_while_plugged if self.charge else 1
        if not s.key:
            self.enter(IDLE)
        elif s.edges & S.START and self.t_ms >= _LAMP_TEST_MS:
            if not self._refuses():  # S1: at the moment of the fresh edge
                self.emergency = self.fresh_key = 0
                self.enter(MARK)
        elif self.t_ms < _LAMP_TEST_MS or self.refused == C.LAMP_TEST:
            self.refused = C.LAMP_TEST if self.t_ms < _LAMP_TEST_MS else C.FINE

    def _refuses(self):
        # S1: every check, on this tick's readings.
        self.refused = self.checks.refusal(self.charge)
        self.refused_ms = self.faults.clock_ms
        if C.PROOF <= self.refused <= C.DISCHARGE_HOT:
            self.faults.trip(_ROW_OF_REFUSAL[self.refused - C.PROOF])
        return self.refused

    def _bus_off(self):
        # All contactors open: a bus that is up must fall as its slowest path allows; one that does not is fed.
        self.phase = LOCKED if self.faults.locks else _PHASE_OF[self.stage]
        e = self.electrics
        bus = self.inputs.bus_mv
        if e.dead_ms or not e.bus_ok or self.motion.pulses:
            self.part_ms = 0
            if self.faults.places[33]:
                self.faults.drop(33)
        elif self.part_ms == 0:
            self.ref_mv = bus
            self.part_ms = 1
            if not self.outputs.hold:
                self.supply(0)  # no longer dead: the supply is held again at once
        else:
            self.part_ms += self.faults.dt
            if bus - self.ref_mv > 3 * self.build.noise_mv + self.ref_mv // 50:
                self.faults.trip(34, bus)
            elif self.part_ms >= self.build.fall_check_ms:
                fed = self.ref_mv - bus < self.ref_mv // 1000 * self.build.fall_permille
                self.faults.trip(34 if fed else 33, bus)
                self.part_ms = 0

    # Precharging

    def _aborts(self):
        # In precharging a refusal is an abort; a key-off and a vehicle that rolls abort as well.
        e = self.electrics
        s = self.switches
        if self.faults.worst >= T.REFUSE:
            self.why_row = self.faults.worst_row
        elif self.stage == TAKE_OVER:
            return 0  # both mains are closed or about to be: live ends what comes now, and proves the pole
        elif not (e.pack_ok and e.bus_ok):
            return self._abort(36 if e.pack_ok else 35)  # S8
        elif s.key and not self.motion.pulses and self.motion.quiet() and s.plugged >= self.charge:
            return self.stage == MARK and self._refuses() and self._abort()  # S1: the mark has taken its time
        return self._abort()

    def _abort(self, row=0, measured=0):
        if row:
            self.why_row = row
            self.faults.trip(row, measured)
        self.emergency |= self.motion.pulses
        self.resistors.precharge_ends()
        self.outputs.off()
        self.enter(ALL_OPEN, self.build.release_ms)
        return 1

    def _mark(self):
        if self.t_ms == self.faults.dt:
            # S12: what a start and an emergency discharge can cost is on record before the first contactor closes.
            b, r = self.build, self.resistors
            self.memory.mark_live(r.precharge_mj + b.precharge_start_mj, r.discharge_mj + b.discharge_emergency_mj)
            self.faults.drop(43)
            self.faults.drop(56)
            self.motion.seen = self.motion.granted = 0  # proof of motion starts anew
            self.isolation.settled = self.isolation.closed_ms = 0  # what was read before is history
        if self.memory.mark:
            self.start_mv = self.inputs.bus_mv
            self._precharge(NEGATIVE_TEST)
        elif self.t_ms >= _MARK_MS:
            self._abort(73)

    def _precharge(self, stage):
        self.outputs.precharge = 1
        self.resistors.precharge_closes()
        self.enter(stage)

    def _test(self):
        # One contactor alone: a bus that rises by a tenth of pack is fed past the one that is open.
        bus = self.inputs.bus_mv
        alone = self.outputs.precharge  # else the negative main
        if bus - self.start_mv >= self.inputs.pack_mv // 10:
            # Through the resistor a tick can bring 40 % at the most; more than half came past it.
            self._abort(44 if alone else 45 if bus - self.ref_mv > self.inputs.pack_mv // 2 else 47, bus)
        elif self.t_ms >= self.build.close_ms + self.build.rc_ms:
            if alone:
                self.outputs.precharge = 0
                self.enter(NEGATIVE_TEST_ENDS, self.build.release_ms)
            elif self.build.feedback and not self.switches.reported & 2:
                self._abort(49, bus)
            else:
                self.reached = 0
                self._precharge(CHARGE_BUS)
        self.ref_mv = bus

    def _test_ends(self):
        if not (self.electrics.dead_ms and self.checks.positive_open()):  # S1: a live bus, or a main not proven open
            rose = self.inputs.bus_mv - self.start_mv >= self.inputs.pack_mv // 10
            self._abort(46 if self.electrics.dead_ms else 44 if rose else 0, self.inputs.bus_mv)
        else:
            self.start_mv = self.ref_mv = self.inputs.bus_mv
            self.outputs.negative = 1
            self.enter(POSITIVE_TEST)

    def _charge_bus(self):
        b = self.build
        t = self.t_ms - b.close_ms
        pack = self.inputs.pack_mv
        bus = self.inputs.bus_mv
        if bus * 20 >= pack:
            self.resistors.doubt_mj = 0  # the bus rises as a sound one does: what was in doubt did not flow
        if (bus * 20 < pack and t >= b.flat_ms) or self.resistors.energy_mj > 2 * self.resistors.one_mj(pack):
            self.memory.flats += 1
            if self.memory.flats >= _FLATS:
                self.faults.trip(79, self.memory.flats)
            self.doubt, self.electrics.dead_ms = 1, 0
            self._abort(40, bus)
            return
        pack = (pack + 999) // 1000 * b.fraction_permille
        self.reached |= bus >= pack
        self.part_ms += self.faults.dt
        if bus >= pack and self.t_ms + self.faults.dt < b.precharge_min_ms:
            self._abort(42, self.t_ms)
        elif t > (b.settle_max_ms if self.reached else b.precharge_max_ms):
            self._abort(41, bus)
        elif self.part_ms >= b.half_rc_ms:
            self._settle(bus, pack)

    def _settle(self, bus, fraction_mv):
        # S2: at or above the fraction, and less than 1 % of pack more in the last half R*C. Time alone closes nothing.
        rise = bus - self.ref_mv
        self.ref_mv = bus
        self.part_ms = 0
        if bus >= fraction_mv and abs(rise) * 100 < self.inputs.pack_mv:
            self.memory.flats = 0
            self.memory.prove_negative()
            self.memory.spend_positive()  # before the command: a cut in between must not leave a proof
            self.outputs.positive = 1
            self.enter(TAKE_OVER, self.build.close_ms)

    def _take_over(self):
        if self.outputs.precharge:
            self.outputs.precharge = 0
            self.wait_ms += self.build.release_ms
            return
        if self.build.feedback and self.switches.reported != 3:
            self._abort(49 if self.switches.reported & 1 else 48, self.inputs.bus_mv)
            return
        self.resistors.precharge_ends()
        self.solid = self.solid_ms = self.full_ms = self.lost_ms = 0
        self.isolation.settled, self.isolation.closed_ms = 0, -1  # its next turn began before
        self.enter(DRIVE)

    # Live

    def _drive(self):
        e = self.electrics
        lost = self.faults.places[35]
        # Unless one of the following ends it; not in the first tick, in which the winding down still limits.
        self.calm = self.solid and not self.charge and not lost and self.wind_cap == T.FULL
        self.wind_cap = T.FULL
        self.outputs.hv_loads_enable = 1  # the loads come on first: a main that did not close shows now
        self.lost_ms = self.lost_ms + self.faults.dt if lost and not self.motion.moving else 0
        if not self.solid and e.pack_ok and e.bus_ok:
            self._hold(self.inputs.pack_mv, self.inputs.bus_mv)
        if not self.switches.key:
            self._wind(0)
        elif self.lost_ms >= _PACK_LOST_MS:
            self._wind(35)
        elif self.charge:
            self._charging()

    def _hold(self, pack, bus):
        # The bus must hold within 3 % of pack for a second before it counts; a bus that falls was never connected.
        near = (pack - bus) * 100 <= pack * 3
        self.part_ms = self.part_ms + self.faults.dt if (pack - bus) * 10 > pack else 0
        self.solid_ms = self.solid_ms + self.faults.dt if near else 0
        self.solid = 1 if self.solid_ms >= _SOLID_MS else 0
        if near:
            self.outputs.charger_enable = self.charge
            self.outputs.inverter_enable = 1 - self.charge
        elif self.part_ms >= _FALLS_MS:
            self.faults.trip(48, bus)
        elif self.t_ms >= _SOLID_MAX_MS:
            self.faults.trip(37, bus)

    def _charging(self):
        s = self.switches
        full = self.solid and self.electrics.pack_ok and self.inputs.pack_mv >= self.build.charge_end_mv
        self.full_ms = self.full_ms + self.faults.dt if full else 0
        cold = self.faults.places[19]
        if cold or not s.plugged or s.word & S.CHARGED or self.motion.pulses or self.full_ms >= _CHARGE_END_MS:
            self._wind(19 if cold else 0)

    def _wind(self, row):
        o = self.outputs
        self.why_row, self.finish = row, self.charge
        self.wind_cap = o.drive_limit_permille or o.charge_limit_permille
        o.charger_enable = self.wind_acc = 0
        self.enter(WIND_DOWN)

    def _wind_down(self):
        worst = self.faults.worst
        if worst >= T.WIND:
            self.why_row = self.faults.worst_row
        elif self.switches.edges & S.KEY and not self.why_row and not self.finish:
            self.fresh_key = 0  # this key-on ends no fault: it is the same drive
            self.enter(DRIVE)
            return
        self.finish |= not self.motion.moving  # the first confirmed standing ends it
        b = self.build
        fast = self.finish or worst == T.FAST  # no row that asks for it ends before the next key-on
        if fast or self.wind_cap > b.crawl_permille:
            span_ms = _STANDING_RAMP_MS if self.finish else b.ramp_fast_ms if fast else b.ramp_ms
            self.wind_acc += T.FULL * self.faults.dt
            step = self.wind_acc // span_ms
            self.wind_acc -= step * span_ms
            self.wind_cap = max(self.wind_cap - step, 0 if fast else b.crawl_permille)
        else:
            self.part_ms += self.faults.dt
            if self.part_ms >= b.crawl_ms:
                self.wind_cap = 0
        if self.wind_cap == 0:
            self.outputs.hv_loads_enable = 0  # or their current would pass for the drive's, and nothing ever stands
            if self.finish:
                self._down()
        # S4: moving and at zero, nothing opens; standing or the fallback of the motion monitor ends it.

    # Opening

    def _down(self):
        o = self.outputs
        o.inverter_enable = o.charger_enable = o.hv_loads_enable = 0  # and both limits, in limits.py
        self.enter(WAIT_CURRENT)

    def _wait_current(self):
        low = self.electrics.low
        if low == 1 or self.t_ms >= (_CURRENT_WAIT_MS if low >= 0 else _CURRENT_BLIND_MS):
            if low != 1 and self.build.current_fitted:
                self._under_load()  # current unknown is noted, never taken for none (S10)
            self.outputs.positive = 0
            self.start_mv = self.inputs.bus_mv if self.electrics.bus_ok else 0
            self.enter(POSITIVE_OPENS, self.build.release_ms)

    def _positive_opens(self):
        self.half_ms = 0 if self.build.discharge_kind == 2 else -1  # -1: not there yet; a bleed has no halves
        if self.electrics.bus_ok and self.start_mv and self._may_discharge(self.inputs.bus_mv):
            # S6: the one exception, a single budgeted pulse with one pole closed; a bleed is only watched.
            self.outputs.discharge = 0 if self.build.discharge_kind == 2 else 1
            self.enter(PROOF_PULSE)
        else:
            self._negative_off()  # no conclusion: the pole stays unproven

    def _proof_pulse(self):
        t = self.t_ms - self.build.close_ms
        bus = self.inputs.bus_mv if self.electrics.bus_ok else 0
        fell = self.start_mv - bus
        need = max(_PROOF_MIN_MV, self.start_mv // 1000 * self.build.proof_fall_permille)
        if not self.electrics.bus_ok or (t >= self.build.proof_ms and self.half_ms < 0):
            self._proof_done()  # no conclusion: there is no reading, or the tick came too late for two halves
        elif self.build.discharge_kind == 2:
            if fell >= need or self.t_ms >= self.build.proof_max_ms:
                self._judge_proof(fell, need, bus, 0)
        elif t >= self.build.proof_ms:
            self._judge_proof(fell, need, bus, t)
        elif t >= 0 and self.part_ms == 0:
            self.part_ms = t + 1  # the discharge contact is surely closed: from here two halves are compared
            self.ref_mv = bus
        elif t * 2 >= self.build.proof_ms and self.half_ms < 0:
            self.half_ms = t
            self.half_mv = bus

    def _judge_proof(self, fell, need, bus, t):
        # A free bus falls on at nearly the same pace; one fed past the precharge resistor levels off, its second half
        # falls at less than three quarters of the first half's pace; one fed by the positive main does not fall. What
        # is neither stays unproven.
        first = (self.ref_mv - self.half_mv) // (self.half_ms - self.part_ms + 1)
        if fell * 2 < need:
            self.faults.trip(45, bus)
        elif t and fell < 3 * need and (self.half_mv - bus) // (t - self.half_ms) * 4 < first * 3:
            self.faults.trip(47, bus)
        elif fell >= need:
            self.memory.prove_positive()
        self._proof_done()

    def _proof_done(self):
        self.outputs.discharge = 0
        self.enter(PROOF_ENDS, self.build.release_ms)

    def _negative_off(self):
        self.outputs.negative = 0
        self.enter(NEGATIVE_OPENS, self.build.release_ms)

    # Discharging

    def _released(self):
        self.isolation.settled = self.isolation.watching = 1
        self.restarts = 0
        # A spinning motor may feed the bus: while it may, discharge waits and nothing is judged.
        self.enter(DISCHARGE, self.build.coast_ms if self.emergency and not self.motion.fitted else 0)

    def _discharge(self):
        o = self.outputs
        self.emergency |= self.motion.pulses  # rolled by hand: the motor may feed the bus
        if self.emergency and self.motion.fitted and self.motion.moving:
            o.discharge = 0  # S6
            self.t_ms = 0
            return
        self.emergency = 0
        f = self.faults
        bleed = self.build.discharge_kind == 2
        failed = f.places[54] or f.places[55]
        late = failed or self.t_ms - self.wait_ms >= self.build.discharge_window_ms
        # One that cannot be read counts as a full one, and stays "not dead": lamps lit, no start (S5, S10). So does one
        # that did not rise: a high-voltage tap that came off reads as 0 V. It is discharged by time, then.
        self.doubt &= not late
        if self.doubt:
            self.electrics.dead_ms = 0
        bus = self.inputs.bus_mv if self.electrics.bus_ok and not self.doubt else self.build.pack_over_mv
        o.discharge = 0 if late or bleed or not self._may_discharge(bus) else 1
        if bus < (self.build.dead_mv if late or bleed else self.build.discharge_stop_mv):
            o.discharge = 0
            self.enter(CREEP)
        elif late and not failed and self.electrics.bus_ok:
            f.trip(54, bus)

    def _may_discharge(self, mv):
        # S12: within the budget; of a discharge that is on, what flows until it is off again.
        r = self.resistors
        return r.discharge_fits(r.ending_mj(mv) if self.outputs.discharge else r.one_mj(mv))

    def _live_again(self):
        # Above the dead level by more than the channel's error: noise on a bus that just fell below it is no return.
        return self.electrics.bus_ok and self.inputs.bus_mv >= self.build.dead_mv + self.build.noise_mv

    def _creep(self):
        if self._live_again():
            self.restarts += 0 if self.motion.pulses else 1
            if self.restarts >= 2:
                self.faults.trip(55, self.inputs.bus_mv)
            self.enter(DISCHARGE)
        elif self.t_ms >= self.build.creep_ms:
            self.enter(PROVE_DEAD)

    def _prove_dead(self):
        # Proven dead: below the dead level throughout 10 s, discharge off, all commands off, standing.
        if self._live_again():
            self.enter(CREEP)
        elif self.t_ms >= 2 * _PROVEN_MS and self.electrics.dead_ms == 0 and self.electrics.bus_ok:
            self.enter(DISCHARGE)  # it hangs at the dead level: bring it down further
        elif self.electrics.dead_ms >= _PROVEN_MS and not (self.motion.fitted and self.motion.moving):
            self.memory.mark_dead(self.resistors.precharge_mj, self.resistors.discharge_mj)
            self.emergency = 0
            self.enter(IDLE)

    def proven_dead(self):
        """1 while the bus counts as proven dead: for clearing locks and for service."""
        return self.stage <= READY and self.electrics.dead_ms >= _PROVEN_MS
