"""Answers for programs: JSON objects, one generator a command; each step makes a part of a line.

Reads only. hardware_notes/console.md lists the fields.
"""

from sys import modules

from loopwarden import signals as S
from loopwarden.link import rows as R
from loopwarden.link.lines import clean
from loopwarden.link.tables import (
    BUILD,
    COMMANDS,
    EPOCH_S,
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
from loopwarden.naming import STATES, put_code, put_places
from loopwarden.policy import fault_table as T
from loopwarden.policy import phases as P

_STRIP = (b"bus_dv", b"pack_dv", b"current_da", b"speed_cm_s", b"drive_limit_permille", b"phase", b"isolation_kohm")
_FRAME = [name.encode() for name in K.FRAME]
_BUILD = [name.encode() for _, name in BUILD]
_OUTPUTS = (
    "drive_limit_permille",
    "charge_limit_permille",
    "positive",
    "negative",
    "precharge",
    "discharge",
    "lamp_ready",
    "lamp_caution",
    "lamp_stop",
    "lamp_hv",
)
_COMMANDS = [name.encode() for name in _OUTPUTS]


def is_set(flags, row):
    return flags[row]


class Objects:
    """One generator a command; `lines` is where they go."""

    def __init__(self, lines, info):
        self.out, self.info = lines, info
        self.w = lines.w
        self.now = K.new_record(0)

    def help(self, loop, arg):
        out = self.out
        for name, what in COMMANDS:
            out.begin(b"help")
            out.text(b"command", name)
            out.text(b"what", what)
            yield
            out.close()
            yield

    def status(self, loop, arg):
        out = self.out
        if loop.supervisor is None:
            out.begin(b"status")
            out.text(b"phase", b"stopped")
            out.int(b"restarts", loop.ends)
            out.int(b"before", loop.before)
            out.int(b"heap_free", loop.board.heap_free())
            yield
            out.close()
            yield
            return
        s = loop.supervisor
        now = self.now
        K.write_frame(now, K.FIRST, s, 0)
        out.begin(b"status")
        out.text(b"phase", P.NAMES[s.phases.phase].encode())
        yield
        out.int(b"clock_ms", s.faults.clock_ms)
        out.int(b"cycle", loop.memory.cycle)
        yield
        for k in range(2, 9):
            value = self._kept(K.FIRST + k, now)
            out.int(_FRAME[k], value)
            if k == 5:
                out.int(b"isolation_ohm_per_v", None if value is None else value // s.build.working_v)
            if k & 1:
                yield
        out.close()
        yield
        out.begin(b"status")
        for k in range(len(_OUTPUTS)):
            out.int(_COMMANDS[k], getattr(s.outputs, _OUTPUTS[k]))
            if k % 3 == 2:
                yield
        out.int(b"key", s.switches.key)
        out.int(b"heap_free", s.inputs.heap_free)
        out.int(b"late_ms", loop.late_ms)
        yield
        out.close()
        yield
        out.begin(b"status")
        out.int(b"worst", s.faults.worst_row)
        out.text(b"mark", b"live" if loop.memory.mark else b"dead")
        out.int(b"proven", 1 if loop.memory.positive_proven else 0)
        yield
        birth = getattr(loop.memory, "birth", (0, 0))
        out.open(b"birth")
        for word in birth:
            self.w.hex(word >> 16, 4)
            self.w.hex(word & 0xFFFF, 4)
        out.put(b'"')
        yield
        out.int(b"restarts", loop.ends)
        out.int(b"working_v", s.build.working_v)
        out.int(b"dead_mv", s.build.dead_mv)
        yield
        out.close()
        yield
        out.begin(b"status")
        out.key(b"active")
        yield from self._rows(is_set, s.faults.places)
        yield
        out.close()
        yield

    def _rows(self, has, what):
        # The ids of rows that `what` has, as a list: some a step, as it may be all of them.
        mark = b"["
        for row in range(1, len(T.TABLE) + 1):
            if has(what, row):
                self.out.put(mark)
                self.w.int(row)
                mark = b","
            if row % 6 == 0:
                yield
        self.out.put(b"]" if mark == b"," else b"[]")

    def _kept(self, at, record):
        return None if record[at] == K.NOTHING else record[at]

    def faults(self, loop, row):
        if row:
            yield from self._one(loop, row)
            return
        for row in range(1, len(T.TABLE) + 1):
            if R.shown(loop, row):
                yield from self._fault(loop, row)
            elif row & 7 == 0:
                yield

    def _fault(self, loop, row):
        out = self.out
        f = loop.supervisor.faults
        record = loop.memory.raw(row)
        known = T.TABLE[row - 1]
        mask = f.places[row] if record is None else record[K.PLACES] | f.places[row]
        out.begin(b"fault")
        out.int(b"row", row)
        out.text(b"name", known[T.NAME].encode())
        yield
        out.open(b"code")
        put_code(self.w, known[T.CODE], known[T.FTB])
        out.put(b'"')
        yield
        out.int(b"status", loop.memory.status(row) if record is not None else 0)
        out.int(b"count", 0 if record is None else record[K.COUNT])
        out.int(b"places", mask)
        yield
        out.open(b"where")
        put_places(self.w, row, mask)
        out.put(b'"')
        yield
        out.int(b"present", R.present(loop, row))
        out.int(b"active", 1 if f.places[row] else 0)
        out.int(b"stored", 1 if record is not None and loop.memory.stored(row) else 0)
        yield
        out.int(b"first_cycle", None if record is None else record[K.FIRST_CYCLE])
        out.int(b"latest_cycle", None if record is None else record[K.LATEST_CYCLE])
        yield
        out.int(b"first_ms", None if record is None else record[K.FIRST])
        out.int(b"latest_ms", None if record is None else record[K.latest(record)])
        out.int(b"lock", 1 if row in loop.memory.locked else 0)
        yield
        out.close()
        yield

    def _one(self, loop, row):
        out = self.out
        yield from self._fault(loop, row)
        record = loop.memory.raw(row)
        if record is not None:
            for which, at in ((b"first", K.FIRST), (b"latest", K.latest(record))):
                out.begin(b"frame")
                out.text(b"which", which)
                wall_s = record[K.FIRST_WALL_S if which == b"first" else K.LATEST_WALL_S]
                out.int(b"wall_s", wall_s + EPOCH_S if wall_s else None)
                for k in range(len(_FRAME)):
                    out.int(_FRAME[k], self._kept(at + k, record))
                    if k % 3 == 2:
                        yield
                out.close()
                yield
            strip = loop.memory.strip()
            for n in range(D.samples(strip)):
                if D.is_taken(strip, n):
                    yield from self._sample(strip, n)
        texts = modules["loopwarden.texts"].texts  # loaded by then, and too dear to import in a drive
        if texts.find(row, b"means "):
            out.means(texts.view[texts.begin : texts.end])
            yield
        n = 0
        while texts.find(row, b"check ", n):
            out.check(texts.view[texts.begin : texts.end])
            n += 1
            yield

    def _sample(self, strip, n):
        out = self.out
        out.begin(b"strip")
        out.int(b"before_ms", (D.samples(strip) - 1 - n) * D.SAMPLE_MS)
        for k in range(D.FIELDS):
            out.int(_STRIP[k], D.sample_at(strip, n, k))
            if k & 1:
                yield
        out.close()
        yield

    def why(self, loop, which):
        render = modules["loopwarden.words"].render
        yield from self.out.broken(render(loop.supervisor, which, self.w), self.out.why)

    def inputs(self, loop, arg):
        out = self.out
        i = loop.supervisor.inputs
        for name, value, state, fitted, _ in INPUTS:
            out.begin(b"input")
            out.text(b"name", name)
            is_fitted = not fitted or getattr(loop.build, fitted)
            out.int(b"value", getattr(i, value) if is_fitted and not getattr(i, state) else None)
            out.text(b"state", (STATES[getattr(i, state)] or b"ok") if is_fitted else b"not fitted")
            yield
            out.close()
            yield
        for z in range(len(loop.build.zone_where)):
            out.begin(b"input")
            out.open(b"name")
            out.put(b"zone ")
            self.w.int(z + 1)
            out.put(b'"')
            yield
            out.int(b"value", None if i.zone_state[z] else i.zone_dc[z])
            out.text(b"state", STATES[i.zone_state[z]] or b"ok")
            yield
            out.close()
            yield
        for name, bit, fitted in SWITCHES:
            if not fitted or getattr(loop.build, fitted):
                out.begin(b"switch")
                out.text(b"name", name)
                yield
                self._level(i, bit)
                yield
        for n in range(len(loop.build.loop_kind)):
            out.begin(b"switch")
            out.open(b"name")
            out.put(b"loop ")
            self.w.int(n + 1)
            out.put(b'"')
            yield
            self._level(i, S.LOOP0 << n)
            yield

    def _level(self, i, bit):
        self.out.int(b"on", None if i.known is None or not i.known & bit else 1 if i.bits & bit else 0)
        self.out.close()

    def limits(self, loop, arg):
        s = loop.supervisor
        self._limit(s, b"drive", s.outputs.drive_limit_permille, s.limits.drive_goal)
        yield
        self._by(s, s.limits.drive_goal, s.faults.drive & 255)
        yield
        self._limit(s, b"charge", s.outputs.charge_limit_permille, s.limits.charge_goal)
        yield
        self._by(s, s.limits.charge_goal, s.faults.charge & 255)
        yield

    def _limit(self, s, name, granted, goal):
        out = self.out
        out.begin(b"limit")
        out.text(b"name", name)
        out.int(b"granted_permille", granted)
        out.int(b"goal_permille", goal >> 4)

    def _by(self, s, goal, row):
        out = self.out
        out.open(b"by")
        R.put_limiter(self.w, s, goal, row)
        out.put(b'"')
        out.close()

    def starts(self, loop, arg):
        out = self.out
        for cycle in starts_of(loop):
            line = loop.memory.line(cycle)
            if line is None or not line[D.PRECHARGE_MS]:
                yield
                continue
            out.begin(b"start")
            out.int(b"cycle", cycle)
            out.int(b"precharge_ms", line[D.PRECHARGE_MS])
            out.int(b"discharge_ms", line[D.DISCHARGE_MS] or None)
            yield
            out.int(b"lowest_ohm", D.value(line, D.LOWEST_OHM))
            out.int(b"hottest_dc", D.value(line, D.HOTTEST_DC))
            yield
            out.int(b"inverter_dc", D.value(line, D.INVERTER_DC))
            out.int(b"motor_dc", D.value(line, D.MOTOR_DC))
            out.int(b"drove", line[D.FLAGS] & D.DROVE)
            yield
            out.key(b"rows")
            yield from self._rows(D.noted, line)
            yield
            out.close()
            yield

    def storage(self, loop, arg):
        out = self.out
        e = loop.supervisor.electrics
        reason = fit_to_lay_up(loop)
        yield
        out.begin(b"storage")
        out.int(b"ready", 0 if reason else 1)
        out.int(b"pack_mv", (e.rest_mv or loop.inputs.pack_mv) if e.pack_ok else None)
        out.int(b"charge_permille", charge_of(loop))
        out.int(b"look_again_days", 30)
        out.text(b"text", reason or b"as far as this board can tell; who disconnects what: see the card of the review")
        yield
        out.close()
        yield

    def version(self, loop, arg):
        out = self.out
        out.begin(b"version")
        for name in VERSION:
            out.text(name.encode(), self.info[name])
            yield
        out.int(b"schema", LINK_SCHEMA)
        yield
        out.close()
        yield

    def build(self, loop, arg):
        out = self.out
        out.begin(b"build")
        out.text(b"name", clean(loop.build.name))
        yield
        out.text(b"digest", self.info["build"])
        yield
        for k in range(len(BUILD)):
            out.int(_BUILD[k], getattr(loop.build, BUILD[k][1]))
            if k % 3 == 2:
                yield
        out.close()
        yield
