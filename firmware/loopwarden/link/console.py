"""The console: bytes to lines, lines to requests, and a bounded piece of work a call, whatever a port or a host does.

Decides nothing about the drive. One request at a time: while an answer is being made or sent, nothing is read, so
nothing grows; what a host sends meanwhile waits in its own port.
"""

import binascii

from micropython import const

from loopwarden.link import rows as R
from loopwarden.link.coils import Coils
from loopwarden.link.deeds import Deeds
from loopwarden.link.lines import Lines, clean
from loopwarden.link.objects import Objects
from loopwarden.link.pages import Pages
from loopwarden.link.tables import COMMANDS, METHODS, READY

LINE_MAX = const(80)
_READ_MAX, _WRITE_MAX = const(7), const(8)  # bytes in a call; a port takes 5,000 instructions for each
_HEAP_LEAST = const(48 * 1024)  # while live, for what takes more than some hundred bytes
_DONE, _IDLE = True, False  # what a step yields beside nothing; an end by StopIteration would take from the heap
_HEAP_NONE = const(40 * 1024)  # while live, for anything: below 24 KB the drive would wind down (S11)
_SCARCE = b"not while live with so little memory left; ask again when the drive is off"
_HINT_US = const(1000000)
_SEAL = const(10)  # " *CCCCCCCC"
_BACK, _LF, _CR, _ESC, _BLANK, _AT, _DEL = const(8), const(10), const(13), const(27), const(32), const(64), const(127)
_PLAIN, _AFTER_ESC, _IN_SEQUENCE = 0, 1, 2
_HELD = (b"help", b"status", b"version", b"build")  # all that can be told while nothing is decided
_DEEDS = (b"clear", b"acknowledge", b"time", b"service")
_TAKES = (b"help", b"faults", b"why", b"clear", b"acknowledge", b"time", b"coil")  # something after their name
_ROW = (b"clear", b"acknowledge")  # wants a row; faults may have one


