"""Reads fault_texts.txt: finds one line of one key in a buffer that is made once, so that asking takes no heap.

Decides nothing. words.py says what the keys stand for; the head of the file says how it is written.
"""

from array import array

from micropython import const

from loopwarden.naming import entry

PATH = __file__.replace("\\", "/").rsplit("/", 1)[0] + "/policy/fault_texts.txt"
SIZE = const(1024)  # holds the lines of any key
_ZERO = const(48)
_KEY_SHIFT, _PLACE, _NO_KEY = 17, 0x1FFFF, 0x1FFF
_HASH, _NEWLINE, _BLANK = b"#", b"\n", b" "
_entries = array("i")  # key << _KEY_SHIFT | where it begins, rising; then the file's end


class Texts:
    """The lines of one key. `find` leaves a line's text between `begin` and `end` of `block`."""

    def __init__(self):
        self.block = bytearray(SIZE)
        self.view = memoryview(self.block)
        self.key = self.size = self.begin = self.end = 0

    def find(self, key, kind, n=0):
        """The n-th line of a kind, given as b"reads "; False where there is none."""
        if key != self.key:
            self.load(key)
        block = self.block
        at = 0
        while at < self.size:
            end = block.find(_NEWLINE, at, self.size)
            text = block.find(_BLANK, at, end) + 1
            if block.find(kind, text, text + len(kind)) == text and block.find(_HASH, at, at + 1) < 0:
                if n == 0:
                    self.begin = text + len(kind)
                    self.end = end
                    return True
                n -= 1
            at = end + 1
        return False

    def seen(self, key):
        """The key whose texts hold for a key: its own, or the one that it says to see."""
        if key != self.key:
            self.load(key)
        at = self.block.find(b" see ", 0, 9)  # the only line then
        if at < 0 or not self.size:
            return key
        return self.seen(int(bytes(self.view[at + 5 : self.size - 1])))

    def load(self, key):
        """Read the lines of a key; none for one that is not there."""
        low, high = 0, len(_entries) - 1  # the last one only says where the file ends
        while low < high:
            middle = (low + high) >> 1
            if _entries[middle] >> _KEY_SHIFT < key:
                low = middle + 1
            else:
                high = middle
        self.key = -1  # until it is read: what could not be read is no empty text
        self.size = 0
        if _entries[low] >> _KEY_SHIFT == key:
            begin = _entries[low] & _PLACE
            with open(PATH, "rb") as file:
                file.seek(begin)
                file.readinto(self.block)
            self.size = (_entries[low + 1] & _PLACE) - begin
        self.key = key


texts = Texts()  # one answer at a time


def _find_keys():
    # Where each key of fault_texts.txt begins, found when this is loaded, in the block that is there: no line is made.
    block = texts.block
    place = key = 0
    with open(PATH, "rb") as file:
        size = file.readinto(block)
        while size:
            at = 0
            end = block.find(_NEWLINE, 0, size) + 1
            while end:
                if block.find(_HASH, at, at + 1) < 0:
                    found = 0
                    k = at
                    while 0 <= block[k] - _ZERO <= 9:
                        found = found * 10 + block[k] - _ZERO
                        k += 1
                    if found and found != key:
                        key = found
                        _entries.append(key << _KEY_SHIFT | place + at)
                at = end
                end = block.find(_NEWLINE, at, size) + 1
            place += at
            file.seek(place)
            size = file.readinto(block) if at else 0
    _entries.append(_NO_KEY << _KEY_SHIFT | place)


_find_keys()


# For hosts, as text.


def text_lines(key):
    """The lines of one key, as a list of (kind, text); empty for a key that is not there (allocates)."""
    texts = Texts()
    texts.load(key)
    lines = bytes(texts.block[: texts.size]).decode().split("\n")
    return [tuple(line.split(" ", 2)[1:]) for line in lines if line and line[0] != "#"]


def fault_text(row_id):
    """What a row means, and its first checks, likeliest cause first: (text, list of texts). Errors: ValueError."""
    entry(row_id)
    means = ""
    checks = []
    for kind, text in text_lines(row_id):
        if kind == "means":
            means = text
        elif kind == "check":
            checks.append(text)
    return means, checks
