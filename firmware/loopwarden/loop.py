"""The loop: one tick after another, in a fixed order; what is late or blows up ends with outputs off (S11).

    sample -> decide -> drive -> watchdog, if all three left their marks -> memory -> link, with what time is left

Catch-up: none. A late tick is told (`late_ms`) and its true length counted; the next one is due a whole period later.
"""

from micropython import const

from loopwarden.convert.edge import Edge
from loopwarden.policy.faults import ENDED, GONE, NOTED
from loopwarden.policy.supervisor import Supervisor
from loopwarden.signals import Inputs, Outputs

DT_MAX_MS = const(100)
SERVICE = const(0x5E41CE)  # in the fourth scratch word: the next start ends at the prompt, which main.py sees to
ENDS_MAX = const(3)  # exceptions, missed heartbeats and watchdog bites in a row, after which nothing is tried any more
_CALM_MS = const(600000)  # so long without one and the count begins anew
_SECOND_MS = const(1000)
_COLLECT_BELOW = const(96 * 1024)
_UNHANDLED = const(69)  # row
_READY = const(1)  # stage of phases.py; before it is the off phase
_PAGES_AT_THE_END = const(100)  # the code, and what waited before it: at the most every row and the state
STAGES = ("waiting", "sampling", "deciding", "driving", "storing", "talking")


class HeartbeatMissed(Exception):
    """A tick took longer than the coil drive holds without an edge: the contactors have let go by themselves."""