class Console:
    """port  read(): the next byte or -1; write(byte): True if it was taken; neither may block
    info  dict of texts: program (version), build (digest), runtime
    """

    def __init__(self, port, info):
        self.read, self.write = port.read, port.write  # saved bound methods: looking one up takes from the heap
        self.lines = Lines()
        self.deeds, self.coils = Deeds(self.lines), Coils(self.lines)
        info = {name: clean(info[name]) for name in info}
        self.pages, self.objects = Pages(self.lines, info), Objects(self.lines, info)
        self.typed = bytearray(LINE_MAX)
        self.view = memoryview(self.typed)
        self.n = self.begin = self.state = self.hint_us = 0
        self.after_cr = self.long = self.strange = self.hinted = self.hint = False
        self.mute = False  # so little heap is left in a drive that nothing is answered and nothing echoed
        self.step = None  # the answer that is being made
        self.failing = self.ending = False  # it could not be made; all of it was sent but the prompt
        self.lines.put(b"\r\nLoopwarden, bench use only, type help\r\n> ")
        self.lines.flush()

    def work(self, loop):
        """One bounded piece: send, or take one step of an answer, or read. True if anything was done."""
        lines = self.lines
        if lines.at < lines.end:
            return self._send(lines)
        if self.step is not None:
            return self._advance(loop)
        if self.failing or self.ending:
            return self._end()
        return self._read(loop)

    def _send(self, lines):
        begin = lines.at
        write = self.write
        buffer = lines.buffer
        at = begin
        end = min(lines.end, begin + _WRITE_MAX)
        while at < end and write(buffer[at]):
            at += 1
        lines.at = at
        return at > begin

    def _advance(self, loop):
        did = self._next()
        if did is _DONE:
            self.step = None
            self.ending = True
        if self.deeds.serve:
            self.deeds.serve = False
            loop.service()
        return did is not _IDLE

    def _next(self):
        try:
            return next(self.step)
        except Exception:  # a text that cannot be read, no heap: an answer must not end the drive
            self.step = None
            self.failing = True
            return None

    def _end(self):
        # After the last line was sent: what could not be answered is said, then the prompt.
        try:
            if self.failing:
                self.failing = False
                self.ending = True
                self.lines.w.clear()
                self.lines.error(b"this could not be answered; the drive goes on")
            else:
                self.ending = False
                self._prompt()
        except Exception:  # not even that
            self.lines.w.clear()
        return True

    def _prompt(self):
        if not self.lines.program:
            self.lines.put(b"> ")
            self.lines.flush()

    # Bytes in

    def _read(self, loop):
        byte = self.read()
        if byte < 0:
            return False
        self.mute = self._scarce(loop.supervisor, _HEAP_NONE)
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
        self.lines.flush()
        return True

    def _echo(self, begin):
        if self.n > begin and self.typed[0] != _AT and not self.mute:  # a view of the line takes from the heap
            self.lines.put(self.view[begin : self.n])

    def _delete(self):
        if self.n and not self.long:
            self.n -= 1
            if self.typed[0] != _AT:
                self.lines.put(b"\b \b")
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
        self.lines.put(b"\r\nThis is Loopwarden, not a prompt. For service: type service when nothing is started")
        self.lines.put(b"\r\nand the bus is dead, or fit the service jumper and power up.\r\n")

    # Lines

    def _line(self, loop, is_cr):
        program = self.n > 0 and self.typed[0] == _AT
        if not program:
            self.lines.put(b"\r\n")
        self.lines.asked(program, -1)
        if self.mute:
            self.lines.put(_SCARCE)  # nothing is read out of the line: that would take what is scarce
            self.lines.put(b"\r\n> ")
            self.long = self.strange = False
        else:
            self.step = self._request(loop, self.n)
        self.lines.flush()
        self.n = 0
        self.state = _PLAIN
        self.after_cr = is_cr  # CR LF is one end

    def _request(self, loop, n):
        # The steps of one request: check the line, find the command, what it is asked of, answer, end.
        out = self.lines
        begin = 0
        bad = self._bad_line()
        if not bad and out.program:
            begin = self._unseal(n)
            n -= _SEAL
            bad = b"" if begin else b"the checksum is not that of the line; wanted: @N COMMAND [ARGUMENT] *CCCCCCCC"
            yield
        if bad:
            out.error(bad)
            yield
            yield _DONE
        k = self._command(begin, n)
        if k < 0:
            if out.program or n:
                yield from self._unknown(n)
            yield _DONE
        yield
        word = COMMANDS[k][0]
        arg = bytes(self.view[self.begin : n]).strip() if self.begin < n else b""
        bad = self._refused(loop, word, arg)
        if not bad and arg and (word in _ROW or word == b"faults"):
            arg, bad = self._row_of(word, arg)
            yield
        elif not bad and word == b"why":
            out.subject = arg.lower().replace(b"_", b" ")
            arg = R.askable(arg)
            bad = b"" if arg else R.NO_SUBJECT if out.program else R.NO_SUBJECT_IN_SHORT
            yield
        if bad:
            out.error(bad)
            yield
            yield _DONE
        answer = self.deeds if word in _DEEDS else self.objects if out.program else self.pages
        answer = self.coils if word == b"coil" else answer
        yield from getattr(answer, METHODS[k])(loop, arg)
        if not out.failed:
            out.done()
            yield
        yield _DONE

    def _command(self, begin, n):
        # Its number, -1 for none; what follows it begins at self.begin. Upper case is taken as lower.
        typed = self.typed
        while begin < n and typed[begin] == _BLANK:
            begin += 1
        end = typed.find(b" ", begin, n)
        end = n if end < 0 else end
        for k in range(begin, end):
            if 65 <= typed[k] <= 90:
                typed[k] += 32
        self.begin = end
        for k in range(len(COMMANDS)):
            name = COMMANDS[k][0]
            if len(name) == end - begin and typed.find(name, begin, end) == begin:
                return k
        return -1

    def _unknown(self, n):
        # The command with the most letters in the same place.
        out = self.lines
        word = bytes(self.view[:n]).strip()
        word = word[word.rfind(b"@") + 1 :]
        nearest, best = b"", 1
        for name, _ in COMMANDS:
            same = self._same(word.strip(b"0123456789 "), name)
            if same > best:
                nearest, best = name, same
            yield
        if word:
            out.error(b"no such command; type help" if best < 2 else b"no such command; did you mean ", 0, nearest)
            yield

    def _same(self, word, name):
        same = 0
        for k in range(min(len(word), len(name))):
            same += word[k] == name[k]
        return same

    def _row_of(self, word, arg):
        # (row, b"") or (0, why not); 0 for "all".
        if word == b"clear" and arg.lower() == b"all":
            return 0, b""
        row = R.find(arg)
        if row > 0:
            return row, b""
        if row == R.SEVERAL:
            return 0, b"this code has several rows; give its ending as well, as in P0A0A-13"
        return 0, b"no such code; faults lists those there are, by code and name"

    def _bad_line(self):
        bad = b""
        if self.long:
            bad = b"the line is too long; 80 bytes are allowed"
        elif self.strange:
            bad = b"only plain ASCII"
        self.long = self.strange = False
        return bad

    def _unseal(self, n):
        # Where the command of a program's line begins; 0 where its checksum or its number is wrong.
        typed = self.typed
        seal = n - _SEAL
        if seal < 1 or typed.find(b" *", seal, n) != seal:
            return 0
        crc = binascii.crc32(self.view[:seal])
        if typed.find(binascii.hexlify(crc.to_bytes(4, "big")), n - 8, n) < 0:
            return 0
        begin = typed.find(b" ", 1, seal)
        begin = seal if begin < 0 else begin
        number = 0
        for k in range(1, begin):
            digit = typed[k] - 48
            if not 0 <= digit <= 9:
                return 0
            number = number * 10 + digit
            if number > 65535:
                return 0
        if begin < 2:
            return 0
        self.lines.n = number
        return begin

    def _refused(self, loop, word, arg):
        s = loop.supervisor
        if s is None and word not in _HELD:
            return b"not while the program is stopped; status says why"
        if s is not None and s.inputs is None:
            return b"nothing is known before the first tick; ask again"
        if arg and word not in _TAKES:
            return b"it takes nothing after its name"
        if word in _ROW and not arg:
            return b"of which code? as in P0AA6-00, or a fault's name"
        if word == b"why" and not arg:
            return b"why what? as in: why start, why drive limit, why isolation fault"
        if word == b"why" or (word == b"faults" and arg):
            if self._scarce(s, _HEAP_LEAST):
                return _SCARCE
        return b""

    def _scarce(self, s, least):
        return s is not None and s.inputs is not None and s.phases.stage > READY and s.inputs.heap_free < least
