"""The console: bytes to lines, lines to requests, and a bounded piece of work a call, whatever a port or a host does.

Decides nothing about the drive. One request at a time: while an answer is being made or sent, nothing is read, so
nothing grows; what a host sends meanwhile waits in its own port.
"""

import io

from micropython import const

from loopwarden.link import parts
from loopwarden.policy.phases import NAMES, READY

LINE_MAX = const(80)
OUT_MAX = const(512)  # no line is longer than 480
_READ_MAX, _WRITE_MAX = const(7), const(7)  # bytes in a call; a port takes 5,000 instructions for each
_DONE, _IDLE = True, False  # what a step yields beside nothing; an end by StopIteration would take from the heap
_HEAP_NONE = const(40 * 1024)  # while live, for anything: below 24 KB the drive would wind down (S11)
SCARCE = b"not while live with so little memory left; ask again when the drive is off"
_SHOWN = const(12)  # rows, in the line that can always be told
_HINT_US = const(1000000)
_BACK, _LF, _CR, _ESC, _AT, _DEL = const(8), const(10), const(13), const(27), const(64), const(127)
_PLAIN, _AFTER_ESC, _IN_SEQUENCE = 0, 1, 2
_ONCE = b"\r\nFor more, ask once at rest: where memory allows, it then stays for the drive.\r\n"
_FULL = b"\r\nToo little memory is left to tell more.\r\n"


class Out:
    """What is being sent, buffer[at] to buffer[end]: whole lines of lines.py, or what `put` adds. Heap: none."""

    def __init__(self):
        self.buffer = bytearray(OUT_MAX)
        self.page = io.BytesIO(bytes(OUT_MAX))
        self.page.write(b" ")  # copied at the first write: once, here
        self.at = self.end = 0
        self.serve = False  # service is due once the answer is out

    def put(self, text):
        if self.at >= self.end:
            self.at = self.end = 0
        page = self.page
        page.seek(self.end)
        page.write(text)
        self.end = min(page.tell(), OUT_MAX)
        page.seek(0)
        page.readinto(self.buffer)