class Loop:
    """tick(): one tick, without the waiting. pace(): wait for the next one; the link gets the time. Late: the next tick
    begins at once.

    Attributes: ends (how often in a row the program ended by itself), before (what it was doing when it last did, or
    0), held (too often: nothing is decided any more, outputs stay off until the power is taken away).

    board   now_us(), diff_us(one, other), after_us(us, more), sample(raw), drive(outputs), feed(), sleep_us(us),
            off(), reset(), heap_free(), collect(), scratch (four integers that outlive a reset, not a loss of power),
            marks and mark_at (the first of the four is marks[mark_at], which is quicker)
    link    work(loop): one bounded piece of work after each tick, at rest as long as there is time; or None
    row     what kept the last start from starting, to be stored as over; or 0
    """

    def __init__(self, board, build, memory, link=None, row=0):
        self.board, self.build, self.memory, self.link = board, build, memory, link
        self.inputs, self.outputs = Inputs(), Outputs()
        scratch = self.scratch = board.scratch
        self.before = scratch[0]  # 0 after a loss of power, or after an end that was meant
        self.ends = scratch[1] + 1 if self.before else 0
        self.held = self.ends >= ENDS_MAX
        scratch[1] = self.ends
        scratch[0] = 1
        self.told = scratch[2]
        scratch[2] = 0
        self.supervisor = self.coil_test = self.watch = None  # watch(dt_ms): called after each tick
        if not self.held:
            self.memory.begin(board.feed)
            self.supervisor = Supervisor(build, memory)
            if self.before and not self.told:  # a watchdog's bite leaves no time to store why
                self.supervisor.bind(self.inputs, self.outputs)
                self._store_why(self.before)
            if row:
                self.supervisor.faults.marks[row] = NOTED | GONE | ENDED
                self.supervisor.faults.marked = 1
        self.late_ms = self.calm_ms = 0
        self.slow = True  # the last tick held a stall that was meant: power-up, a file, an erase, a collection
        self.last_us = self.due_us = board.now_us()
        edge = Edge(build)
        self.tick = self._ticks(edge.raw, edge.bind(self.inputs)).__next__
        self.pace = self._paces().__next__

    def run(self):
        """Tick for ever. Whatever ends it: outputs off first, then a code, then a reset, never the prompt (S11)."""
        try:
            self.scratch[3] = 0  # it got here: main.py counts the starts that did not
            while True:
                self.pace()  # first, so that the first tick is a whole period long as well
                self.tick()
        except BaseException:  # KeyboardInterrupt and SystemExit are no Exception
            try:
                self.board.off()
            finally:
                self.end()

    def _ticks(self, raw, fill):
        # A generator: its names stay where they are, and each costs a sixth of an attribute, the first 16 a bit less.
        # What is raised in it ends it, and the program with it (S11). The supervisor is looked up: a recording begins
        # with a new one.
        ms = doing = 0
        s = f = marks = at = None
        us = now_us = rest_us = late_ms = turn = second_ms = 0
        step = phases = None
        board, memory, inputs, o, held = self.board, self.memory, self.inputs, self.outputs, self.held
        # The marks lie in a word that outlives the watchdog: what was being done, in which phase, with which row the
        # hardest.
        marks, at = board.marks, board.mark_at
        work, last_us, hold_ms = memory.work, self.last_us, self.build.heartbeat_hold_ms
        now, diff, sample, drive, feed = board.now_us, board.diff_us, board.sample, board.drive, board.feed
        while True:
            now_us = now()
            us = diff(now_us, last_us) + rest_us
            self.last_us = last_us = now_us
            marks[at] = doing | 1
            sample(raw)
            ms = us // 1000  # whole milliseconds go to the policy, the rest is carried on
            rest_us = us - ms * 1000
            if not held:
                if ms < 1 or ms >= hold_ms:
                    ms = self._odd_ms(ms)
                fill(ms)
                inputs.late_ms = late_ms = self.late_ms
                marks[at] = doing | 2
                if self.supervisor is not s:
                    s, o = self.supervisor, self.outputs
                    f, phases, step = s.faults, s.phases, s.step
                step(inputs, o, ms)
                if self.coil_test:  # S15
                    self.coil_test.step(ms)
                doing = phases.phase << 8 | f.worst_row << 16
            marks[at] = doing | 3
            drive(o)
            # Nothing gets here but by way of the three marks; that the last one still stands shows what became of them.
            if marks[at] == doing | 3:
                feed()
            marks[at] = doing | 4
            if held:
                self.slow = False
            else:
                if late_ms or (f.marked and memory.mark == memory.want):
                    turn = turn + 1 & 3  # this tick did much; even where all do, what waits is stored in the end
                else:
                    turn = 0
                self.slow = work(s, not turn)
                second_ms += ms
                if second_ms >= _SECOND_MS:
                    self._each_second(second_ms)
                    second_ms = 0
            if self.watch:
                self.watch(ms)
            marks[at] = doing | 5
            yield

    def _odd_ms(self, ms):
        # What stalled in the off phase is cut at 100 ms.
        if ms >= self.build.heartbeat_hold_ms and not self.slow and self._something_on(self.outputs):
            raise HeartbeatMissed(ms)
        return min(max(ms, 1), DT_MAX_MS)

    def _something_on(self, o):
        return o.positive or o.negative or o.precharge or o.discharge

    def _each_second(self, ms):
        self.calm_ms += ms
        if self.calm_ms >= _CALM_MS:
            self.calm_ms = 0
            self.scratch[1] = self.ends = 0
        free = self.board.heap_free()
        if free < _COLLECT_BELOW and self._at_rest() and not self.slow:
            self.board.collect()
            self.slow = True
            free = self.board.heap_free()
        self.inputs.heap_free = free

    def _paces(self):
        # A generator, as that of the ticks.
        board, memory, held, period_us = self.board, self.memory, self.held, self.build.tick_ms * 1000
        now, diff, after, sleep = board.now_us, board.diff_us, board.after_us, board.sleep_us
        was_late = True
        while True:
            now_us = now()
            due_us = after(self.due_us, period_us)
            late_us = diff(now_us, due_us)
            if late_us > 0:
                self.due_us = now_us
                self.late_ms = 0 if self.slow else late_us // 1000 + 1
                was_late = True
            else:
                self.due_us = due_us
                if was_late:
                    self.late_ms = 0
                    was_late = False
                link = self.link
                if link is not None and not memory.busy:
                    if not held and self.supervisor.phases.stage > _READY:
                        link.work(self)  # S15: a host that floods gets a bounded part of a live tick
                    else:
                        while link.work(self) and (held or self._at_rest()) and diff(due_us, now()) > 0:
                            pass
                left_us = diff(due_us, now())
                if left_us > 0:
                    sleep(left_us)
            yield

    def end(self):
        """Store why, then reset. Outputs are off already; nothing here may keep the reset from coming."""
        try:
            self.outputs.off()
            self._store_why(self.scratch[0])
        except BaseException:  # what is broken may be the very thing that stores; the next start tells it then
            pass
        finally:
            self.board.reset()

    def _store_why(self, what):
        # A second end in one power cycle counts as well: the row is noted even where it is active.
        faults = self.supervisor.faults
        faults.trip(_UNHANDLED, what)
        faults.marks[_UNHANDLED] |= NOTED
        faults.marked = 1
        self.memory.work(self.supervisor)
        for _ in range(_PAGES_AT_THE_END):
            if not self.memory.stored(_UNHANDLED):
                self.memory.work(self.supervisor)
        self.scratch[2] = 1 if self.memory.stored(_UNHANDLED) else 0

    def _at_rest(self):
        # Collecting stops the board for a tick or two, and a link that gets all the time delays one by a piece of work.
        # With every coil off and nothing started nobody is the worse for it; a board behind a hold relay, whose key is
        # always on while it runs, would never collect in the off phase, and a lamp test is over in 2 s.
        return self.supervisor.phases.stage <= _READY and not self._something_on(self.outputs)

    def service(self):
        """Reset into service: the prompt, outputs off. Whether that may be now is the link's to ask; it is no end."""
        self.board.off()
        self.scratch[3] = SERVICE
        self.scratch[0] = 0
        self.board.reset()


def start(board, build, memory, link=None, note=None, row=0):
    """Make the loop and run it; what goes wrong while it is made ends as in a tick, with a note instead of a code.

    note    called with the exception, outputs off; or None
    """
    try:
        loop = Loop(board, build, memory, link, row)
    except BaseException as error:
        try:
            board.off()
            if note:
                note(error)
        finally:
            board.reset()
        raise
    loop.run()


def told(word):
    """What `before` means, in words: (stage of the tick, index into phases.NAMES, row id or 0)."""
    return STAGES[word & 0xFF], word >> 8 & 0xFF, word >> 16
