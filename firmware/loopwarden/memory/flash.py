"""The fault memory in flash: journal while live, small files when off; the interface is that of the memory in RAM.

Stores what the policy marks, hands it back after a power cut at any instant, and says what it could not read. A record
counts as stored once it was read back: as a page of the journal, or as a closed file. Files are written only in the off
phase with every coil output off, each in one write of 512 bytes or less.

state1, state2   power mark, pole proofs, heat, counts, locks: both the same, so that one of them may be lost (S9)
cNN              the code record of row NN
strip            the seconds before the latest hard reaction
sNN              summary lines, LINES of them in a file, by number of the power cycle
journal0 ...     whole blocks that the journal programs past the file system
where1, where2   which blocks those are, and the birth id: both the same
"""

import os
from array import array

from micropython import const

from loopwarden.memory import codes as K
from loopwarden.memory.drive_log import LINE_BYTES, LINES, SUMMARY_FILES, DriveLog
from loopwarden.memory.journal import PAGE, Journal
from loopwarden.memory.rules import KEPT, MARK_DEAD, MARK_LIVE, Memory
from loopwarden.memory.sealed import DAMAGED, FOREIGN, HEAD, TAIL, seal, sealed_kind, sequence_of
from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import ENDED

BLOCKS = const(4)  # of the journal: 60 pages
FREE_TO_START = const(16)
RESERVED = const(8)  # the last pages are for locks and power marks
STATE, CODE, STRIP, _LINES, WHERE = const(1), const(2), const(3), const(4), const(5)
FILE_MAX = const(512)
_SPARE = const(16)  # new codes in one drive, before one takes from the heap (160 bytes each)
LOCK_BITS = const(28)  # in each integer of the state
STATE_BYTES = const(64)
_ROWS = len(T.TABLE) + 1