class Console:
    """work(loop)   one bounded piece: send, or take one step of an answer, or read. True if anything was done.

    port  read(): the next byte or -1; write(byte): True if it was taken; neither may block
    info  dict of texts: program (version), build (digest), runtime
    whole there is heap for all that answers (parts.py)
    """

    def __init__(self, port, info, whole=True):
        self.port = port
        self.read = port.read  # a saved bound method: looking one up takes from the heap
        self.out = Out()
        self.put = self.out.put
        self.info = info
        self.typed = bytearray(LINE_MAX)
        self.view = memoryview(self.typed)
        self.n = self.begin = self.state = self.hint_us = 0
        self.after_cr = self.long = self.strange = self.hinted = self.hint = False
        self.mute = False  # so little heap is left in a drive that nothing is answered and nothing echoed
        self.step = None  # the answer that is being made
        self.failing = self.ending = False  # it could not be made; all of it was sent but the prompt
        self.whole = whole
        self.requests = self.lines = None  # made when they are loaded
        self.program = False  # a program asks, and gets no prompt
        self.asked = not whole  # since what is loaded was looked at last
        self.started = whole  # what was only needed for that is dropped, before anything is loaded
        if whole:
            parts.load_all()
            self._ready()
        self.put(b"\r\nLoopwarden, bench use only, type help\r\n> ")
        works = self._works(self.out, port.read, port.ready, port.put)
        next(works)
        self.work = works.send

    def _works(self, out, read, ready, put):
        # A generator: its names stay where they are, and each costs a sixth of an attribute.
        buffer = out.buffer
        did = False
        while True:
            loop = yield did
            at = begin = out.at
            end = out.end
            if at < end:
                if end > begin + _WRITE_MAX:
                    end = begin + _WRITE_MAX
                while at < end:
                    for _ in ready(0):
                        put(buffer, at, 1)
                        at += 1
                        break
                    else:
                        break
                out.at = at
                did = at > begin
            elif self.step is not None:
                did = None
                try:
                    did = next(self.step)
                except Exception:  # a text that cannot be read, no heap: an answer must not end the drive
                    self.step = None
                    self.failing = True
                if did is _DONE:
                    self.step = None
                    self.ending = True
                if out.serve:
                    out.serve = False
                    loop.service()
                did = did is not _IDLE
            elif self.failing or self.ending:
                did = self._end()
            else:
                byte = read()
                did = self._read(loop, byte) if byte >= 0 else self.asked and self._settle(loop)

    def _end(self):
        # After the last line was sent: what could not be answered is said, then the prompt.
        try:
            if self.failing:
                self.failing = False
                self.ending = True
                self._fail(b"this could not be answered; the drive goes on")
            else:
                self.ending = False
                self._prompt()
        except Exception:  # not even that
            pass
        return True

    def _fail(self, text):
        if self.lines is None:
            self.put(text)
            self.put(b"\r\n")
        else:
            self.lines.w.clear()
            self.lines.error(text)

    def _prompt(self):
        if not self.program:
            self.put(b"> ")

    # Bytes in

    def _read(self, loop, byte):
        self.mute = self.scarce(loop.supervisor, _HEAP_NONE)
        begin = n = self.n
        left = _READ_MAX
        while byte >= 0:
            left -= 1
            if 32 <= byte < 127 and not self.state:
                if n < LINE_MAX:
                    self.typed[n] = byte
                    n += 1
                else:
                    self.long = True
            elif byte == _CR or (byte == _LF and not self.after_cr):
                self.n = n
                self._echo(begin)
                if self.hint:
                    self._hint(loop.board)
                self._line(loop, byte == _CR)
                return True
            elif byte == _BACK or byte == _DEL:
                self.n = n
                self._echo(begin)
                begin = n = self._delete()
            elif byte != _LF:
                self._odd(byte)
            self.after_cr = False
            byte = self.read() if left else -1
        self.n = n
        self._echo(begin)
        if self.hint:
            self._hint(loop.board)
        return True

    def _echo(self, begin):
        if self.n > begin and self.typed[0] != _AT and not self.mute:  # a view of the line takes from the heap
            self.put(self.view[begin : self.n])

    def _delete(self):
        if self.n and not self.long:
            self.n -= 1
            if self.typed[0] != _AT:
                self.put(b"\b \b")
        return self.n

    def _odd(self, byte):
        # Nothing of a line: escape sequences, control bytes, what is not ASCII.
        if byte >= 128:
            self.strange = True
        elif byte == _ESC:
            self.state = _AFTER_ESC
        elif byte < 32:
            self.state = _PLAIN
            self.hint = True
        elif self.state == _AFTER_ESC:
            self.state = _IN_SEQUENCE if byte == 91 or byte == 79 else _PLAIN  # ESC [ and ESC O go on
        elif byte >= 64:
            self.state = _PLAIN

    def _hint(self, board):
        # A tool's handshake, most likely: said once a second at the most.
        self.hint = False
        if self.hinted and 0 <= board.diff_us(board.now_us(), self.hint_us) < _HINT_US:
            return
        self.hinted = True
        self.hint_us = board.now_us()
        self.put(b"\r\nThis is Loopwarden, not a prompt. For service: type service when nothing is started")
        self.put(b"\r\nand the bus is dead, or fit the service jumper and power up.\r\n")

    # Lines

    def _line(self, loop, is_cr):
        self.program = self.n > 0 and self.typed[0] == _AT
        if not self.program:
            self.put(b"\r\n")
        if self.mute:
            self.put(SCARCE)  # nothing is read out of the line: that would take what is scarce
            self.put(b"\r\n> ")
            self.long = self.strange = False
        else:
            self.asked = not self.whole
            self.step = self.requests.request(loop, self.n) if self.requests else self._first(loop, self.n)
        self.n = 0
        self.state = _PLAIN
        self.after_cr = is_cr  # CR LF is one end

    # What answers, where it is not there all the time

    def _ready(self):
        from loopwarden.link.lines import Lines
        from loopwarden.link.requests import Requests

        self.lines = Lines(self.out)
        self.requests = Requests(self)

    def _first(self, loop, n):
        self._forget_start()
        yield from parts.load(loop, parts.BASE)
        if parts.loaded(parts.BASE):
            self._ready()
            yield from self.requests.request(loop, n)
        self.in_short(loop)
        yield
        yield _DONE

    def _forget_start(self):
        if not self.started:
            self.started = True
            parts.forget_start()

    def _settle(self, loop):
        # All is told: keep what is loaded, or drop it. In a drive neither: nothing is collected there.
        if not parts.at_rest(loop):
            return False
        self.asked = False
        self._forget_start()
        if self.requests:
            self.requests.drop()
        if parts.settle(loop):
            self.requests = self.lines = None
        return True

    def in_short(self, loop):
        """What can be told at any time, in a line, where what tells more is not loaded and may not be now."""
        self.requests = self.lines = None
        self.long = self.strange = False
        s = loop.supervisor
        put = self.put
        put(b"Not answered. Bus ")
        if s is None or not s.electrics.bus_ok or s.inputs.bus_mv is None:
            put(b"not known: take it as LIVE")
        else:
            mv = s.inputs.bus_mv
            put(b"-" if mv < 0 else b"")
            put(b"%d.%d V" % (abs(mv) // 1000, abs(mv) % 1000 // 100))
        if s is not None:
            put(b", ")
            put(NAMES[s.phases.phase].encode())
            put(b", faults by row" if s.faults.actives else b", no fault")
            for k in range(min(s.faults.actives, _SHOWN)):
                put(b" %d" % s.faults.active[k])
            if s.faults.actives > _SHOWN:
                put(b" ...")
        put(_FULL if parts.at_rest(loop) else _ONCE)
        self.program = False  # no object was made: a prompt ends it

    def scarce(self, s, least):
        return s is not None and s.inputs is not None and s.phases.stage > READY and s.inputs.heap_free < least
