"""Why: each lamp, limit, refusal and shutdown in words: what was measured, the line it crossed, a first check (S13).

Decides nothing. An answer is made in parts, so that a live tick has time and heap for one: a clause with the names of
its readings in braces, then its words and readings, one a part, then the next clause. One answer at a time.
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.memory import codes as K
from loopwarden.naming import LIMITERS, SUBJECTS, entry, known, put_code, put_name, put_places
from loopwarden.policy import fault_table as T
from loopwarden.policy import limits as L
from loopwarden.policy import phases as P
from loopwarden.policy import start_checks as C
from loopwarden.readings import Readings, fall_ms
from loopwarden.texts import fault_text, text_lines, texts
from loopwarden.writer import Writer, said

__all__ = ("code_text", "fall_ms", "fault_name", "fault_text", "places", "text_lines", "why")

PART = const(512)  # no part is longer: ten zones without a reading take 450
_CLAUSE = const(640)
_CHUNK = const(64)
_REFUSAL = 200
_LIMITER = 220
_STAGE = 240
_HV, _COOLING, _PASSIVE, _ISOLATION = range(260, 264)

_ENDS = (
    b"it ends by itself",
    b"it ends at the next key-on",
    b"a lock: cleared at the vehicle with the bus proven dead",
    b"it ends when asked for and acknowledged at the vehicle",
    b"it ends at the key-on after it was acknowledged at the vehicle",
)
_IN_FRAME = (b"bus", b"pack", b"current", b"isolation", b"hottest", b"coldest", b"spread", b"speed")
# What answers each of SUBJECTS: by name, as the installer leaves names alone that stand in a text.
_METHODS = ("_phase", "_start", "_drive_limit", "_charge_limit", "_ready_lamp", "_caution_lamp", "_stop_lamp")
_METHODS = _METHODS + ("_hv_lamp", "_cooling", "_isolation")
_WAITS = (C.BUS_NOT_DEAD, C.PRECHARGE_HOT, C.DISCHARGE_HOT, C.LAMP_TEST, C.SERVICE)
_ISOLATION_ROWS = (8, 9, 9, 9, 12, 11, 9)  # by the state of its reading
_PROVE_DEAD_MS = const(10000)
_NAMED = const(8)  # faults that a lamp's answer names, at the most


def why(supervisor, subject):
    """Answer in one or two sentences why `subject` is as it is, at the tick that ended last (for hosts: allocates).

    subject  one of SUBJECTS, or the name of a fault as in fault_table.py, in any case, blanks for underscores or not
    Errors: ValueError that lists the subjects.
    """
    w = Writer(PART)
    part = bytearray(PART)
    done = []
    for _ in parts(supervisor, subject, w):
        done.append(part[: w.take(part)].decode())
    return "".join(done)


def parts(supervisor, subject, w):
    """Answer in parts: a generator that writes each part to `w`, at most PART bytes (for hosts). Errors: as `why`."""
    which = known(subject.upper().replace(" ", "_"))
    if not which:
        raise ValueError("why: no subject %s; there are %s, and every fault's name" % (subject, ", ".join(SUBJECTS)))
    if supervisor.inputs is None:
        w.put(b"No tick has ended yet, so nothing is known and everything is off.")
        yield
        return
    yield from render(supervisor, which, w)


def render(supervisor, which, w):
    """As `parts`, for what `known` gave; after the first tick."""
    answer = _answer
    text = answer.clause
    readings = answer.readings
    readings.w = w
    answer.begin(supervisor, which)
    while answer.todo:
        size = answer.make()
        yield
        readings.of(supervisor, answer.row)
        if answer.record is not None:
            readings.frame, readings.at = answer.record, K.latest(answer.record)
        at = 0
        while at < size:
            begin = text.find(b"{", at, size)
            end = size if begin < 0 else begin
            while at < end:
                begin = min(at + _CHUNK, end)
                w.put(answer.view[at:begin])
                at = begin
                yield
            if at < size:
                end = text.find(b"}", at, size)
                readings.put(bytes(answer.view[at + 1 : end]).decode())
                at = end + 1
                yield


def fault_name(row_id):
    """A row's short name in words, as in "isolation fault". Errors: ValueError for an id that no row has."""
    return said(put_name, row_id)


