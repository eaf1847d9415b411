"""What the link may ask for: clear, acknowledge, the time of day, service. Each is refused with a reason (S15).

A lock, and a row that waits for an acknowledgement, is asked of the supervisor and decided by the wired button; nothing
here writes an output.
"""

from micropython import const

from loopwarden.link import rows as R
from loopwarden.link.tables import EPOCH_S, not_off
from loopwarden.naming import put_name
from loopwarden.policy import fault_table as T
from loopwarden.policy import supervisor as V

_STORED_MS = const(3000)
_DIGITS = const(10)
_PRESS = b"press the wired acknowledge button now, within 10 s"
_ANSWERS = {
    V.NOTHING: b"another request took its place",
    V.NOT_OFF: b"refused: the drive is not off",
    V.NOT_DEAD: b"refused: the bus is not proven dead",
    V.PRESENT: b"refused: its condition is still there",
    V.TIMED_OUT: b"refused: the button was not pressed within 10 s",
    V.NOT_ACTIVE: b"refused: it is not active",
}
_NOT_STORED = b"cleared, but not stored yet: until the key was off, a power cut brings it back"
_STILL = b"still active; what ends it stands under faults CODE"
_NOTHING = b"nothing is stored of it"


class Deeds:
    """One generator a command."""

    def __init__(self, lines):
        self.out = lines

    def _asked(self, row, what):
        out = self.out
        if out.program:
            out.begin(b"asked")
            out.int(b"row", row)
            out.text(b"what", what)
            out.close()
        else:
            if row:
                put_name(out.w, row)
                out.put(b": ")
            out.put(what)
            out.line()

    def _waits_for_button(self, loop, row):
        f = loop.supervisor.faults
        return f.places[row] and f.ends[row] >= T.LOCK

    def _refused(self, loop, row):
        # Why a plain record stays, b"" where it may go.
        if loop.memory.raw(row) is None:
            return _STILL if loop.supervisor.faults.places[row] else _NOTHING
        if loop.supervisor.faults.places[row]:
            return _STILL
        return b"kept until it is cleared at the vehicle" if row in loop.memory.locked else b""

    def clear(self, loop, row):
        if row and self._waits_for_button(loop, row):
            yield from self.acknowledge(loop, row)
            return
        reason = not_off(loop)
        if reason:
            self.out.error(b"not cleared: ", 0, reason)
            yield
        elif not row:
            yield from self._all(loop)
        else:
            reason = self._refused(loop, row)
            if not reason and not loop.memory.clear(row):
                reason = b"the memory keeps it"
            if reason:
                self.out.error(reason, row)
                yield
            else:
                yield from self._gone(loop, row)

    def _gone(self, loop, row):
        # Gone for good once the memory has stored that it is gone.
        f = loop.supervisor.faults
        begin = f.clock_ms
        while not loop.memory.stored(row) and f.clock_ms - begin < _STORED_MS:
            yield False
        if loop.memory.stored(row):
            self._asked(row, b"cleared")
        else:
            self.out.error(_NOT_STORED, row)
        yield

    def _all(self, loop):
        stays = 0
        for row in range(1, len(T.TABLE) + 1):
            if not R.shown(loop, row):
                continue
            yield
            if self._waits_for_button(loop, row):
                reason = b"stays: clear it by itself, it needs the button"
            else:
                reason = self._refused(loop, row) or not_off(loop)
                if reason:
                    stays += 1
                    self._asked(row, b"stays: " + reason)
                    yield
                    continue
                reason = b"cleared" if loop.memory.clear(row) else b"stays: the memory keeps it"
            stays += reason != b"cleared"
            self._asked(row, reason)
            yield
        f = loop.supervisor.faults
        begin = f.clock_ms
        while loop.memory.waits() and f.clock_ms - begin < _STORED_MS:
            yield False
        if loop.memory.waits():
            self.out.error(_NOT_STORED)
            yield
        elif stays:
            self.out.error(b"not everything was cleared, see above")
            yield
        elif not self.out.program:
            self._asked(0, b"nothing is left")
            yield

    def acknowledge(self, loop, row):
        s = loop.supervisor
        if not self._waits_for_button(loop, row):
            self.out.error(b"refused: nothing waits for an acknowledgement", row)
            yield
            return
        s.ask(row)  # whether it may be is decided when the button is pressed
        self._asked(row, _PRESS)
        yield
        while s.answer == V.WAITING and s.asked == row:
            yield False
        if s.answer == V.DONE:
            self._asked(row, b"done; its record stays, and may be cleared as any other")
        else:
            self.out.error(_ANSWERS.get(s.answer, b"another request took its place"), row)
        yield

    def time(self, loop, arg):
        """The time of day from a host, which dates the records of this power cycle from now on."""
        if not arg.isdigit() or len(arg) != _DIGITS or int(arg) < EPOCH_S:
            self.out.error(b"time: wanted are unix seconds, ten digits, from 2020 on")
            yield
            return
        loop.memory.tell_time(int(arg) - EPOCH_S, loop.supervisor)
        if not self.out.program:
            self._asked(0, b"noted")
            yield

    def _no_service(self, loop):
        waits = (
            loop.memory.waits() and not loop.memory.failed
        )  # what failed will never be stored: service is to mend it
        return not_off(loop) or (b"the fault memory is still storing; ask again" if waits else b"")

    def service(self, loop, arg):
        """Give the board up for service: a reset with the outputs off, after the bus was proven dead."""
        reason = self._no_service(loop)
        if reason:
            self.out.error(b"no service: ", 0, reason)
            yield
            return
        self._asked(0, b"the board resets into service; the lamps come on. Prove the bus dead with a tested meter")
        yield
        reason = self._no_service(loop)  # sending took its time
        if reason:
            self.out.error(b"no service: ", 0, reason)
            yield
            return
        self.out.out.serve = True  # the console asks the loop for it, outside of what catches a failed answer
