"""Answers for people: pages of text, 80 columns at the most, one generator a command; each step makes a part of a line.

Reads only. Every page that could pass for leave to touch says what the bus measures, and to prove it dead (S5, S15).
"""

from sys import modules

from micropython import const

from loopwarden import loop as loops
from loopwarden import signals as S
from loopwarden.link import rows as R
from loopwarden.link.lines import clean
from loopwarden.link.tables import (
    BUILD,
    COMMANDS,
    INPUTS,
    LINK_SCHEMA,
    SWITCHES,
    VERSION,
    charge_of,
    fit_to_lay_up,
    starts_of,
)
from loopwarden.memory import codes as K
from loopwarden.memory import drive_log as D
from loopwarden.naming import NO_READING, STATES, put_code, put_name, put_places
from loopwarden.policy import fault_table as T
from loopwarden.policy import phases as P
from loopwarden.readings import Readings

_LABEL = const(14)
_FIRST, _LATEST = const(16), const(42)
_FRAME = (
    b"",
    b"phase",
    b"bus",
    b"pack",
    b"current",
    b"isolation",
    b"pack hottest",
    b"pack coldest",
    b"speed",
    b"drive limit",
    b"charge limit",
    b"contactors",
)
_WRITES = ("ms", "int", "mv", "mv", "ma", "ohm", "dc", "dc", "mm_s", "permille", "permille")
_PHASE, _COMMANDS = const(1), const(11)
_COILS = ((1, b"positive"), (2, b"negative"), (4, b"precharge"), (8, b"discharge"))


