"""Why: each lamp, limit, refusal and shutdown in words: what was measured, the line it crossed, a first check.

Decides nothing and is no part of the tick: it may allocate, and reads one entry of fault_texts.txt at a time (S13).
"""

from array import array

from loopwarden import signals as S
from loopwarden.memory.codes import freeze
from loopwarden.policy import fault_table as T
from loopwarden.policy import limits as L
from loopwarden.policy import phases as P
from loopwarden.policy import start_checks as C

SUBJECTS = (
    "phase",
    "start",
    "drive limit",
    "charge limit",
    "ready lamp",
    "caution lamp",
    "stop lamp",
    "hv lamp",
    "cooling",
    "isolation",
)

NO_READING = "no valid reading"
_TEXTS = __file__.replace("\\", "/").rsplit("/", 1)[0] + "/policy/fault_texts.txt"
_KEY_SHIFT, _PLACE, _NO_KEY = 17, 0x1FFFF, 0x1FFF
_entries = array("i")  # key << _KEY_SHIFT | where it begins, rising; then the file's end
_REFUSAL = 200
_LIMITER = 220
_STAGE = 240
_HV, _COOLING, _PASSIVE, _ISOLATION = range(260, 264)

# Where the places of a row are loops, zones, or one of two sides.
_LOOP_ROWS = (1, 2, 3, 4, 6)
_ZONE_ROWS = (15, 16, 17, 19, 21, 22, 23, 24, 26, 27, 28, 29, 30, 31)
_SIDES = {
    39: ("driving", "charging"),
    52: ("pack", "bus"),
    53: ("pack", "bus"),
    63: ("its reading", "a sudden silence", "current without pulses"),
}

_ENDS = (
    "it ends by itself",
    "it ends at the next key-on",
    "a lock: cleared at the vehicle with the bus proven dead",
    "it ends when asked for and acknowledged at the vehicle",
    "it ends at the key-on after it was acknowledged at the vehicle",
)
_LIMITERS = (
    "",
    "",
    "the bus not yet held",
    "",
    "isolation not settled",
    "the hot pack",
    "the hot inverter",
    "the hot motor",
    "over current",
    "pack voltage",
)
_STATES = ("", "open wire or rail", "shorted", "silent", "implausible", "reports its own fault", "no pulses")
_IN_FRAME = ("bus", "pack", "current", "isolation", "hottest", "coldest", "spread", "speed")
_WAITS = (C.BUS_NOT_DEAD, C.PRECHARGE_HOT, C.DISCHARGE_HOT, C.LAMP_TEST)
_ISOLATION_ROWS = (8, 9, 9, 9, 12, 11, 9)  # by the state of its reading
_PROVE_DEAD_MS = 10000


def why(supervisor, subject):
    """Answer in one or two sentences why `subject` is as it is, at the tick that ended last (S13).

    subject  one of SUBJECTS, or the name of a fault as in fault_table.py, in any case, blanks for underscores or not
    Errors: ValueError that lists the subjects.
    """
    wanted = subject.lower().replace("_", " ")
    if wanted in SUBJECTS:
        return _asked(supervisor, "_" + wanted.replace(" ", "_"), 0)
    for row in T.TABLE:
        if fault_name(row[T.ID]) == wanted:
            return _asked(supervisor, "", row[T.ID])
    raise ValueError("why: no subject %s; there are %s, and every fault's name" % (subject, ", ".join(SUBJECTS)))


def _asked(supervisor, method, row):
    if supervisor.inputs is None:
        return "No tick has ended yet, so nothing is known and everything is off."
    answer = _Answer(supervisor)
    text = answer.fault(row) if row else getattr(answer, method)()
    return text[0].upper() + text[1:]


def fault_name(row_id):
    """A row's short name in words, as in "isolation fault". Errors: ValueError for an id that no row has."""
    return _row(row_id)[T.NAME].lower().replace("_", " ")


def fault_text(row_id):
    """What a row means, and its first checks, likeliest cause first: (text, list of texts). Errors: ValueError."""
    _row(row_id)
    means = ""
    checks = []
    for kind, text in text_lines(row_id):
        if kind == "means":
            means = text
        elif kind == "check":
            checks.append(text)
    return means, checks


