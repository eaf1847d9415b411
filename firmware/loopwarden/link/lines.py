"""Lines out: text for people and JSON objects for programs, made in one buffer; long text is broken to fit a line.

Decides nothing. A value that is not known is null. Nothing here takes more than some bytes of views from the heap.
"""

import binascii
import struct
from sys import modules

from micropython import const

from loopwarden.writer import Writer

WIDTH = const(78)
PIECE = const(280)  # of text in a JSON object
PART = const(512)  # no part of a text that is broken is longer
_SEAL = b',"crc":"00000000"}\r\n'
_SEALED = const(20)
_DIGITS = b"0123456789abcdef"
_BLANK = const(32)
_QUOTE, _BACKSLASH, _UNKNOWN = const(34), const(92), const(63)


def clean(text):
    """A str that somebody else wrote, as bytes: what would break a line or an object becomes a question mark."""
    text = bytearray(text.encode())
    for k in range(len(text)):
        if not 32 <= text[k] < 127 or text[k] == _QUOTE or text[k] == _BACKSLASH:
            text[k] = _UNKNOWN
    return bytes(text)


class Lines:
    """One line at a time, given to `out` of the console. program: a program asks, its number is n."""

    def __init__(self, out):
        self.out = out
        self.w = Writer(len(out.buffer))
        self.put = self.w.put
        self.buffer = out.buffer
        self.view = memoryview(self.buffer)
        self.crc = bytearray(4)
        self.flow = bytearray(2 * PART)
        self.flowing = memoryview(self.flow)
        self.i = self.n = 0
        self.program = self.failed = False  # failed: the answer ended with an error
        self.subject = b""

    def asked(self, program, n):
        """Another request: n is its number, -1 where nobody could read one."""
        self.program = program
        self.n = n
        self.i = 0
        self.failed = False

    def flush(self):
        """Send what was written, as it is."""
        self.out.at, self.out.end = 0, self.w.take(self.buffer)

    def line(self):
        """End a line of text."""
        self.put(b"\r\n")
        self.flush()

    # Objects

    def begin(self, kind):
        put = self.put
        put(b'{"n":')
        if self.n < 0:
            put(b"null")
        else:
            self.w.int(self.n)
        put(b',"i":')
        self.w.int(self.i)
        put(b',"kind":"')
        put(kind)
        put(b'"')

    def key(self, name):
        self.put(b',"')
        self.put(name)
        self.put(b'":')

    def int(self, name, value):
        put = self.put
        put(b',"')  # as `key`, whose call would take as long as all the rest
        put(name)
        put(b'":')
        if value is None:
            put(b"null")
        else:
            self.w.int(value)

    def text(self, name, text):
        """Plain ASCII without quotes and backslashes, as bytes."""
        put = self.put
        put(b',"')
        put(name)
        put(b'":"')
        put(text)
        put(b'"')

    def open(self, name):
        """A text that the caller writes and ends with its quote."""
        self.key(name)
        self.put(b'"')

    def close(self):
        """Seal the object: the checksum is over every byte before its own key."""
        self.put(_SEAL)
        self.flush()
        self.i += 1
        begin = self.out.end - _SEALED
        crc = binascii.crc32(self.view[:begin])
        struct.pack_into(">I", self.crc, 0, crc)
        self._put_crc(begin + 8)

    def _put_crc(self, at):
        buffer, crc, k = self.buffer, self.crc, 0
        while k < 4:
            buffer[at] = _DIGITS[crc[k] >> 4]
            buffer[at + 1] = _DIGITS[crc[k] & 15]
            at += 2
            k += 1

    # Both

    def done(self):
        """The last line of an answer; text needs none."""
        if self.program:
            n = self.i
            self.begin(b"end")
            self.int(b"lines", n)
            self.close()

    def error(self, text, row=0, more=b""):
        """The last line of an answer that could not be given: one line of words."""
        self.failed = True
        if self.program:
            self.begin(b"error")
            self.put(b',"error":"')
        if row:
            modules["loopwarden.naming"].put_name(self.w, row)  # loaded by then: a row was asked for
            self.put(b": ")
        self.put(text)
        self.put(more)
        if self.program:
            self.put(b'"')
            self.close()
        else:
            self.line()

    def broken(self, parts, piece):
        """A generator: what `parts` writes, broken at blanks; `piece(view)` makes a line of each."""
        width = PIECE if self.program else WIDTH - 2
        flow = self.flow
        n = 0
        for _ in parts:
            n += self.w.take(self.flowing[n:])
            yield
            while n > width:
                cut = flow.rfind(b" ", 0, width) + 1
                if cut <= 1:
                    cut = width
                piece(self.flowing[:cut])
                yield
                self.flowing[: n - cut] = self.flowing[cut:n]
                n -= cut
        if n:
            piece(self.flowing[:n])
            yield

    def indented(self, text):
        self.put(b"  ")
        self.put(text[:-1] if text[-1] == _BLANK else text)
        self.line()

    def why(self, text):
        """A piece of an answer to why; subject stands in `subject`."""
        self.begin(b"why")
        self.text(b"subject", self.subject)
        self.text(b"text", text)
        self.close()

    def means(self, text):
        self.begin(b"text")
        self.text(b"means", text)
        self.close()

    def check(self, text):
        self.begin(b"text")
        self.text(b"check", text)
        self.close()
