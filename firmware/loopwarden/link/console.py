"""The console: bytes to lines, lines to requests, and a bounded piece of work a call, whatever a port or a host does.

Decides nothing about the drive. One request at a time: while an answer is being made or sent, nothing is read, so
nothing grows; what a host sends meanwhile waits in its own port.
"""

import binascii

from micropython import const

from loopwarden.link import rows as R
from loopwarden.link.deeds import Deeds
from loopwarden.link.lines import Lines
from loopwarden.link.objects import Objects
from loopwarden.link.pages import Pages
from loopwarden.link.tables import COMMANDS

LINE_MAX = const(80)
_READ_MAX, _WRITE_MAX = const(16), const(24)  # bytes in a call
_HEAP_LEAST = const(48 * 1024)  # while live, for what takes more than some hundred bytes
_HINT_US = const(1000000)
_SEAL = const(10)  # " *CCCCCCCC"
_BACK, _LF, _CR, _ESC, _AT, _DEL = const(8), const(10), const(13), const(27), const(64), const(127)
_PLAIN, _AFTER_ESC, _IN_SEQUENCE = 0, 1, 2
_HELD = (b"help", b"status", b"version", b"build")  # all that can be told while nothing is decided
_DEEDS = (b"clear", b"acknowledge", b"time", b"service")
_ROW = (b"clear", b"acknowledge")  # wants a row; faults may have one