def code_text(code, ftb):
    """A code as people write it, "P0A0A-13"; "none" for 0, a row without one.

    code  int 0..0xFFFF, two-byte packing of SAE J2012: two bits for the letter, two for the first digit
    ftb   int 0..0xFF, failure type byte
    """
    if not code:
        return "none"
    return "%s%d%03X-%02X" % ("PCBU"[code >> 14], code >> 12 & 3, code & 0xFFF, ftb)


def places(row_id, mask):
    """Which loops, zones or sides a place mask means for a row: "loop 2, loop 3"; "" where a row has no places.

    Numbers count from 1 in the order of the build file.
    """
    if row_id in _SIDES:
        words = _SIDES[row_id]
    elif row_id in _LOOP_ROWS:
        words = ["loop %d" % (n + 1) for n in range(S.LOOPS_MAX)]
    elif row_id in _ZONE_ROWS:
        words = ["zone %d" % (n + 1) for n in range(S.ZONES_MAX)]
    else:
        return ""
    return ", ".join([words[n] for n in range(len(words)) if mask >> n & 1])


def _row(row_id):
    for row in T.TABLE:
        if row[T.ID] == row_id:
            return row
    raise ValueError("words: no fault has the id %s" % row_id)


def text_lines(key):
    """The lines of one key of fault_texts.txt, as a list of (kind, text); empty for a key that is not there."""
    if not _entries:
        open_texts()
    low, high = 0, len(_entries) - 1  # the last one only says where the file ends
    while low < high:
        middle = (low + high) >> 1
        if _entries[middle] >> _KEY_SHIFT < key:
            low = middle + 1
        else:
            high = middle
    if _entries[low] >> _KEY_SHIFT != key:
        return []
    begin = _entries[low] & _PLACE
    with open(_TEXTS, "rb") as file:
        file.seek(begin)
        lines = file.read((_entries[low + 1] & _PLACE) - begin).decode().split("\n")
    return [tuple(line.split(" ", 2)[1:]) for line in lines if line and line[0] != "#"]


def open_texts():
    """Find where each key of fault_texts.txt begins: once, at start-up on the board (12 million instructions)."""
    place = key = 0
    with open(_TEXTS, "rb") as file:
        for line in file:
            end = line.find(b" ")
            if line[:1] != b"#" and end > 0 and int(line[:end]) != key:
                key = int(line[:end])
                _entries.append(key << _KEY_SHIFT | place)
            place += len(line)
    _entries.append(_NO_KEY << _KEY_SHIFT | place)


# Integers as people write them.


def volts(mv):
    """mV: "412.3 V"; two decimals below 100 V."""
    if -100000 < mv < 100000:
        return _tenths(mv, 10, 2) + " V"
    return _tenths(mv, 100, 1) + " V"


