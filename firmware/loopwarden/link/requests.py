"""One request: the line checked, its command found, its argument looked up; then whoever answers it.

Loaded when first asked (parts.py). What is asked may be refused here, with a reason; nothing is decided.
"""

import binascii

from micropython import const

from loopwarden.link import parts
from loopwarden.link import rows as R
from loopwarden.link.console import SCARCE
from loopwarden.link.lines import clean
from loopwarden.link.tables import COMMANDS, METHODS

_DONE = True  # what the last step yields; an end by StopIteration would take from the heap
_HEAP_LEAST = const(48 * 1024)  # while live, for what takes more than some hundred bytes
_SEAL = const(10)  # " *CCCCCCCC"
_BLANK = const(32)
_HELD = (b"help", b"status", b"version", b"build")  # all that can be told while nothing is decided
_DEEDS = (b"clear", b"acknowledge", b"time", b"service")
_TAKES = (b"help", b"faults", b"why", b"clear", b"acknowledge", b"time", b"coil")  # something after their name
_ROW = (b"clear", b"acknowledge")  # wants a row; faults may have one


class Requests:
    """The requests of one console. `pages`, `objects`, `deeds` and `coils` answer; each is made when first asked."""

    def __init__(self, console):
        self.console = console
        self.lines, self.typed, self.view = console.lines, console.typed, console.view
        self.info = {name: clean(console.info[name]) for name in console.info}
        self.begin = 0
        self.pages = self.objects = self.deeds = self.coils = self.recorder = None

    def request(self, loop, n):
        # The steps of one request: check the line, find the command, what it is asked of, answer, end.
        out = self.lines
        out.asked(self.console.program, -1)
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
            yield
            arg = R.askable(arg)
            bad = b"" if arg else R.NO_SUBJECT if out.program else R.NO_SUBJECT_IN_SHORT
            yield
        if bad:
            out.error(bad)
            yield
            yield _DONE
        if not self.console.whole and not parts.loaded(self._needs(word, arg)):
            needs = self._needs(word, arg)
            self.drop()
            yield from parts.load(loop, needs)
            if not parts.loaded(needs):
                self.console.in_short(loop)
                yield
                yield _DONE
        yield from getattr(self._answering(word), METHODS[k])(loop, arg)
        if not out.failed:
            out.done()
            yield
        yield _DONE

    def _needs(self, word, arg):
        # The modules that answer it.
        if word in _DEEDS:
            return parts.DEEDS
        if word == b"coil":
            return parts.COILS
        if word == b"record":
            return parts.RECORDER
        needs = parts.OBJECTS if self.lines.program else parts.PAGES
        if word == b"why":
            return needs + parts.WORDS
        return needs + parts.TEXTS if word == b"faults" and arg else needs

    def _answering(self, word):
        console = self.console
        if word in _DEEDS:
            if self.deeds is None:
                from loopwarden.link.deeds import Deeds

                self.deeds = Deeds(console.lines)
            return self.deeds
        if word == b"coil":
            if self.coils is None:
                from loopwarden.link.coils import Coils

                self.coils = Coils(console.lines)
            return self.coils
        if word == b"record":
            if self.recorder is None:
                from loopwarden.link.recorder import Recorder

                self.recorder = Recorder(console)
            return self.recorder
        if self.lines.program:
            if self.objects is None:
                from loopwarden.link.objects import Objects

                self.objects = Objects(console.lines, self.info)
            return self.objects
        if self.pages is None:
            from loopwarden.link.pages import Pages

            self.pages = Pages(console.lines, self.info)
        return self.pages

    def drop(self):
        """Let go of whoever answered."""
        self.pages = self.objects = self.deeds = self.coils = self.recorder = None

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
        if self.console.long:
            bad = b"the line is too long; 80 bytes are allowed"
        elif self.console.strange:
            bad = b"only plain ASCII"
        self.console.long = self.console.strange = False
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
            if self.console.scarce(s, _HEAP_LEAST):
                return SCARCE
        return b""