def code_text(code, ftb):
    """A code as people write it, "P0A0A-13"; "none" for 0, a row without one.

    code  int 0..0xFFFF, two-byte packing of SAE J2012: two bits for the letter, two for the first digit
    ftb   int 0..0xFF, failure type byte
    """
    return said(put_code, code, ftb)


def places(row_id, mask):
    """Which loops, zones or sides a place mask means for a row: "loop 2, loop 3"; "" where a row has no places.

    Numbers count from 1 in the order of the build file.
    """
    return said(put_places, row_id, mask)


# Integers as people write them, for hosts.


def volts(mv):
    return said(Writer.mv, mv)


def ohms(ohm):
    return said(Writer.ohm, ohm)


def span(ms):
    return said(Writer.ms, ms)


def percent(permille):
    return said(Writer.permille, permille)


def quantity(name, value):
    """`value` in the unit that `name` ends with, as in "dead_mv"; a bare number where it ends with none."""
    return said(Writer.quantity, name, value)


class _Answer:
    """One question to one supervisor, clause by clause, readings in braces. `later` is what follows this clause."""

    def __init__(self):
        self.texts = texts
        self.w = Writer(_CLAUSE)
        self.put = self.w.put
        self.clause = bytearray(_CLAUSE)
        self.view = memoryview(self.clause)
        self.readings = Readings(self.w)
        self.todo = []
        self.row = self.gone = self.below = self.hardest = self.others = self.left = self.first = 0
        self.record = None  # whose latest frame holds for the readings of this clause
        self.s = self.b = self.f = self.p = self.o = None

    def begin(self, supervisor, which):
        """Take a question."""
        self.s = supervisor
        self.b = supervisor.build
        self.f = supervisor.faults
        self.p = supervisor.phases
        self.o = supervisor.outputs
        self.row = 0
        self.first = 1
        self.todo.clear()
        if which > 0:
            self.later(self.fault, which)
        else:
            self.later(getattr(self, _METHODS[-1 - which]), 0)

    def later(self, method, key):
        self.todo.append(method)
        self.todo.append(key)

    def make(self):
        """Write the next clause and return its length."""
        self.record = None
        self.w.clear()
        self.todo.pop(0)(self.todo.pop(0))
        size = self.w.take(self.clause)
        if self.first and 97 <= self.clause[0] <= 122:
            self.clause[0] -= 32
        if size:
            self.first = 0
        return size

    def _copy(self):
        self.put(self.texts.view[self.texts.begin : self.texts.end])

    def _reads(self, key):
        if self.texts.find(self.texts.seen(key), b"reads "):
            self._copy()

    def _check(self, key):
        if self.texts.find(self.texts.seen(key), b"check "):
            self.put(b" First check: ")
            self._copy()

    # Faults

    def fault(self, row):
        f = self.f
        put = self.put
        self.row = row
        put_name(self.w, row)
        known = entry(row)
        if known[T.CODE]:
            put(b" (")
            put_code(self.w, known[T.CODE], known[T.FTB])
            put(b")")
        if not f.places[row]:
            put(b" is not active")
            self.later(self._quiet, row)
            return
        begin = self.w.tell()
        put(b" on ")
        put_places(self.w, row, f.places[row])
        if self.w.tell() == begin + 4:
            self.w.page.seek(begin)
        put(b", active ")
        self._since(f.since_ms[row])
        put(b": ")
        self.later(self._look, row)
        self.later(self._measured, row)
        self.later(self._end, row)

    def _quiet(self, row):
        texts = self.texts
        texts.find(row, b"reads ")
        put = self.put
        if texts.block.find(b"{at_", texts.begin, texts.end) >= 0:
            put(b", and has not come since power-up.")
        else:
            put(b": ")
            self._copy()
            put(b".")
        self.later(self._check, row)

    def _since(self, ms):
        if ms:
            self.put(b"for ")
            self._span(self.f.clock_ms - ms)
        else:
            self.put(b"since power-up")

    def _span(self, ms):
        self.w.ms(ms)

    def _event(self, row):
        # A row that no monitor debounces: it came in one instant, and is not "there" for a while. Their slots follow
        # those of the monitors, ISOLATION_UNSETTLED first.
        return self.f.event[row] >= self.f.event[10]

    def _look(self, row):
        # Whether its condition is gone: no slot of it counts any more.
        f = self.f
        rows = f.row
        counts = f.counts
        self.gone = not self._event(row)
        for i in range(f.event[row], f.event[10]):
            if rows[i] == row and counts[i]:
                self.gone = False

    def _end(self, row):
        ends = self.f.ends[row]
        if ends != T.HEALS:
            if self.gone:
                self.put(b"; gone now, ")
                self.put(_ENDS[ends])
            elif self._event(row) or ends != T.KEYED:
                self.put(b"; ")
                self.put(_ENDS[ends])
        self.put(b".")
        self._check(row)

    def _measured(self, row):
        # Gone, but latched: what was read when it came says more than what is read now.
        self.texts.find(row, b"reads ")
        if self.gone:
            self.record = self.s.memory.raw(row)
            if self.record is not None and self._live():
                self.record = None
        if self.record is not None:
            self.put(b"when it came, ")
        self._copy()

    def _live(self):
        # True when a reading of the line found is in no frame.
        texts = self.texts
        begin = texts.block.find(b"{", texts.begin, texts.end)
        while begin >= 0:
            end = texts.block.find(b"}", begin, texts.end)
            if texts.block.find(b"_", begin, end) < 0 and bytes(texts.view[begin + 1 : end]) not in _IN_FRAME:
                return True
            begin = texts.block.find(b"{", end, texts.end)
        return False

    # Phase and start

    def _phase(self, _):
        p = self.p
        if p.phase == P.LOCKED:
            for row in self.f.active_ids():
                if self.f.ends[row] == T.LOCK:
                    self.put(b"locked out: ")
                    self.later(self.fault, row)
                    return
        if p.stage == P.READY:
            self.put(b"checking, ")
            self.later(self._start, 0)
        elif p.stage == P.DRIVE and not p.solid:
            self.put(b"live for ")
            self._span(p.t_ms)
            self.put(b": ")
            self._filled(_LIMITER + L.SOLID)
        else:
            self.w.text(P.NAMES[p.phase])
            self.later(self._stage, 0)

    def _filled(self, key):
        self._reads(key)
        self.later(self._checked, key)

    def _checked(self, key):
        self.put(b".")
        self._check(key)

    def _stage(self, _):
        self.put(b": ")
        self._reads(_STAGE + self.p.stage)
        self.later(self._because, _STAGE + self.p.stage)

    def _because(self, key):
        row = self._reason_row()
        if row:
            self.put(b"; because of ")
            self.later(self.fault, row)
            return
        if self.p.stage >= P.WIND_DOWN:
            self._reason()
        self._checked(key)

    def _reason_row(self):
        # The row that ended live or a start, 0 where none did.
        p = self.p
        if p.stage < P.WIND_DOWN:
            return 0
        if p.why_row and self.f.places[p.why_row]:
            return p.why_row
        if p.emergency:
            for row in self.f.active_ids():
                if self.f.asks[2][row] >> 12 == T.CUT or row == 70:
                    return row
        return 0

    def _reason(self):
        if not self.s.switches.key:
            self.put(b"; the key is off")
        elif self.p.charge:
            self.put(b"; the charge has ended (plug, charger or end voltage ")
            self.w.mv(self.b.charge_end_mv)
            self.put(b")")

    def _start(self, _):
        p = self.p
        if p.stage <= P.READY or (p.stage >= P.ALL_OPEN and p.refused not in (C.FINE, C.LAMP_TEST)):
            self._refusal()  # the latter: refused in the tick of the first command
            return
        if p.stage <= P.TAKE_OVER:
            self.put(b"starting")
        elif p.stage == P.DRIVE:
            self.put(b"started")
        else:
            self.put(b"a start waits until the bus is proven dead")
            wait = self._dead_wait()
            if wait:
                self.put(b", at most ")
                self._span(wait)
                self.put(b" more")
        self.later(self._stage, 0)

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
        put = self.put
        now = self.s.checks.refusal(self.s.switches.plugged)
        n = p.refused
        if n == C.LAMP_TEST and p.stage == P.READY:
            put(b"start waits")
            self._refused(n)
            return
        asked = n not in (C.FINE, C.LAMP_TEST)
        if not asked and now == C.FINE:
            put(b"no start is asked for: ")
            self._fine()
            return
        if not asked and p.stage == P.IDLE:
            put(b"the key is off, and a start would be refused")
        elif not asked:
            put(b"start refused")
        else:
            put(b"start waits, asked for " if n in _WAITS else b"start refused ")
            self._span(self.f.clock_ms - p.refused_ms)
            put(b" ago")
        if asked and now == C.FINE and n == C.BY_FAULT:
            put(b" by a fault that has ended: ")
            self._fine()
            return
        if asked and now == C.FINE:
            self._refused(n, False)
            self.later(self._passed, 0)
            return
        if n == C.BY_FAULT or not asked:
            n = now
        if n == C.BY_FAULT:
            put(b" by ")
            self.later(self.fault, self.f.worst_row)
        else:
            self._refused(n)

    def _fine(self):
        self._filled(_REFUSAL)

    def _passed(self, _):
        self.put(b"; this has passed, ")
        self._fine()

    def _refused(self, n, last=True):
        key = self._refusal_key(n)
        if key < _REFUSAL:
            self.row = key
            self.put(b", ")
            put_name(self.w, key)
        self.put(b": ")
        self._reads(key)
        if last:
            self.later(self._checked, key)

    def _refusal_key(self, n):
        if n == C.ISOLATION and self.s.inputs.isolation_state:
            return _ISOLATION_ROWS[self.s.inputs.isolation_state]
        if n == C.BUS_NOT_DEAD and not self.s.electrics.bus_ok:
            return 36
        return self.texts.seen(_REFUSAL + n)

    # Limits

    def _drive_limit(self, _):
        limits = self.s.limits
        self._granted(b"drive limit ", self.o.drive_limit_permille, limits.drive_goal >> 4)
        self._limiter(limits.drive_goal, self.f.drive & 255, limits.drive_since_ms)

    def _charge_limit(self, _):
        limits = self.s.limits
        self._granted(b"charge limit ", self.o.charge_limit_permille, limits.charge_goal >> 4)
        self._limiter(limits.charge_goal, self.f.charge & 255, limits.charge_since_ms)

    def _granted(self, name, granted, goal):
        self.put(name)
        self.w.permille(granted)
        if granted < goal:
            self.put(b", rising to ")
            self.w.permille(goal)
            self.put(b" by no more than ")
            self.w.permille(self.b.rise_permille_s)
            self.put(b" in a second")

    def _limiter(self, goal, row, since_ms):
        by = goal & 15
        if goal >> 4 == T.FULL:
            self.put(b": nothing limits it.")
        elif by == L.FAULT:
            self.put(b", set by ")
            self.later(self.fault, row)
        elif by == L.PHASE and self.p.stage != P.DRIVE:
            self.put(b", ")
            self.later(self._phase, 0)
        elif by == L.PHASE:
            self.put(b" in a charge, where nothing drives and the charge limit waits for the charger.")
        elif by == L.WIND:
            self.put(b", ")
            self.w.text(P.NAMES[self.p.phase])
            self.later(self._stage, 0)
        else:
            self.put(b", set by ")
            self.put(LIMITERS[by])
            self.put(b" for ")
            self._span(self.f.clock_ms - since_ms)
            row = self.texts.seen(_LIMITER + by)
            if row < _REFUSAL:
                self.put(b", ")
                self.later(self.fault, row)
            else:
                self.put(b": ")
                self._filled(row)

    # Lamps

    def _ready_lamp(self, _):
        if not self._lamp_test():
            self.put(b"ready lamp lit, " if self.o.lamp_ready else b"ready lamp dark, ")
            self.later(self._phase, 0)

    def _caution_lamp(self, _):
        if not self._lamp_test():
            self.put(b"caution lamp ")
            self._lamp(1, self.o.lamp_caution)

    def _stop_lamp(self, _):
        if not self._lamp_test():
            self.put(b"stop lamp ")
            self._lamp(2, self.o.lamp_stop)

    def _lamp_test(self):
        test = self.p.stage == P.READY and self.p.t_ms < 2000
        if test:
            self.put(b"lit by the ")
            self._filled(_REFUSAL + C.LAMP_TEST)
        return test

    def _lamp(self, lamp, lit):
        asked = self.f.asked
        rows = 0
        for row in self.f.active_ids():
            if asked[row] & lamp:
                rows += 1
        if not rows or not lit:
            self.put(b"dark: no active fault asks for it.")
            return
        self.put(b"lit by ")
        self.below, self.hardest = 1 << 20, 0
        self.others, self.left = rows - 1, min(rows, _NAMED)
        if rows > 1:
            self.w.int(rows)
            self.put(b" faults (")
        self.later(self._next, lamp)

    def _next(self, lamp):
        # The hardest row below the one before it: by what it asks for now, by the most that it may ask for, by its id.
        column, (off, standing, moving) = self.f.asked, self.f.asks
        below, best = self.below, 0
        for row in self.f.active_ids():
            ask = column[row]
            if ask & lamp:
                ask = (ask >> 12 << 4 | max(off[row], standing[row], moving[row]) >> 12) << 8 | 255 - row
                if best < ask < below:
                    best = ask
        self.below = best
        self.later(self._name if best else self._named, lamp)

    def _name(self, lamp):
        row = 255 - (self.below & 255)
        if self.others:
            self.put(b", " if self.hardest else b"")
            put_name(self.w, row)
        self.hardest = self.hardest or row
        self.left -= 1
        self.later(self._next if self.left else self._named, lamp)

    def _named(self, _):
        if self.others:
            self.put(b"), hardest " if self.others < _NAMED else b" and more), hardest ")
        if self.hardest:
            self.later(self.fault, self.hardest)

    def _hv_lamp(self, _):
        o = self.o
        put = self.put
        put(b"high-voltage lamps lit: " if o.lamp_hv else b"high-voltage lamps out: ")
        begin = self.w.tell()
        self._closed(begin, o.positive, b"positive commanded closed")
        self._closed(begin, o.negative, b"negative commanded closed")
        self._closed(begin, o.precharge, b"precharge commanded closed")
        if self.b.feedback:
            word = self.s.switches.word
            self._closed(begin, word & S.AUX_POSITIVE and not o.positive, b"positive reported closed")
            self._closed(begin, word & S.AUX_NEGATIVE and not o.negative, b"negative reported closed")
        if self.w.tell() > begin:
            put(b"; ")
        self._filled(_HV)

    def _closed(self, begin, closed, words):
        if closed:
            if self.w.tell() > begin:
                self.put(b", ")
            self.put(words)

    # Cooling and isolation

    def _cooling(self, _):
        o = self.o
        self.put(b"cooling: fan ")
        self.w.permille(o.fan_permille)
        self.put(b", pump ")
        self.w.permille(o.pump_permille)
        if o.heater:
            self.put(b", heater")
        if o.chiller:
            self.put(b", chiller")
        if o.heat_share:
            self.put(b", motor heat to the pack")
        self.put(b"; ")
        self._filled(_COOLING if self.b.cool_kind else _PASSIVE)

    def _isolation(self, _):
        for row in (8, 9, 11, 12, 10, 7, 13):
            if self.f.places[row]:
                self.later(self.fault, row)
                return
        if not self.s.isolation.watching:
            self.put(b"isolation not judged, another monitor is active while plugged in: ")
        else:
            self.put(b"isolation settled: " if self.s.isolation.settled else b"isolation not settled: ")
        self._filled(_ISOLATION)


_answer = _Answer()