def _tenths(value, unit, digits):
    # value in units of 1/(unit * 10**digits), rounded to `digits` decimals.
    sign = "-" if value < 0 else ""
    value = (abs(value) + unit // 2) // unit
    scale = 10**digits
    return "%s%d.%0*d" % (sign, value // scale, digits, value % scale)


def ohms(ohm):
    """Ohm: "380 ohm", "156.2 kohm", "4.2 Mohm"."""
    if ohm < 10000:
        return "%d ohm" % ohm
    if ohm < 1000000:
        return _tenths(ohm, 100, 1) + " kohm"
    return _tenths(ohm, 100000, 1) + " Mohm"


def span(ms):
    """Milliseconds: "420 ms", "3.2 s", "125 s", "12 min", "3 h 5 min"."""
    if ms < 1000:
        return "%d ms" % ms
    if ms < 10000:
        return _tenths(ms, 100, 1) + " s"
    if ms < 600000:
        return "%d s" % (ms // 1000)
    if ms < 7200000:
        return "%d min" % (ms // 60000)
    return "%d h %d min" % (ms // 3600000, ms // 60000 % 60)


def percent(permille):
    """Permille: "80 %", "12.5 %"."""
    return "%d %%" % (permille // 10) if permille % 10 == 0 else _tenths(permille, 1, 1) + " %"


def _degrees(dc):
    return "not fitted" if dc in (-10000, 10000) else _tenths(dc, 1, 1) + " degC"


_UNITS = {
    "mv": volts,
    "ma": lambda ma: _tenths(ma, 100, 1) + " A",
    "dc": _degrees,
    "ms": span,
    "s": lambda s: span(s * 1000),
    "mj": lambda mj: _tenths(mj, 100, 1) + " J",
    "ohm": ohms,
    "permille": percent,
}


def quantity(name, value):
    """`value` in the unit that `name` ends with, as in "dead_mv"; a bare number where it ends with none."""
    shown = _UNITS.get(name.rsplit("_", 1)[-1])
    return shown(value) if shown else str(value)


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


class _Readings:
    """What the texts may name in braces, one method each; each gives text. `frame` holds the readings of one tick."""

    def __init__(self, supervisor, row, frame):
        self._s = supervisor
        self._row = row
        self._frame = frame

    def _known(self, name):
        value = self._frame[name]
        return NO_READING if value is None else quantity(name, value)

    def bus(self):
        return self._known("bus_mv")

    def pack(self):
        return self._known("pack_mv")

    def current(self):
        return self._known("current_ma") if self._s.build.current_fitted else "not fitted"

    def hottest(self):
        return self._known("hottest_dc")

    def coldest(self):
        return self._known("coldest_dc")

    def spread(self):
        if self._frame["hottest_dc"] is None:
            return NO_READING
        return _tenths(self._frame["hottest_dc"] - self._frame["coldest_dc"], 1, 1) + " K"

    def speed(self):
        mm_s = self._frame["speed_mm_s"]
        if not self._s.build.speed_fitted:
            return "not fitted"
        if mm_s is None:
            return "0 km/h (no pulses)" if self._s.inputs.speed_state == S.QUIET else NO_READING
        return _tenths(mm_s * 36 // 100, 10, 1) + " km/h"

    def isolation(self):
        b = self._s.build
        ohm = self._frame["isolation_ohm"]
        if ohm is None:
            state = _STATES[self._s.inputs.isolation_state]
            return NO_READING + (" (%s)" % state if state else "")
        means = "the worse pole" if b.iso_measures else "both poles in parallel"
        return "%d ohm/V (%s, %s)" % (ohm // b.working_v, ohms(ohm), means)

    def supply(self):
        return self._live("supply")

    def reference(self):
        return self._live("reference") if self._s.build.reference_fitted else "not fitted"

    def _live(self, name):
        mv = getattr(self._s.inputs, name + "_mv")
        return volts(mv) if mv is not None and getattr(self._s.inputs, name + "_state") == S.OK else NO_READING

    def inverter(self):
        return self._drive(1, self._s.thermal.inverter_dc)

    def motor(self):
        return self._drive(2, self._s.thermal.motor_dc)

    def _drive(self, where, dc):
        kinds = self._s.build.zone_where
        if where not in kinds:
            return "not fitted"
        valid = [z for z in range(len(kinds)) if kinds[z] == where and self._s.thermal.valid >> z & 1]
        return _degrees(dc) if valid and dc > -10000 else NO_READING

    def zones(self):
        # The zones of the row; without any, those that cannot be read.
        zones = range(len(self._s.build.zone_where))
        mask = self._s.faults.places[self._row] if self._row in _ZONE_ROWS else 0
        if not mask:
            mask = ~self._s.thermal.valid
        found = ["zone %d %s" % (z + 1, self._zone(z)) for z in zones if mask >> z & 1]
        return ", ".join(found) or "every zone has a valid reading"

    def _zone(self, z):
        i = self._s.inputs
        if i.zone_state[z] == S.OK and i.zone_dc[z] is not None:
            return _degrees(i.zone_dc[z])
        state = _STATES[i.zone_state[z]]
        return NO_READING + (" (%s)" % state if state else "")

    def loops(self):
        mask = self._s.switches.open
        if not mask:
            return "all loops read closed"
        return places(1, mask) + (" read open" if mask & (mask - 1) else " reads open")

    def shorts(self):
        i = self._s.inputs
        found = []
        for mask, towards in ((i.loop_low, "ground"), (i.loop_high, "supply")):
            if mask:
                found.append("%s shorted to %s" % (places(1, mask), towards))
        return ", ".join(found) or "no loop reads shorted now"

    def _input(self, bit, there, gone):
        known = self._s.inputs.known
        if known is None or not known & bit:
            return "cannot be read"
        return there if self._s.switches.word & bit else gone

    def stop(self):
        return self._input(S.STOP, "active", "quiet")

    def crash(self):
        return self._input(S.CRASH, "active", "quiet") if self._s.build.crash_fitted else "not fitted"

    def plug(self):
        return self._input(S.PLUG, "in", "out") if self._s.build.plug_fitted else "not fitted"

    def coolant(self):
        return self._input(S.COOLANT, "moving", "still")

    def coil(self):
        return self._input(S.COIL_FAULT, "differs from the command", "as commanded")

    def lamp(self):
        return self._input(S.LAMP_FAULT, "differs from the command", "as commanded")

    def start(self):
        return self._input(S.START, "pressed", "not pressed")

    def contacts(self):
        o = self._s.outputs
        if not self._s.build.feedback:
            return "no feedback contacts"
        positive = self._input(S.AUX_POSITIVE, "closed", "open")
        negative = self._input(S.AUX_NEGATIVE, "closed", "open")
        state = ("open", "closed")
        return "positive main commanded %s, reported %s; negative main commanded %s, reported %s" % (
            state[o.positive],
            positive,
            state[o.negative],
            negative,
        )

    def memory(self):
        m = self._s.memory
        found = []
        for bad, word in (
            (not m.ready, "not ready"),
            (m.failed, "a write or read-back failed"),
            (m.new, "new"),
            (m.nearly_full, "nearly full"),
            (m.damaged, "a record is damaged"),
        ):
            if bad:
                found.append(word)
        return ", ".join(found) or "sound"

    def heap(self):
        return "%d KB" % (self._s.inputs.heap_free // 1024)

    def precharge_heat(self):
        return quantity("mj", self._s.resistors.precharge_mj)

    def discharge_heat(self):
        return quantity("mj", self._s.resistors.discharge_mj)

    def precharge_need(self):
        return quantity("mj", self._s.build.precharge_start_mj)

    def discharge_need(self):
        return quantity("mj", self._s.build.discharge_emergency_mj)

    def start_wait(self):
        # Both resistors must have room: told is the longer wait, or a driver who waited would be refused again.
        b = self._s.build
        r = self._s.resistors
        waits = [_cooling(r.precharge_mj, b.precharge_start_mj, b.precharge_budget_mj, b.precharge_cool_s)]
        if b.discharge_kind == 0:
            waits.append(_cooling(r.discharge_mj, b.discharge_emergency_mj, b.discharge_budget_mj, b.discharge_cool_s))
        if None in waits:
            return "it never fits"
        return "at most %s more" % span(max(waits)) if max(waits) else "it fits now"

    def bus_wait(self):
        mv = self._frame["bus_mv"]
        ms = None if mv is None else fall_ms(mv, self._s.build.dead_mv, self._s.build.bleed_tau_ms // 2 * 3)
        return "nobody knows for how long" if ms is None else "at most %s more" % span(ms)

    def quiet_ms(self):
        return span(self._s.motion.quiet_ms)

    def closed_ms(self):
        return span(self._s.isolation.closed_ms)

    def solid_ms(self):
        return span(self._s.phases.solid_ms)

    def stage_ms(self):
        return span(self._s.phases.t_ms)

    def dead_ms(self):
        return span(self._s.electrics.dead_ms)

    def wind_permille(self):
        return percent(self._s.phases.wind_cap)

    def set_ms(self):
        return span(self._s.faults.set_ms[self._row])

    def pack_spread_dc(self):
        return _tenths(self._s.build.pack_spread_dc, 1, 1) + " K"

    def iso_warn_ohm(self):
        return self._per_volt(self._s.build.iso_warn_ohm)

    def iso_warn_clear_ohm(self):
        return self._per_volt(self._s.build.iso_warn_clear_ohm)

    def iso_fault_ohm(self):
        return self._per_volt(self._s.build.iso_fault_ohm)

    def _per_volt(self, ohm):
        return "%d ohm/V (%s)" % (ohm // self._s.build.working_v, ohms(ohm)) if ohm else "none"


def _cooling(heat_mj, need_mj, budget_mj, cool_s):
    """How long until there is room, in ms: 0 now, None never; an upper bound, a second of the model's step included."""
    if heat_mj + need_mj <= budget_mj:
        return 0
    ms = fall_ms(heat_mj, budget_mj - need_mj, cool_s * 1000)
    return None if ms is None else ms + 1000


class _Answer:
    """One question to one supervisor."""

    def __init__(self, supervisor):
        self.s = supervisor
        self.b = supervisor.build
        self.f = supervisor.faults
        self.p = supervisor.phases
        self.o = supervisor.outputs

    # Faults

    def fault(self, row):
        reads, check = self._words(row)
        f = self.f
        head = fault_name(row)
        entry = _row(row)
        if entry[T.CODE]:
            head += " (%s)" % code_text(entry[T.CODE], entry[T.FTB])
        if not f.places[row]:
            return self._quiet(row, head, reads, check)
        where = places(row, f.places[row])
        if where:
            head += " on " + where
        return "%s, active %s: %s%s%s" % (head, self._since(row), self._measured(row, reads), self._end(row), check)

    def _quiet(self, row, head, reads, check):
        if "{at_" in reads:
            return "%s is not active, and has not come since power-up.%s" % (head, check)
        return "%s is not active: %s.%s" % (head, self._fill(reads, row), check)

    def _since(self, row):
        ms = self.f.since_ms[row]
        return "for %s" % span(self.f.clock_ms - ms) if ms else "since power-up"

    def _event(self, row):
        # A row that no monitor debounces: it came in one instant, and is not "there" for a while. Their slots follow
        # those of the monitors, ISOLATION_UNSETTLED first.
        return self.f.event[row] >= self.f.event[10]

    def _gone(self, row):
        slots = [i for i in range(len(self.f.row)) if self.f.row[i] == row and self.f.counts[i]]
        return not self._event(row) and not slots

    def _end(self, row):
        ends = self.f.ends[row]
        if ends == T.HEALS:
            return "."
        if self._gone(row):
            return "; gone now, " + _ENDS[ends] + "."
        return "; " + _ENDS[ends] + "." if self._event(row) or ends != T.KEYED else "."

    def _measured(self, row, reads):
        # Gone, but latched: what was read when it came says more than what is read now.
        if self._gone(row):
            record = self._record(row)
            readings = [part.split("}")[0] for part in reads.split("{")[1:]]
            live = [name for name in readings if "_" not in name and name not in _IN_FRAME]
            if record is not None and not live:
                return "when it came, " + self._fill(reads, row, record["latest"])
        return self._fill(reads, row)

    def _record(self, row):
        return self.s.memory.record(row)

    def _at(self, row, unit):
        value = self.f.measured[row]
        if not value:
            record = self._record(row)  # a lock from before this power-up
            value = record["latest"]["measured"] or record["first"]["measured"] if record else 0
        return quantity("_" + unit, value) if value else "a value that was not kept"

    def _fill(self, text, row=0, frame=None):
        readings = _Readings(self.s, row, frame or freeze(self.s, row))
        done = ""
        while True:
            begin = text.find("{")
            if begin < 0:
                return done + text
            end = text.find("}", begin)
            done += text[:begin] + self._value(text[begin + 1 : end], row, readings)
            text = text[end + 1 :]

    def _value(self, name, row, readings):
        if name.startswith("at_"):
            return self._at(row, name[3:])
        read = getattr(readings, name, None)
        return read() if read else quantity(name, getattr(self.b, name))

    def _words(self, key):
        # reads, and the first check as a sentence of its own.
        reads = ""
        check = ""
        for kind, text in text_lines(key):
            if kind == "see":
                return self._words(int(text))
            if kind == "reads":
                reads = text
            elif kind == "check" and not check:
                check = " First check: " + text
        return reads, check

    # Phase and start

    def _phase(self):
        p = self.p
        if p.phase == P.LOCKED:
            for row in self.f.active_ids():
                if self.f.ends[row] == T.LOCK:
                    return "locked out: " + self.fault(row)
        if p.stage == P.READY:
            return "checking, " + self._start()
        if p.stage == P.DRIVE and not p.solid:
            reads, check = self._words(_LIMITER + L.SOLID)
            return "live for %s: %s.%s" % (span(p.t_ms), self._fill(reads), check)
        return P.NAMES[p.phase] + self._stage()

    def _stage(self):
        reads, check = self._words(_STAGE + self.p.stage)
        row, reason = self._reason()
        if row:
            return ": %s; because of %s" % (self._fill(reads), self.fault(row))
        return ": %s%s.%s" % (self._fill(reads), reason, check)

    def _reason(self):
        # What ended live or a start: (row, "") or (0, words).
        p = self.p
        if p.stage < P.WIND_DOWN:
            return 0, ""
        if p.why_row and self.f.places[p.why_row]:
            return p.why_row, ""
        if p.emergency:
            for row in self.f.active_ids():
                if self.f.asks[2][row] >> 12 == T.CUT or row == 70:
                    return row, ""
        if not self.s.switches.key:
            return 0, "; the key is off"
        if p.charge:
            return 0, "; the charge has ended (plug, charger or end voltage %s)" % volts(self.b.charge_end_mv)
        return 0, ""

    def _start(self):
        p = self.p
        if p.stage == P.IDLE or p.stage == P.READY:
            return self._refusal()
        if p.stage <= P.TAKE_OVER:
            return "starting" + self._stage()
        if p.stage == P.DRIVE:
            return "started" + self._stage()
        wait = self._dead_wait()
        until = ", at most %s more" % span(wait) if wait else ""
        return "a start waits until the bus is proven dead%s%s" % (until, self._stage())

    def _dead_wait(self):
        # At most how long until the bus is proven dead, from discharging on; 0 where that depends on the driver.
        p = self.p
        b = self.b
        rest = b.creep_ms + _PROVE_DEAD_MS
        if p.stage == P.CREEP:
            rest = b.creep_ms - p.t_ms + _PROVE_DEAD_MS
        elif p.stage == P.PROVE_DEAD:
            rest = _PROVE_DEAD_MS - self.s.electrics.dead_ms
        elif p.stage != P.DISCHARGE or p.emergency or b.discharge_kind == 2:
            return 0
        else:
            rest += b.discharge_window_ms - p.t_ms
        return max(rest, 0)

    def _refusal(self):
        # What the last start was refused for; without one, what a start would be refused for now.
        p = self.p
        now = self.s.checks.refusal(self.s.switches.plugged)
        n = p.refused
        if n == C.LAMP_TEST and p.stage == P.READY:
            return self._refused("start waits", n)
        head = "start refused"
        asked = n not in (C.FINE, C.LAMP_TEST)
        if asked:
            head = "start %s %s ago" % ("waits, asked for" if n in _WAITS else "refused", span(self._age(p.refused_ms)))
            if now == C.FINE and n == C.BY_FAULT:
                return head + " by a fault that has ended: " + self._fine()
            if now == C.FINE:
                return self._refused(head, n, "; this has passed, " + self._fine())
        elif p.stage == P.IDLE:
            head = "the key is off, and a start would be refused"
        if n == C.BY_FAULT or not asked:
            n = now
        if n == C.FINE:
            return "no start is asked for: " + self._fine()
        if n == C.BY_FAULT:
            return head + " by " + self.fault(self.f.worst_row)
        return self._refused(head, n)

    def _fine(self):
        reads, check = self._words(_REFUSAL)
        return self._fill(reads) + "." + check

    def _refused(self, head, n, rest="."):
        key, row = self._refusal_key(n)
        reads, check = self._words(key)
        if row:
            head += ", " + fault_name(row)
        return "%s: %s%s%s" % (head, self._fill(reads, row), rest, check if rest == "." else "")

    def _age(self, since_ms):
        return self.f.clock_ms - since_ms

    def _refusal_key(self, n):
        if n == C.ISOLATION and self.s.inputs.isolation_state:
            row = _ISOLATION_ROWS[self.s.inputs.isolation_state]
            return row, row
        if n == C.BUS_NOT_DEAD and not self.s.electrics.bus_ok:
            return 36, 36
        for kind, text in text_lines(_REFUSAL + n):
            if kind == "see":
                return int(text), int(text)
        return _REFUSAL + n, 0

    # Limits

    def _drive_limit(self):
        limits = self.s.limits
        head = self._granted("drive limit", self.o.drive_limit_permille, limits.drive_goal >> 4)
        return head + self._limiter(limits.drive_goal, self.f.drive & 255, limits.drive_since_ms)

    def _charge_limit(self):
        limits = self.s.limits
        head = self._granted("charge limit", self.o.charge_limit_permille, limits.charge_goal >> 4)
        return head + self._limiter(limits.charge_goal, self.f.charge & 255, limits.charge_since_ms)

    def _granted(self, name, granted, goal):
        head = "%s %s" % (name, percent(granted))
        if granted < goal:
            head += ", rising to %s by no more than %s in a second" % (percent(goal), percent(self.b.rise_permille_s))
        return head

    def _limiter(self, goal, row, since_ms):
        if goal >> 4 == T.FULL:
            return ": nothing limits it."
        by = goal & 15
        if by == L.FAULT:
            return ", set by " + self.fault(row)
        if by == L.PHASE:
            if self.p.stage != P.DRIVE:
                return ", " + self._phase()
            return " in a charge, where nothing drives and the charge limit waits for the charger."
        if by == L.WIND:
            return ", " + P.NAMES[self.p.phase] + self._stage()
        head = ", set by %s for %s" % (_LIMITERS[by], span(self._age(since_ms)))
        for kind, text in text_lines(_LIMITER + by):
            if kind == "see":
                return head + ", " + self.fault(int(text))
        reads, check = self._words(_LIMITER + by)
        return "%s: %s.%s" % (head, self._fill(reads), check)

    # Lamps

    def _ready_lamp(self):
        if self._lamp_test():
            return self._lamp_test()
        return "ready lamp %s, %s" % ("lit" if self.o.lamp_ready else "dark", self._phase())

    def _caution_lamp(self):
        return self._lamp_test() or self._lamp("caution lamp", 1, self.o.lamp_caution)

    def _stop_lamp(self):
        return self._lamp_test() or self._lamp("stop lamp", 2, self.o.lamp_stop)

    def _lamp_test(self):
        if self.p.stage == P.READY and self.p.t_ms < 2000:
            reads, check = self._words(_REFUSAL + C.LAMP_TEST)
            return "lit by the %s.%s" % (self._fill(reads), check)
        return ""

    def _lamp(self, name, lamp, lit):
        rows = []
        asks = self.f.asks[self.f.column]
        for row in self.f.active_ids():
            if asks[row] & lamp:
                rows.append((-(asks[row] >> 12), -(max([column[row] for column in self.f.asks]) >> 12), row))
        if not rows or not lit:
            return "%s dark: no active fault asks for it." % name
        rows.sort()
        names = ", ".join([fault_name(row) for _, _, row in rows])
        others = "" if len(rows) == 1 else "%d faults (%s), hardest " % (len(rows), names)
        return "%s lit by %s%s" % (name, others, self.fault(rows[0][2]))

    def _hv_lamp(self):
        o = self.o
        closed = []
        for command, name in ((o.positive, "positive"), (o.negative, "negative"), (o.precharge, "precharge")):
            if command:
                closed.append(name + " commanded closed")
        if self.b.feedback:
            word = self.s.switches.word
            for bit, name in ((S.AUX_POSITIVE, "positive"), (S.AUX_NEGATIVE, "negative")):
                if word & bit and not getattr(o, name):
                    closed.append(name + " reported closed")
        reads, check = self._words(_HV)
        because = ", ".join(closed) + "; " if closed else ""
        return "high-voltage lamps %s: %s%s.%s" % ("lit" if o.lamp_hv else "out", because, self._fill(reads), check)

    # Cooling and isolation

    def _cooling(self):
        o = self.o
        asked = ["fan " + percent(o.fan_permille), "pump " + percent(o.pump_permille)]
        for on, name in ((o.heater, "heater"), (o.chiller, "chiller"), (o.heat_share, "motor heat to the pack")):
            if on:
                asked.append(name)
        reads, check = self._words(_COOLING if self.b.cool_kind else _PASSIVE)
        return "cooling: %s; %s.%s" % (", ".join(asked), self._fill(reads), check)

    def _isolation(self):
        for row in (8, 9, 11, 12, 10, 7, 13):
            if self.f.places[row]:
                return self.fault(row)
        settled = "settled" if self.s.isolation.settled else "not settled"
        if not self.s.isolation.watching:
            settled = "not judged, another monitor is active while plugged in"
        reads, check = self._words(_ISOLATION)
        return "isolation %s: %s.%s" % (settled, self._fill(reads), check)