class Console:
    """port  read(): the next byte or -1; write(byte): True if it was taken; neither may block
    info  dict of texts: program (version), build (digest), runtime
    """

    def __init__(self, port, info):
        self.port = port
        self.lines = Lines()
        self.deeds = Deeds(self.lines)
        self.pages, self.objects = Pages(self.lines, info), Objects(self.lines, info)
        self.typed = bytearray(LINE_MAX)
        self.view = memoryview(self.typed)
        self.n = self.state = self.hint_us = 0
        self.after_cr = self.long = self.strange = self.hinted = self.hint = False
        self.step = None  # the answer that is being made
        self.lines.put(b"\r\nLoopwarden, bench use only, type help")
        self.lines.line()

    def work(self, loop):
        """One bounded piece: send, or take one step of an answer, or read. True if anything was done."""
        if self.lines.at < self.lines.end:
            return self._send(self.lines)
        if self.step is not None:
            return self._advance()
        return self._read(loop)

    def _send(self, lines):
        begin = lines.at
        write = self.port.write
        buffer = lines.buffer
        at = begin
        end = min(lines.end, begin + _WRITE_MAX)
        while at < end and write(buffer[at]):
            at += 1
        lines.at = at
        return at > begin

    def _advance(self):
        try:
            return next(self.step) is not False
        except StopIteration:
            self.step = None
        except Exception:  # a text that cannot be read, no heap: an answer must not end the drive
            self.step = iter(())
            self.lines.w.clear()
            self.lines.error(b"this could not be answered; the drive goes on")
            return True
        self._ended()
        return True

    def _ended(self):
        if not self.lines.program:
            self.lines.put(b"> ")
            self.lines.flush()

    # Bytes in

    def _read(self, loop):
        begin = self.n
        left = _READ_MAX
        byte = self.port.read()
        while byte >= 0:
            left -= 1
            if byte == _CR or (byte == _LF and not self.after_cr):
                self._echo(begin)
                self._line(loop, byte == _CR)
                return True
            if 32 <= byte < 127 and not self.state:
                if self.n < LINE_MAX:
                    self.typed[self.n] = byte
                    self.n += 1
                else:
                    self.long = True
            elif byte == _BACK or byte == _DEL:
                self._echo(begin)
                self._delete()
                begin = self.n
            elif byte != _LF:
                self._odd(byte)
            self.after_cr = False
            byte = self.port.read() if left else -1
        self._echo(begin)
        if self.hint:
            self._hint(loop.board)
        self.lines.flush()
        return left < _READ_MAX

    def _echo(self, begin):
        if self.n > begin and self.typed[0] != _AT:
            self.lines.put(self.view[begin : self.n])

    def _delete(self):
        if self.n and not self.long:
            self.n -= 1
            if self.typed[0] != _AT:
                self.lines.put(b"\b \b")

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
        if self.hinted and 0 <= board.elapsed_us(self.hint_us) < _HINT_US:
            return
        self.hinted = True
        self.hint_us = board.now_us()
        self.lines.put(b"\r\nThis is Loopwarden, not a prompt. For service: type service with the key off,")
        self.lines.put(b"\r\nor fit the service jumper and power up.")
        self.lines.line()

    # Lines

    def _line(self, loop, is_cr):
        program = self.n > 0 and self.typed[0] == _AT
        if not program:
            self.lines.put(b"\r\n")
        self.lines.flush()
        self.lines.asked(program, -1)
        self.step = self._request(loop, self.n)
        self.n = 0
        self.state = _PLAIN
        self.after_cr = is_cr  # CR LF is one end

    def _request(self, loop, n):
        # The steps of one request: check the line, find the command, answer, end.
        out = self.lines
        begin = 0
        bad = self._bad_line()
        if not bad and out.program:
            begin, n = self._unseal(n)
            bad = b"" if begin else b"the checksum is not that of the line; wanted: @N COMMAND [ARGUMENT] *CCCCCCCC"
        if bad:
            out.error(bad)
            yield
            return
        words = bytes(self.view[begin:n]).strip()
        cut = words.find(b" ")
        word = (words if cut < 0 else words[:cut]).lower()
        arg = "" if cut < 0 else words[cut:].strip().decode()
        yield
        if not word and not out.program:
            return
        method = self._method(word)
        if not method:
            out.error(self._nearest(word))
            yield
            return
        refused = self._refused(loop, word, arg)
        if refused:
            out.error(refused)
            yield
            return
        if word in _ROW or (word == b"faults" and arg):
            yield
            if arg.lower() != "all" or word != b"clear":
                arg = R.find(arg)
                if arg <= 0:
                    several = b"this code has several rows; give its ending as well, as in P0A0A-13"
                    out.error(several if arg else b"no such code; faults lists those there are, by code and name")
                    yield
                    return
            else:
                arg = 0
            yield
        elif word == b"faults":
            arg = 0
        elif word == b"why":
            yield
            if not R.askable(arg):
                out.error(b"no such subject; there are " + R.SUBJECT_LIST + b", and every fault's name")
                yield
                return
        if word in _DEEDS:
            answer = self.deeds
        else:
            answer = self.objects if out.program else self.pages
        yield from getattr(answer, method)(loop, arg)
        if out.failed:
            return
        out.done()
        yield

    def _bad_line(self):
        bad = b""
        if self.long:
            bad = b"the line is too long; 80 bytes are allowed"
        elif self.strange:
            bad = b"only plain ASCII"
        self.long = self.strange = False
        return bad

    def _unseal(self, n):
        # Where the command of a program's line begins and ends; (0, 0) where its checksum is wrong.
        typed = self.typed
        seal = n - _SEAL
        if seal < 1 or typed.find(b" *", seal, n) != seal:
            return 0, 0
        crc = binascii.crc32(self.view[:seal])
        for k in range(8):
            if typed[n - 1 - k] != b"0123456789abcdef"[(crc >> 16 if k > 3 else crc & 0xFFFF) >> 4 * (k & 3) & 15]:
                return 0, 0
        begin = typed.find(b" ", 1, seal)
        begin = seal if begin < 0 else begin
        number = 0
        for k in range(1, begin):
            digit = typed[k] - 48
            if not 0 <= digit <= 9:
                return 0, 0
            number = number * 10 + digit
            if number > 65535:
                return 0, 0
        if begin < 2:
            return 0, 0
        self.lines.n = number
        return begin, seal

    def _method(self, word):
        for name, _ in COMMANDS:
            if name == word:
                return name.decode()
        return ""

    def _nearest(self, word):
        # The command with the most letters in the same place.
        best = 1
        nearest = b""
        for name, _ in COMMANDS:
            same = 0
            for k in range(min(len(word), len(name))):
                same += word[k] == name[k]
            if same > best:
                best = same
                nearest = name
        return b"no such command; did you mean " + nearest + b"?" if nearest else b"no such command; type help"

    def _refused(self, loop, word, arg):
        s = loop.supervisor
        if s is None and word not in _HELD:
            return b"not while the program is stopped; status says why"
        if s is not None and s.inputs is None:
            return b"nothing is known before the first tick; ask again"
        if word in _ROW and not arg:
            return b"of which code? as in P0AA6-00, or a fault's name"
        if word == b"why" and not arg:
            return b"why what? as in: why start, why drive limit, why isolation fault"
        if word == b"why" or (word == b"faults" and arg):
            if s.phases.stage and s.inputs.heap_free < _HEAP_LEAST:
                return b"not while live with so little memory left; ask again when the drive is off"
        return b""