class FlashMemory(Memory):
    """One board's fault memory. Beside the attributes of Memory: birth (two integers, drawn when it was made),
    foreign (a schema of another version was found), why_failed ("" or a text), stored(row).

    flash   block device of the whole file system, as rp2.Flash()
    folder  where the files lie; it is made when missing
    """

    def __init__(self, flash, folder):
        super().__init__()
        self.flash, self.folder = flash, folder
        self.ready = False
        self.foreign = False
        self.why_failed = ""
        self.birth = (0, 0)
        self.clear_cycle = 0
        self.codes_of = [None] * _ROWS  # a record for each row that has one, or had one until its file says so
        self.spare = [None] * _SPARE  # records for rows that come in a drive, made before: taken from the end
        self.spares = 0
        self._refill()
        self.state = array("i", bytes(STATE_BYTES))
        self.buffer = bytearray(FILE_MAX)
        self.check = bytearray(FILE_MAX)
        self.unstored = bytearray(_ROWS)  # rows whose record waits for a page or a file
        self.rows_wait = 0  # how many those are
        self.unfolded = bytearray(_ROWS)  # rows whose record is in the journal, and not yet in its file
        self.log = DriveLog()
        self.log_step = self.log.step  # saved: looking a method up costs more than calling it
        self.strip_waits = self.strip_unfolded = self.line_waits = False
        self.lines_number, self.lines_content = -1, b""  # of the file of summary lines that was read last
        self.state_waits = 0  # pages that are to hold the state: always two, so that one of them may decay (S9)
        self.folded = 0  # sequence of the last record that is in its file
        self.highest = 0  # sequence of any file
        self.journal = None
        self.folding = None

    # Power-up

    def begin(self, feed=None):
        """A new power cycle: read everything, fold what the journal still holds. Outputs off.

        feed    called between steps, for the watchdog
        """
        power_up = self._power_up()
        try:
            power_up.begin(feed)
        except OSError as error:
            self._fail("the file system says %s" % error)
            if not power_up.settled:
                power_up.settle(True)
        self.ready = not self.failed

    def _power_up(self):
        from loopwarden.memory.power_up import PowerUp  # needed once: no name of this module holds it

        return PowerUp(self)

    def _open_journal(self, blocks):
        self.journal = Journal(self.flash, blocks, memoryview(self.buffer)[:PAGE])  # no file is written meanwhile

    def _file(self, name, kind, names):
        # Content of a file, b"" without one; a damaged one is named.
        content = self._read(name, kind) if name in names else b""
        if content is None:
            self.damaged = True
        return content

    def _state(self):
        state = self.state
        state[0] = self.want
        state[1] = 1 if self.positive_proven else 0
        state[2] = 1 if self.negative_proven else 0
        state[3] = self.precharge_mj
        state[4] = self.discharge_mj
        state[5] = self.under_load
        state[6] = self.flats
        state[7] = 1 if self.new else 0
        state[8] = self.cycle
        state[9] = self.clear_cycle
        state[10] = state[11] = state[12] = 0
        for row in self.locked:
            state[10 + row // LOCK_BITS] |= 1 << row % LOCK_BITS
        return bytes(state)

    def _fail(self, why):
        self.why_failed = self.why_failed or why
        self.failed = True
        self.ready = False

    def _foreign(self):
        # Written by another version: named, and left as it is for that version or for a person to remove.
        self.foreign = True
        self._fail("it was written by another version of this program")

    # Files

    def _path(self, name):
        return self.folder + "/" + name

    def _read(self, name, kind):
        # Content of a sealed file, None where it is damaged; nothing where a power cut left an empty file, just made.
        try:
            with open(self._path(name), "rb") as file:
                size = file.readinto(self.check)
        except OSError:
            return None
        if not size:
            return b""
        found = sealed_kind(self.check, size) if size > HEAD + TAIL else DAMAGED
        if found == FOREIGN:
            self._foreign()
        if found == kind:
            self.highest = max(self.highest, sequence_of(self.check))
        return self.check[HEAD : size - TAIL] if found == kind else None

    def _write(self, name, kind, content):
        size = HEAD + len(content) + TAIL
        self.buffer[HEAD : HEAD + len(content)] = content
        seal(self.buffer, size, kind, self.folded)
        with open(self._path(name), "wb") as file:
            file.write(memoryview(self.buffer)[:size])
        with open(self._path(name), "rb") as file:
            if file.readinto(self.check) != size or self.check[:size] != self.buffer[:size]:
                raise OSError("%s does not read back as it was written" % name)

    def _fold(self):
        """Write what the journal holds into files, then erase its pages; one file or one block a step (S8, S9).

        Each step leaves a whole memory behind; a fold that is given up is simply begun anew.
        """
        journal = self.journal
        self.folded = journal.sequence - 1
        for row in range(_ROWS):
            if self.unfolded[row]:
                self._write("c%02d" % row, CODE, bytes(self.codes_of[row]))
                self.unfolded[row] = 0
                self._leave(row)
                yield
        if self.strip_unfolded:
            self._write("strip", STRIP, self.log.strip)
            self.strip_unfolded = False
            yield
        if self.line_waits:
            self._write_line()
            self.line_waits = False
            yield
        state = self._state()
        for name in ("state1", "state2"):
            self._write(name, STATE, state)
            yield
        for k in range(len(journal.blocks)):
            if journal.sequence - 1 != self.folded:
                return  # something new came in between: it must not be erased
            if journal.dirty[k]:
                if not journal.erase(k):
                    raise OSError("a block of the journal does not erase")
                self.folded = journal.sequence - 1
                yield
        journal.recount()
        self._refill()

    def _write_line(self):
        # Lines of the same file before this one stay; they are read from it.
        slot = self.cycle % (LINES * SUMMARY_FILES)
        name = "s%02d" % (slot // LINES)
        content = bytearray(LINES * LINE_BYTES)
        content = self._file(name, _LINES, os.listdir(self.folder)) or content
        at = slot % LINES * LINE_BYTES
        content[at : at + LINE_BYTES] = bytes(self.log.line)
        self.lines_number = -1
        self._write(name, _LINES, content)

    def _line(self, cycle):
        # From the file that was read last, where it is the same one: opening one takes more than a kilobyte of heap.
        slot = cycle % (LINES * SUMMARY_FILES)
        number = slot // LINES
        if number != self.lines_number:
            self.lines_number = -1
            self.lines_content = self._read("s%02d" % number, _LINES) or b""
            self.lines_number = number
        if not self.lines_content:
            return None
        at = slot % LINES * LINE_BYTES
        line = array("i", self.lines_content[at : at + LINE_BYTES])
        return line if line[0] == cycle else None

    def lines(self, cycles=LINES * SUMMARY_FILES):
        """Summary lines of the last power cycles, oldest first (allocates; for links and hosts, in the off phase)."""
        least = max(self.cycle - cycles + 1, 1)
        found = [self._line(cycle) for cycle in range(least, self.cycle + 1)]
        return [line for line in found if line is not None]

    # In the tick

    def mark_live(self, precharge_mj, discharge_mj):
        """Reserve the heat of one start and one emergency discharge; `mark` follows once the page is there (S12)."""
        self.precharge_mj, self.discharge_mj = precharge_mj, discharge_mj
        self.want = MARK_LIVE
        self.mark = MARK_DEAD  # until the page of this very mark is there
        self.state_waits = 2

    def mark_dead(self, precharge_mj, discharge_mj):
        """Proven dead: the heat really left in the resistors replaces the reservation."""
        self.precharge_mj, self.discharge_mj = precharge_mj, discharge_mj
        self.want = MARK_DEAD
        self.state_waits = 2

    def prove_positive(self):
        """The positive main was seen open."""
        self.positive_proven = True
        self.state_waits = 2

    def spend_positive(self):
        """The positive main is about to be commanded closed. A cut before the page finds the mark "live", which spends
        the proof as well."""
        self.positive_proven = False
        self.state_waits = 2

    def prove_negative(self):
        """The negative main was seen open on the way up."""
        self.negative_proven = True

    def count_under_load(self):
        """One more opening under load; returns the count."""
        self.state_waits = 2
        return super().count_under_load()

    def idle(self):
        """True when nothing waits to be stored or folded."""
        return self.failed or not (self.waits() or self.journal.used or self.line_waits)

    def waits(self):
        """True when something is not where a power cut does not reach it."""
        return self.state_waits > 0 or self.strip_waits or self.rows_wait > 0

    def keep(self, row, mark, places):
        """Locks, and what needs an acknowledgement, last over power cycles while they are active; told twice (S9)."""
        before = len(self.locked)
        new = self.new
        super().keep(row, mark, places)
        if mark & ENDED and not places and self.codes_of[row]:
            self.codes_of[row][K.FLAGS] = 0
        if len(self.locked) != before or self.new != new:
            self.state_waits = 2

    def _refill(self):
        for n in range(self.spares, _SPARE):
            self.spare[n] = K.new_record(0)
        self.spares = _SPARE

    def _leave(self, row):
        # A record of nothing, as its file now says: nobody keeps one.
        if not self.codes_of[row][K.COUNT]:
            self.codes_of[row] = None

    def _record_of(self, row):
        # Heap: none while spare records are left; a row is never lost for want of one (S8).
        record = self.codes_of[row]
        if record is None:
            if self.spares:
                self.spares -= 1
                record = self.spare[self.spares]
                self.spare[self.spares] = None
                record[K.ROW] = row
            else:
                record = K.new_record(row)
            self.codes_of[row] = record
        return record

    def _store(self, row, places, supervisor):
        K.occurs(self._record_of(row), self.cycle, places, supervisor, self.wall_s(supervisor))
        self._to_store(row)
        self.log.note(row)

    def _to_store(self, row):
        if not self.unstored[row]:
            self.unstored[row] = 1
            self.rows_wait += 1

    def _gone(self, row):
        if self.codes_of[row]:
            self.codes_of[row][K.FLAGS] &= ~K.FAILED

    def work(self, supervisor, room=True):
        """Take over what is marked; then store at most one record, or take one step of folding. After the outputs.

        room    False in a tick that already did much: what waits goes on waiting
        Returns True when a file was written or a block erased: that stalls, and was meant.
        """
        self.busy = False
        if supervisor.faults.marked:
            self._take_marks(supervisor.faults, supervisor)
        if self.log_step(supervisor):
            self.strip_waits = True
        if not room or self.failed:
            return False
        if (self.state_waits or self.rows_wait or self.strip_waits) and self._store_one():
            self.busy = True
            self.folding = None
        elif supervisor.phases.stage == 0 and self._all_off(supervisor.outputs):
            return self._fold_on()
        return False

    def _all_off(self, o):
        # Off phase, key off and every coil output off: an erase stops everything for up to 400 ms.
        return not (o.positive or o.negative or o.precharge or o.discharge)

    def _fold_on(self):
        if self.folding is None:
            if not (self.journal.used or self.log.changed or self.line_waits):
                return False
            self.line_waits = self.line_waits or self.log.changed
            self.log.changed = False
            self.folding = self._fold()
        try:
            next(self.folding)
        except StopIteration:
            self.folding = None
            self.nearly_full = self.journal.free < FREE_TO_START
        except OSError as error:
            self._fail("the file system says %s" % error)
        return True

    def _store_one(self):
        # False when the pages that are left are not for what waits: it goes on waiting, and is not called stored.
        journal = self.journal
        if not journal.free:
            return False
        row = self._row_to_store()
        page = journal.page
        if self.state_waits:
            kind = STATE
        elif row:
            kind = CODE
            page[HEAD + STATE_BYTES : HEAD + STATE_BYTES + K.BYTES] = bytes(self.codes_of[row])
        elif self.strip_waits and journal.free > RESERVED:
            kind = STRIP
            page[HEAD + STATE_BYTES : HEAD + STATE_BYTES + self.log.strip_bytes] = self.log.strip
        else:
            return False
        page[HEAD : HEAD + STATE_BYTES] = self._state()
        if journal.commit(kind):
            self._is_stored(kind, row)
        elif journal.failed():
            self._fail("pages of the journal do not hold")
        self.nearly_full = journal.free < FREE_TO_START
        return True

    def _row_to_store(self):
        row = self.unstored.find(b"\x01")
        if self.journal.free <= RESERVED:
            while row >= 0 and not KEPT[row]:
                row = self.unstored.find(b"\x01", row + 1)
        return max(row, 0)

    def _is_stored(self, kind, row):
        self.mark = self.want
        if kind == STATE:
            self.state_waits -= 1
        elif kind == STRIP:
            self.strip_waits = False
            self.strip_unfolded = True
        else:
            self.unstored[row] = 0
            self.rows_wait -= 1
            self.unfolded[row] = 1

    # Asked over a link

    def stored(self, row):
        """True when the record of a row is where a power cut does not reach it."""
        return not self.unstored[row]

    def clear(self, row):
        """Forget a record; refused for a lock that still stands. It is gone for good once `stored` says so."""
        if row in self.locked or self.raw(row) is None:
            return False
        self.codes_of[row] = K.new_record(row)
        self.clear_cycle = self.cycle
        self.log.drove_since_clear = False
        self._to_store(row)
        return True

    def status(self, row):
        """The ISO 14229-1 status byte of a row."""
        return K.status(self.codes_of[row] or K.new_record(row), self.cycle, self.log.drove, self.log.drove_since_clear)

    def raw(self, row):
        """The record of a row as it is kept, an array as in codes.py; None without one. Heap: none."""
        record = self.codes_of[row]
        return record if record and record[K.COUNT] else None

    def strip(self):
        """The seconds before the latest hard reaction, as in drive_log.py."""
        return self.log.strip

    def line(self, cycle):
        """The summary line of a power cycle, None without one; of this one as it is by now (reads a file)."""
        return self.log.line if cycle == self.cycle else self._line(cycle)

    def _as_dict(self, record):
        shown = super()._as_dict(record)
        shown["status"] = self.status(record[K.ROW])
        shown["stored"] = self.stored(record[K.ROW])
        return shown
