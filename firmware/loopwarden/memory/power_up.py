"""What the fault memory does once, at power-up: finds its files and its journal, and takes over what they hold.

A part of flash.py for itself, so that the heap has it only while the board starts.
"""

import os
import struct
from array import array

from micropython import const

from loopwarden.memory import codes as K
from loopwarden.memory import flash as F
from loopwarden.memory.drive_log import CYCLE, has_drifted
from loopwarden.memory.journal import BLOCK
from loopwarden.memory.rules import MARK_LIVE
from loopwarden.memory.sealed import HEAD, sequence_of

_LOOKED_BACK = const(40)  # power cycles, for the last drives' isolation
_COUNT = const(4)  # block device operation


class PowerUp:
    """The power-up of one FlashMemory. settled: what its marks mean is decided."""

    def __init__(self, memory):
        self.m = memory
        self.settled = self.state_known = self.state_read = False

    def begin(self, feed):
        """Read everything, fold what the journal still holds. Errors: OSError."""
        m = self.m
        names = self._names()
        self._load(names)
        where = self._either("where1", "where2", F.WHERE, names)
        lost = self.state_known and not where
        if not where and not m.failed:
            where = self._make_journal()
        if not m.failed:
            self._open(where)
        if not m.failed:
            self._load_journal()
        if lost:
            m.damaged = m.new = True  # what the journal held is unreadable, and that is a lock (S9)
        self.settle(lost or m.failed or not self.state_read)
        m.cycle += 1
        m.log.line[CYCLE] = m.cycle
        if m.failed:
            return  # what is there is left as it is
        self._forget_the_aged()
        for _ in m._fold():
            if feed:
                feed()
        m.state_waits = 2
        m._store_one()  # the page that says which power cycle this is
        if not self._mapping_holds():
            m._fail("the journal's blocks are not those of its files")

    def _names(self):
        m = self.m
        try:
            return os.listdir(m.folder)
        except OSError:
            os.mkdir(m.folder)
            return []

    def _make_journal(self):
        # Whole blocks without anything of the file system in them: files of just a block's size, found by content.
        m = self.m
        m.birth = self._drawn()
        where = array("i", bytes(4 * (F.BLOCKS + 2)))
        where[0], where[1] = m.birth
        for k in range(F.BLOCKS):
            with open(m._path("journal%d" % k), "wb") as file:
                file.write(self._pattern(k) * (BLOCK // 32))
            where[2 + k] = self._find(k)
        for name in ("where1", "where2"):
            m._write(name, F.WHERE, bytes(where))
        return bytes(where)

    def _drawn(self):
        drawn = struct.unpack("<II", os.urandom(8))
        return (drawn[0] >> 2, drawn[1] >> 2)  # small integers

    def _pattern(self, k):
        m = self.m
        return struct.pack("<16sIIII", b"loopwarden pages", m.birth[0], m.birth[1], k, 0x10057A6D)

    def _find(self, k):
        m = self.m
        pattern = self._pattern(k)
        part = bytearray(32)
        found = []
        for n in range(m.flash.ioctl(_COUNT, 0)):
            m.flash.readblocks(n, part, 0)
            if part == pattern:
                found.append(n)
        if len(found) != 1:
            raise OSError("journal%d lies in %d blocks" % (k, len(found)))
        return found[0]

    def _open(self, where):
        m = self.m
        where = array("i", where)
        m.birth = (where[0], where[1])
        m._open_journal(list(where[2:]))
        if not self._mapping_holds():
            m._fail("the journal's blocks are not those of its files")

    def _mapping_holds(self):
        # What the file system reads in the journal's files must be what lies in its blocks: else these are not ours.
        m = self.m
        try:
            return self._same_bytes(m.check, m.buffer)
        except OSError:
            return False

    def _same_bytes(self, part, other):
        m = self.m
        for k in range(len(m.journal.blocks)):
            os.listdir(m.folder)  # so that the file system's cache holds something else
            with open(m._path("journal%d" % k), "rb") as file:
                for offset in range(0, BLOCK, F.FILE_MAX):
                    if file.readinto(part) != F.FILE_MAX:
                        return False
                    m.flash.readblocks(m.journal.blocks[k], other, offset)
                    if part != other:
                        return False
        return True

    def _load(self, names):
        m = self.m
        state = self._either("state1", "state2", F.STATE, names)
        self.state_known = state != b""  # there was a memory, readable or not
        self.state_read = bool(state)
        m.folded = self.state_sequence = m.highest if state else 0
        if state:
            self._take_state(state)
        else:
            m.new = True  # never made, or both copies unreadable (S9)
            m.positive_proven = False
        self.code_sequence = [0] * len(m.codes_of)
        for row in range(len(m.codes_of)):
            content = m._file("c%02d" % row, F.CODE, names)
            if content:
                self.code_sequence[row] = sequence_of(m.check)
                m.codes_of[row] = array("i", content)
                m._leave(row)
        m.log.strip = m._file("strip", F.STRIP, names) or m.log.strip

    def _either(self, one, other, kind, names):
        # The newer of two copies that can be read; b"" where none was ever written, None where both are damaged.
        m = self.m
        first = m._file(one, kind, names)
        sequence = sequence_of(m.check) if first else -1
        second = m._file(other, kind, names)
        if second and sequence_of(m.check) >= sequence:
            return second
        return first if first or second is not None else None

    def _load_journal(self):
        m = self.m
        m.journal.scan(m.folded, self._take_page)
        m.journal.sequence = max(m.journal.sequence, m.highest + 1)
        m.damaged = m.damaged or m.journal.damaged > 0
        if m.journal.foreign:
            m._foreign()

    def settle(self, unknown):
        """Restarted while live, or nobody knows: the positive main was closed, or about to be (S10)."""
        m = self.m
        self.settled = True
        if unknown and self.state_known:
            m.state[0] = MARK_LIVE
        if m.state[0]:
            m.positive_proven = False
        m.mark = m.want = m.state[0]
        for row in range(len(m.codes_of)):
            if row not in m.locked and m.codes_of[row]:
                m.codes_of[row][K.FLAGS] = 0
        m.drifting = has_drifted(m.lines(_LOOKED_BACK))

    def _take_page(self, kind, sequence, page):
        m = self.m
        if sequence > self.state_sequence:
            self.state_read = True
            self.state_sequence = sequence
            self._take_state(page[HEAD : HEAD + F.STATE_BYTES])
        rest = page[HEAD + F.STATE_BYTES :]
        if kind == F.CODE:
            record = array("i", rest[: K.BYTES])
            row = record[K.ROW]
            if 0 < row < len(m.codes_of) and sequence > self.code_sequence[row]:
                self.code_sequence[row] = sequence
                m.codes_of[row] = record
                m.unfolded[row] = 1
        elif kind == F.STRIP:
            m.log.take_strip(sequence, rest[: m.log.strip_bytes])
            m.strip_unfolded = True

    def _take_state(self, content):
        m = self.m
        state = m.state = array("i", content)
        m.positive_proven = bool(state[1])
        m.negative_proven = bool(state[2])
        m.precharge_mj, m.discharge_mj, m.under_load, m.flats = state[3:7]
        m.new = bool(state[7])
        m.cycle, m.clear_cycle = state[8], state[9]
        m.locked = [row for row in range(len(m.codes_of)) if state[10 + row // F.LOCK_BITS] >> row % F.LOCK_BITS & 1]

    def _forget_the_aged(self):
        m = self.m
        for row in range(len(m.codes_of)):
            record = m.codes_of[row]
            if row not in m.locked and record and K.has_aged(record, m.cycle):
                m.codes_of[row] = K.new_record(row)
                m.unfolded[row] = 1