class Pages:
    """One generator a command; `lines` is where they go."""

    def __init__(self, lines, info):
        self.out, self.info = lines, info
        self.w = lines.w
        self.put = lines.w.put
        self.r = Readings(lines.w)

    def _label(self, text, column=_LABEL):
        self.put(text)
        self.w.column(column)

    def _say(self, text):
        self.put(text)
        self.out.line()

    def _bus(self, loop):
        # The line about touching.
        self.put(b"Bus measured ")
        self.r.bus()
        if loop.supervisor.phases.proven_dead():
            self._say(b". No permission to touch: prove it dead with a tested meter.")
        elif loop.supervisor.electrics.dead_ms:
            self._say(b", not proven dead yet. Touch nothing.")
        else:
            self._say(b": take it as LIVE. Touch nothing.")

    def help(self, loop, arg):
        for name, what in COMMANDS:
            self._label(name)
            self._say(what)
            yield

    # Status

    def status(self, loop, arg):
        if loop.supervisor is None:
            yield from self._stopped(loop)
            return
        s = loop.supervisor
        r = self.r
        r.of(s, 0)
        yield
        self._label(b"phase")
        self.w.text(P.NAMES[s.phases.phase])
        self.put(b" for ")
        self.w.ms(s.phases.t_ms)
        self.out.line()
        yield
        self._label(b"bus")
        r.bus()
        self.put(b", pack ")
        r.pack()
        self.put(b", current ")
        r.current()
        self.out.line()
        yield
        self._label(b"isolation")
        r.isolation()
        self.out.line()
        yield
        self._label(b"temperatures")
        self.put(b"pack ")
        r.coldest()
        self.put(b" to ")
        r.hottest()
        yield
        self.put(b", inverter ")
        r.inverter()
        self.put(b", motor ")
        r.motor()
        self.out.line()
        yield
        self._label(b"speed")
        r.speed()
        self.out.line()
        yield
        self._label(b"limits")
        self.put(b"drive ")
        self.w.permille(s.outputs.drive_limit_permille)
        self.put(b", charge ")
        self.w.permille(s.outputs.charge_limit_permille)
        self.out.line()
        yield
        o = s.outputs
        self._label(b"contactors")
        self._coils(o.positive | o.negative << 1 | o.precharge << 2 | o.discharge << 3)
        self.out.line()
        yield
        self._label(b"lamps")
        self._lamp(b"ready ", o.lamp_ready)
        self._lamp(b", caution ", o.lamp_caution)
        self._lamp(b", stop ", o.lamp_stop)
        self._lamp(b", high voltage ", o.lamp_hv)
        self.out.line()
        yield
        self._label(b"faults")
        if s.faults.actives:
            self.w.int(s.faults.actives)
            self.put(b" active")
            if s.faults.worst_row:
                self.put(b", hardest: ")
                put_name(self.w, s.faults.worst_row)
        else:
            self.put(b"none active")
        self.out.line()
        yield
        self._label(b"memory")
        r.memory()
        self.put(b", power cycle ")
        self.w.int(loop.memory.cycle)
        self.put(b", marked live" if loop.memory.mark else b", marked dead")
        self.put(b", positive pole proven open" if loop.memory.positive_proven else b"")
        self.out.line()
        yield
        self._label(b"program")
        self.put(self.info["program"])
        self.put(b", up for ")
        self.w.ms(s.faults.clock_ms)
        self.put(b", ")
        r.heap()
        self.put(b" free, late by ")
        self.w.ms(loop.late_ms)
        self.out.line()
        yield
        if loop.ends:
            self._label(b"")
            self.put(b"ended by itself ")
            self.w.int(loop.ends)
            self.put(b" times in a row, last while ")
            self._doing(loop.before)
            self.out.line()
            yield
        self._bus(loop)
        yield

    def _lamp(self, name, lit):
        self.put(name)
        self.put(b"lit" if lit else b"dark")

    def _coils(self, mask):
        if not mask:
            self.put(b"all off")
        mark = b""
        for bit, name in _COILS:
            if mask & bit:
                self.put(mark)
                self.put(name)
                mark = b", "
        if mask:
            self.put(b" on")

    def _doing(self, word):
        if not word:
            self.put(b"nothing noted")
            return
        stage, phase, row = loops.told(word)
        self.w.text(stage)
        self.put(b", phase ")
        self.w.text(P.NAMES[phase])
        if row:
            self.put(b", ")
            put_name(self.w, row)

    def _stopped(self, loop):
        self.put(b"STOPPED: the program ended by itself ")
        self.w.int(loop.ends)
        self._say(b" times in a row; nothing is decided any more.")
        yield
        self.put(b"It was ")
        self._doing(loop.before)
        self._say(b".")
        yield
        self._say(b"Every output is off until the power is taken away. Nothing is measured:")
        yield
        self._say(b"the bus may be LIVE. Touch nothing; prove it dead with a tested meter.")
        yield

    # Faults

    def faults(self, loop, row):
        if row:
            yield from self._one(loop, row)
            return
        n = 0
        for row in range(1, len(T.TABLE) + 1):
            if R.shown(loop, row):
                if not n:
                    self._say(b"code      name                       count  state")
                    yield
                n += 1
                self._head(row)
                yield
                self._counted(loop, row)
                yield
                self._state(loop, row)
                yield
            elif row & 7 == 0:
                yield
        if not n:
            self._say(b"No codes, and no fault is active.")
            yield
        if loop.memory.new:
            self._say(b"The memory is new: it was wiped or made, so having no codes proves nothing.")
        elif loop.memory.failed or loop.memory.damaged:
            self._say(b"The memory could not be read in full, so there may have been more.")
        elif n:
            self._say(b"faults CODE tells more of one; why NAME says what it reads now.")
        else:
            self.put(b"Power cycle ")
            self.w.int(loop.memory.cycle)
            self._say(b" of this memory.")
        yield

    def _head(self, row):
        known = T.TABLE[row - 1]
        put_code(self.w, known[T.CODE], known[T.FTB])
        self.w.column(10)
        put_name(self.w, row)

    def _counted(self, loop, row):
        record = loop.memory.raw(row)
        self.w.column(37)
        self.w.int_right(0 if record is None else record[K.COUNT], 5)
        self.put(b"  active" if loop.supervisor.faults.places[row] else b"  past")

    def _state(self, loop, row):
        if R.present(loop, row):
            self.put(b", present")
        if row in loop.memory.locked:
            self.put(b", kept until cleared")
        if loop.memory.raw(row) is not None:
            self.put(b", stored" if loop.memory.stored(row) else b", not stored yet")
        self.out.line()

    def _one(self, loop, row):
        w = self.w
        known = T.TABLE[row - 1]
        record = loop.memory.raw(row)
        put_name(w, row)
        self.put(b", code ")
        put_code(w, known[T.CODE], known[T.FTB])
        mask = loop.supervisor.faults.places[row] | (0 if record is None else record[K.PLACES])
        begin = w.tell()
        self.put(b", ")
        put_places(w, row, mask)
        if w.tell() == begin + 2:
            w.page.seek(begin)
        self.out.line()
        yield
        self._say(b"active now" if loop.supervisor.faults.places[row] else b"not active")
        yield
        if record is None:
            self._say(b"no record is kept of it")
            yield
        else:
            yield from self._record(loop, record)
        texts = modules["loopwarden.texts"].texts  # loaded by then, and too dear to import in a drive
        if texts.find(row, b"means "):
            yield from self._text(texts, b"means")
        n = 0
        while texts.find(row, b"check ", n):
            yield from self._text(texts, b"then" if n else b"first check")
            n += 1
        self.r.of(loop.supervisor, 0)
        self._bus(loop)
        yield

    def _text(self, texts, label):
        self._say(label)
        yield
        yield from self.out.broken(self._copied(texts), self.out.indented)

    def _copied(self, texts):
        self.put(texts.view[texts.begin : texts.end])
        yield

    def _record(self, loop, record):
        w = self.w
        latest = K.latest(record)
        self._label(b"")
        w.column(_FIRST)
        self._label(b"first time", _LATEST)
        self.put(b"latest of ")
        w.int(record[K.COUNT])
        self.out.line()
        yield
        self._label(b"power cycle", _FIRST)
        w.int(record[K.FIRST_CYCLE])
        w.column(_LATEST)
        w.int(record[K.LATEST_CYCLE])
        self.out.line()
        yield
        self._label(b"after power-up", _FIRST)
        w.ms(record[K.FIRST])
        w.column(_LATEST)
        w.ms(record[latest])
        self.out.line()
        yield
        self._label(b"time of day", _FIRST)
        self._wall(record[K.FIRST_WALL_S])
        w.column(_LATEST)
        self._wall(record[K.LATEST_WALL_S])
        self.out.line()
        yield
        for k in range(1, len(_FRAME)):
            self._label(_FRAME[k], _FIRST)
            self._field(k, record[K.FIRST + k])
            w.column(_LATEST)
            self._field(k, record[latest + k])
            self.out.line()
            yield
        yield from self._strip(loop.memory.strip())

    def _wall(self, wall_s):
        if wall_s:
            self.w.moment(wall_s)
        else:
            self.put(b"not told")

    def _field(self, k, value):
        if value == K.NOTHING:
            self.put(b"not known")
        elif k == _PHASE:
            self.w.text(P.NAMES[value])
        elif k == _COMMANDS:
            self._coils(value)
        else:
            getattr(self.w, _WRITES[k])(value)

    def _strip(self, strip):
        n = D.samples(strip)
        shown = 0
        for k in range(n):
            if D.is_taken(strip, k):
                if not shown:
                    self._say(b"the seconds before the latest hard reaction of any fault:")
                    yield
                    self._say(b"before      bus     pack   current     speed   limit  phase")
                    yield
                shown += 1
                self._cell(0, 6, "ms", (n - 1 - k) * D.SAMPLE_MS)
                self._cell(7, 8, "mv", self._scaled(strip, k, 0, 100))
                self._cell(16, 8, "mv", self._scaled(strip, k, 1, 100))
                yield
                self._cell(25, 9, "ma", self._scaled(strip, k, 2, 100))
                self._cell(35, 9, "mm_s", self._scaled(strip, k, 3, 10))
                self._cell(45, 7, "permille", self._scaled(strip, k, 4, 1))
                self.put(b"  ")
                self.w.text(P.NAMES[D.sample_at(strip, k, 5)])
                self.out.line()
                yield

    def _scaled(self, strip, k, field, scale):
        value = D.sample_at(strip, k, field)
        return None if value is None else value * scale

    def _cell(self, column, width, write, value):
        w = self.w
        if column:
            w.column(column)
        begin = w.tell()
        if write == "int":
            w.int_right(value, width)
            return
        if value is None:
            self.put(b"-")
        else:
            getattr(w, write)(value)
        w.right(begin, width)

    # Why

    def why(self, loop, which):
        render = modules["loopwarden.words"].render
        yield from self.out.broken(render(loop.supervisor, which, self.w), self.out.indented)

    # Inputs, limits

    def inputs(self, loop, arg):
        i = loop.supervisor.inputs
        w = self.w
        self.r.of(loop.supervisor, 0)
        for name, value, state, fitted, write in INPUTS:
            self._label(name, 22)
            if fitted and not getattr(loop.build, fitted):
                self.put(b"not fitted")
            elif getattr(i, state) or getattr(i, value) is None:
                self.put(NO_READING)
                self.put(b", ")
                self.put(STATES[getattr(i, state)])
            else:
                getattr(w, write)(getattr(i, value))
            self.out.line()
            yield
        for z in range(len(loop.build.zone_where)):
            self.put((b"pack", b"inverter", b"motor")[loop.build.zone_where[z]])
            self.put(b" zone ")
            w.int(z + 1)
            w.column(22)
            self.r.zone(z)
            self.out.line()
            yield
        for name, bit, fitted in SWITCHES:
            if not fitted or getattr(loop.build, fitted):
                self._label(name, 22)
                self._level(i, bit, b"on", b"off")
                yield
        for n in range(len(loop.build.loop_kind)):
            self.put((b"hard", b"watched", b"drive permit", b"charge permit")[loop.build.loop_kind[n]])
            self.put(b" loop ")
            w.int(n + 1)
            w.column(22)
            self._level(i, S.LOOP0 << n, b"closed", b"open")
            yield
        self._bus(loop)
        yield

    def _level(self, i, bit, on, off):
        known = i.known is not None and i.known & bit
        self._say((on if i.bits & bit else off) if known else b"cannot be read")

    def limits(self, loop, arg):
        s = loop.supervisor
        self._say(b"limit         granted   goal      set by")
        yield
        self._limit(s, b"drive", s.outputs.drive_limit_permille, s.limits.drive_goal, s.faults.drive & 255)
        yield
        self._limit(s, b"charge", s.outputs.charge_limit_permille, s.limits.charge_goal, s.faults.charge & 255)
        yield

    def _limit(self, s, name, granted, goal, row):
        w = self.w
        self._label(name)
        w.permille(granted)
        w.column(24)
        w.permille(goal >> 4)
        w.column(34)
        R.put_limiter(w, s, goal, row)
        self.out.line()

    # Starts, storage

    def starts(self, loop, arg):
        shown = 0
        for cycle in starts_of(loop):
            line = loop.memory.line(cycle)
            if line is None or not line[D.PRECHARGE_MS]:
                yield
                continue
            if not shown:
                self._say(b"cycle  precharge  discharge  isolation        pack    inverter      motor  codes")
                yield
            shown += 1
            yield from self._start(line)
        if not shown:
            self._say(b"No precharge is recorded.")
            yield

    def _start(self, line):
        self._cell(0, 5, "int", line[D.CYCLE])
        self._cell(7, 9, "ms", line[D.PRECHARGE_MS])
        self._cell(18, 9, "ms", line[D.DISCHARGE_MS] or None)
        yield
        self._cell(29, 9, "ohm", D.value(line, D.LOWEST_OHM))
        self._cell(40, 12, "dc", D.value(line, D.HOTTEST_DC))
        yield
        self._cell(53, 10, "dc", D.value(line, D.INVERTER_DC))
        self._cell(64, 10, "dc", D.value(line, D.MOTOR_DC))
        yield
        n = D.count(line)
        self._cell(76, 4, "int", n)
        self.out.line()
        yield

    def storage(self, loop, arg):
        s = loop.supervisor
        self.r.of(s, 0)
        reason = fit_to_lay_up(loop)
        yield
        self._label(b"lay it up")
        self.put(b"not yet: " if reason else b"yes, as far as this board can tell")
        self._say(reason)
        yield
        self._label(b"pack")
        if s.electrics.rest_mv and s.electrics.pack_ok:
            self.w.mv(s.electrics.rest_mv)
            self.put(b" at rest")
        else:
            self.r.pack()
            self.put(b", not seen at rest")
        self.out.line()
        yield
        self._label(b"charge")
        charge = charge_of(loop)
        if charge is None:
            self.put(b"not known")
        else:
            self.put(b"about ")
            self.w.permille(charge // 10 * 10)
        self.put(b"; stored best at ")
        self.w.permille(loop.build.store_permille)
        yield
        self.put(b", topped up from ")
        self.w.permille(loop.build.refill_permille)
        self._say(b" down" if charge is None or charge > loop.build.refill_permille else b" down: NOW")
        yield
        self._label(b"isolation")
        self.r.isolation()
        self.out.line()
        yield
        self._label(b"codes")
        n = 0
        for row in range(1, len(T.TABLE) + 1):
            n += loop.memory.raw(row) is not None
            if row & 7 == 0:
                yield
        self.w.int(n)
        self.put(b" stored, ")
        self.w.int(loop.supervisor.faults.actives)
        self.put(b" active, ")
        self.w.int(len(loop.memory.locked))
        self.put(b" kept until cleared")
        self.out.line()
        yield
        self._label(b"memory")
        self.r.memory()
        stored = b", not everything stored" if loop.memory.failed else b", still storing"
        self._say(b", everything stored" if loop.memory.idle() and not loop.memory.failed else stored)
        yield
        self._label(b"disconnect")
        self._say(b"who disconnects what: see the card of the review")
        yield
        self._label(b"look again")
        self._say(b"at the latest in 30 days (common practice)")
        yield
        self._bus(loop)
        yield

    # Version, build

    def version(self, loop, arg):
        for name in VERSION:
            self._label(name.encode())
            self.put(self.info[name])
            self.out.line()
            yield
        self._label(b"link schema")
        self.w.int(LINK_SCHEMA)
        self.out.line()
        yield

    def build(self, loop, arg):
        self._label(b"name", 26)
        self.put(clean(loop.build.name))
        self.out.line()
        yield
        for label, name in BUILD:
            self._label(label, 26)
            if name.endswith("_v"):
                self.w.int(getattr(loop.build, name))
                self.put(b" V")
            else:
                self.w.quantity(name, getattr(loop.build, name))
            self.out.line()
            yield
