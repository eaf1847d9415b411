"""What the texts may name in braces: readings, values of the build, set times; one method each, written to one page.

Decides nothing. A reading that is not valid is said to be missing, and no number stands in its place (S10).
"""

from loopwarden import signals as S
from loopwarden.memory import codes as K
from loopwarden.naming import NO_READING, STATES, ZONE_ROWS, put_places

_OPEN_CLOSED = (b"open", b"closed")
_T_MS, _PHASE, _BUS, _PACK, _CURRENT, _ISOLATION, _HOTTEST, _COLDEST, _SPEED = range(9)  # in codes.FRAME


def fall_ms(value, goal, tau_ms):
    """At most how many ms a value takes to fall to `goal` by exp(-t/tau); None where that takes for ever.

    value, goal  int of one unit, goal 17 or more; tau_ms int, the time constant
    Falls by 1/17 in each tau/16: exp(-1/16) is less than 16/17, so the answer is never too short.
    """
    if goal < 17:
        return None
    steps = 0
    while value > goal:
        value -= value // 17
        steps += 1
    return steps * (tau_ms // 16 + 1)


def _cooling(heat_mj, need_mj, budget_mj, cool_s):
    """How long until there is room, in ms: 0 now, -1 never; an upper bound, a second of the model's step included."""
    if heat_mj + need_mj <= budget_mj:
        return 0
    ms = fall_ms(heat_mj, budget_mj - need_mj, cool_s * 1000)
    return -1 if ms is None else ms + 1000


class Readings:
    """`put(name)` writes to `w` what stands for a name. `frame`, from place `at` on: the readings of one tick."""

    def __init__(self, w):
        self.w = w
        self.now = K.new_record(0)
        self.frame, self.at = self.now, K.FIRST
        self.s = None
        self.row = 0

    def of(self, supervisor, row):
        """Take the readings of the tick that ended last."""
        self.s = supervisor
        self.row = row
        K.write_frame(self.now, K.FIRST, supervisor, row)
        self.frame, self.at = self.now, K.FIRST

    def put(self, name):
        if name.startswith("at_"):
            self._measured(name)
            return
        read = getattr(self, name, None)
        if read:
            read()
        else:
            self.w.quantity(name, getattr(self.s.build, name))

    def _known(self, place):
        value = self.frame[self.at + place]
        if value == K.NOTHING:
            self.w.put(NO_READING)
        return value != K.NOTHING

    def bus(self):
        if self._known(_BUS):
            self.w.mv(self.frame[self.at + _BUS])

    def pack(self):
        if self._known(_PACK):
            self.w.mv(self.frame[self.at + _PACK])

    def current(self):
        if not self.s.build.current_fitted:
            self.w.put(b"not fitted")
        elif self._known(_CURRENT):
            self.w.ma(self.frame[self.at + _CURRENT])

    def hottest(self):
        if self._known(_HOTTEST):
            self.w.dc(self.frame[self.at + _HOTTEST])

    def coldest(self):
        if self._known(_COLDEST):
            self.w.dc(self.frame[self.at + _COLDEST])

    def spread(self):
        if self._known(_HOTTEST):
            self._kelvin(self.frame[self.at + _HOTTEST] - self.frame[self.at + _COLDEST])

    def _kelvin(self, dc):
        self.w.fixed(dc, 1, 1)
        self.w.put(b" K")

    def speed(self):
        if not self.s.build.speed_fitted:
            self.w.put(b"not fitted")
        elif self._known(_SPEED):
            self.w.mm_s(self.frame[self.at + _SPEED])
        else:  # no pulses: it stands, or the wire is cut, and nothing here tells the two apart (S10)
            self._because(self.s.inputs.speed_state)

    def isolation(self):
        if self._known(_ISOLATION):
            self._per_volt(self.frame[self.at + _ISOLATION])
            self.w.put(b", the worse pole)" if self.s.build.iso_measures else b", both poles in parallel)")
        else:
            self._because(self.s.inputs.isolation_state)

    def _because(self, state):
        # States are those of this tick; a frame from another one says nothing about why.
        if state and self.frame is self.now:
            self.w.put(b" (")
            self.w.put(STATES[state])
            self.w.put(b")")

    def supply(self):
        i = self.s.inputs
        self._live(i.supply_mv, i.supply_state)

    def reference(self):
        i = self.s.inputs
        if self.s.build.reference_fitted:
            self._live(i.reference_mv, i.reference_state)
        else:
            self.w.put(b"not fitted")

    def _live(self, mv, state):
        if mv is None or state != S.OK:
            self.w.put(NO_READING)
        else:
            self.w.mv(mv)

    def inverter(self):
        self._drive(1, self.s.thermal.inverter_dc)

    def motor(self):
        self._drive(2, self.s.thermal.motor_dc)

    def _drive(self, where, dc):
        z = mask = 0
        for kind in self.s.build.zone_where:
            if kind == where:
                mask |= 1 << z
            z += 1
        if not mask:
            self.w.put(b"not fitted")
        elif self.s.thermal.valid & mask and dc > -10000:
            self.w.dc(dc)
        else:
            self.w.put(NO_READING)

    def zones(self):
        # The zones of the row; without any, those that cannot be read.
        mask = self.s.faults.places[self.row] if self.row in ZONE_ROWS else 0
        if not mask:
            mask = ~self.s.thermal.valid
        more = False
        for z in range(len(self.s.build.zone_where)):
            if mask >> z & 1:
                if more:
                    self.w.put(b", ")
                more = True
                self.w.put(b"zone ")
                self.w.int(z + 1)
                self.w.put(b" ")
                self.zone(z)
        if not more:
            self.w.put(b"every zone has a valid reading")

    def zone(self, z):
        i = self.s.inputs
        if i.zone_state[z] == S.OK and i.zone_dc[z] is not None:
            self.w.dc(i.zone_dc[z])
        else:
            self.w.put(NO_READING)
            self._because(i.zone_state[z])

    def loops(self):
        mask = self.s.switches.open
        if mask:
            put_places(self.w, 1, mask)
            self.w.put(b" read open" if mask & (mask - 1) else b" reads open")
        else:
            self.w.put(b"all loops read closed")

    def shorts(self):
        i = self.s.inputs
        if i.loop_low:
            put_places(self.w, 1, i.loop_low)
            self.w.put(b" shorted to ground")
        if i.loop_low and i.loop_high:
            self.w.put(b", ")
        if i.loop_high:
            put_places(self.w, 1, i.loop_high)
            self.w.put(b" shorted to supply")
        if not i.loop_low and not i.loop_high:
            self.w.put(b"no loop reads shorted now")

    def _input(self, bit, there, gone):
        known = self.s.inputs.known
        if known is None or not known & bit:
            self.w.put(b"cannot be read")
        else:
            self.w.put(there if self.s.switches.word & bit else gone)

    def stop(self):
        self._input(S.STOP, b"active", b"quiet")

    def crash(self):
        self._fitted(self.s.build.crash_fitted, S.CRASH, b"active", b"quiet")

    def plug(self):
        self._fitted(self.s.build.plug_fitted, S.PLUG, b"in", b"out")

    def _fitted(self, fitted, bit, there, gone):
        if fitted:
            self._input(bit, there, gone)
        else:
            self.w.put(b"not fitted")

    def coolant(self):
        self._input(S.COOLANT, b"moving", b"still")

    def coil(self):
        self._input(S.COIL_FAULT, b"differs from the command", b"as commanded")

    def lamp(self):
        self._input(S.LAMP_FAULT, b"differs from the command", b"as commanded")

    def service(self):
        self._input(S.SERVICE, b"high (SERVICE or TEST)", b"low (RUN)")

    def start(self):
        self._input(S.START, b"pressed", b"not pressed")

    def contacts(self):
        o = self.s.outputs
        if not self.s.build.feedback:
            self.w.put(b"no feedback contacts")
            return
        self._contact(b"positive", o.positive, S.AUX_POSITIVE)
        self.w.put(b"; ")
        self._contact(b"negative", o.negative, S.AUX_NEGATIVE)

    def _contact(self, name, command, bit):
        self.w.put(name)
        self.w.put(b" main commanded ")
        self.w.put(_OPEN_CLOSED[command])
        self.w.put(b", reported ")
        self._input(bit, b"closed", b"open")

    def memory(self):
        m = self.s.memory
        begin = self.w.tell()
        self._bad(begin, not m.ready, b"not ready")
        self._bad(begin, m.failed, b"a write or read-back failed")
        self._bad(begin, m.new, b"new")
        self._bad(begin, m.nearly_full, b"nearly full")
        self._bad(begin, m.damaged, b"a record is damaged")
        if self.w.tell() == begin:
            self.w.put(b"sound")

    def _bad(self, begin, bad, word):
        if bad:
            if self.w.tell() > begin:
                self.w.put(b", ")
            self.w.put(word)

    def heap(self):
        self.w.int(self.s.inputs.heap_free // 1024)
        self.w.put(b" KB")

    def precharge_heat(self):
        self.w.mj(self.s.resistors.precharge_mj)

    def discharge_heat(self):
        self.w.mj(self.s.resistors.discharge_mj)

    def precharge_need(self):
        self.w.mj(self.s.build.precharge_start_mj)

    def discharge_need(self):
        self.w.mj(self.s.build.discharge_emergency_mj)

    def start_wait(self):
        # Both resistors must have room: told is the longer wait, or a driver who waited would be refused again.
        b = self.s.build
        r = self.s.resistors
        one = _cooling(r.precharge_mj, b.precharge_start_mj, b.precharge_budget_mj, b.precharge_cool_s)
        other = 0
        if b.discharge_kind == 0:
            other = _cooling(r.discharge_mj, b.discharge_emergency_mj, b.discharge_budget_mj, b.discharge_cool_s)
        if one < 0 or other < 0:
            self.w.put(b"it never fits")
        elif one or other:
            self._at_most(max(one, other))
        else:
            self.w.put(b"it fits now")

    def _at_most(self, ms):
        self.w.put(b"at most ")
        self.w.ms(ms)
        self.w.put(b" more")

    def bus_wait(self):
        mv = self.frame[self.at + _BUS]
        b = self.s.build
        ms = None if mv == K.NOTHING else fall_ms(mv, b.dead_mv, b.bleed_tau_ms // 2 * 3)
        if ms is None:
            self.w.put(b"nobody knows for how long")
        else:
            self._at_most(ms)

    def quiet_ms(self):
        self.w.ms(self.s.motion.quiet_ms)

    def closed_ms(self):
        self.w.ms(max(self.s.isolation.closed_ms, 0))

    def solid_ms(self):
        self.w.ms(self.s.phases.solid_ms)

    def stage_ms(self):
        self.w.ms(self.s.phases.t_ms)

    def dead_ms(self):
        self.w.ms(self.s.electrics.dead_ms)

    def wind_permille(self):
        self.w.permille(self.s.phases.wind_cap)

    def set_ms(self):
        self.w.ms(self.s.faults.set_ms[self.row])

    def pack_spread_dc(self):
        self._kelvin(self.s.build.pack_spread_dc)

    def iso_warn_ohm(self):
        self._limit(self.s.build.iso_warn_ohm)

    def iso_warn_clear_ohm(self):
        self._limit(self.s.build.iso_warn_clear_ohm)

    def iso_fault_ohm(self):
        self._limit(self.s.build.iso_fault_ohm)

    def _limit(self, ohm):
        if ohm:
            self._per_volt(ohm)
            self.w.put(b")")
        else:
            self.w.put(b"none")

    def _per_volt(self, ohm):
        self.w.int(ohm // self.s.build.working_v)
        self.w.put(b" ohm/V (")
        self.w.ohm(ohm)

    def _measured(self, name):
        value = self.s.faults.measured[self.row]
        record = None if value else self.s.memory.raw(self.row)  # a lock from before this power-up
        if record:
            value = record[K.latest(record) + K.MEASURED] or record[K.FIRST + K.MEASURED]
        if value:
            self.w.quantity(name, value)
        else:
            self.w.put(b"a value that was not kept")
