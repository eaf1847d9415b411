"""Fault memory in RAM, behind the interface of the flash store: codes, freeze frames, power marks, pole proof, locks.

Keeps and hands back; decides nothing. It survives a simulated power cut because the host keeps the object; on a board
it does not, and a board without a store is a board whose memory is new (S9).
"""

from loopwarden.memory import codes as K
from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import ENDED, GONE, NOTED

MARK_DEAD = 0
MARK_LIVE = 1
_MARKS = [bytes((mark,)) for mark in range((NOTED | GONE | ENDED) + 1)]  # each with any other, to look for
# By row id: kept over power cycles while active, as what needs an acknowledgement is as well.
KEPT = bytes([0] + [row[T.ENDS] >= T.LOCK for row in T.TABLE])


class RamMemory:
    """One board's fault memory. Attributes the policy reads: ready, new, failed, nearly_full, damaged (each True or
    False, nothing else), mark, positive_proven, flats, under_load, locked (row ids of locks), precharge_mj and
    discharge_mj (heat at the last mark).

    The policy calls nothing to have a row stored: it marks it (faults.NOTED, GONE, ENDED), and `work` takes the marks
    over after each tick. What the end of a row means for the memory (a pole proof, a count) is decided here.
    """

    def __init__(self, new=False):
        self.ready = True
        self.new = new
        self.failed = False
        self.nearly_full = False
        self.damaged = False
        self.drifting = False
        self.mark = self.want = MARK_DEAD  # what is wanted becomes the mark once it is stored
        self.positive_proven = not new
        self.negative_proven = False
        self.precharge_mj = 0
        self.discharge_mj = 0
        self.under_load = 0
        self.flats = 0
        self.locked = []
        self.records = {}  # row -> record, an array as in codes.py
        self.cycle = 0
        self.told_s = 0
        self.busy = False  # the last tick's work took marks over, or stored

    def begin(self, feed=None):
        """A new power cycle; feed, for the watchdog, is called where it takes long."""
        self.cycle += 1

    def mark_live(self, precharge_mj, discharge_mj):
        """Reserve the heat of one start and one emergency discharge before the first contactor closes (S12)."""
        self.precharge_mj = precharge_mj
        self.discharge_mj = discharge_mj
        self.want = MARK_LIVE

    def mark_dead(self, precharge_mj, discharge_mj):
        """Proven dead: the heat really left in the resistors replaces the reservation."""
        self.precharge_mj = precharge_mj
        self.discharge_mj = discharge_mj
        self.want = MARK_DEAD

    def prove_positive(self):
        """The positive main was seen open."""
        self.positive_proven = True

    def spend_positive(self):
        """The positive main is about to be commanded closed: the proof is used up."""
        self.positive_proven = False

    def prove_negative(self):
        """The negative main was seen open on the way up."""
        self.negative_proven = True

    def count_under_load(self):
        """One more opening under load; returns the count."""
        self.under_load += 1
        return self.under_load

    def waits(self):
        """True when something is not stored yet; here it is as soon as it is marked."""
        return False

    def idle(self):
        """True when nothing waits to be stored."""
        return True

    def work(self, supervisor, room=True):
        """Store what is marked, with the freeze frame of this tick. Called by the loop after the outputs are driven.

        Returns True when that took long; in RAM it never does.
        """
        self.busy = False
        if supervisor.faults.marked:
            self._take_marks(supervisor.faults, supervisor)
        self.mark = self.want
        return False

    def _take_marks(self, f, supervisor):
        self.busy = True
        f.marked = 0
        mark = len(_MARKS)
        while mark > 1:
            mark -= 1
            row = f.marks.find(_MARKS[mark])
            while row >= 0:
                f.marks[row] = 0
                self._take(row, mark, supervisor)
                row = f.marks.find(_MARKS[mark])

    def keep(self, row, mark, places):
        """Locks, and what needs an acknowledgement, last over power cycles while they are active (S9)."""
        if mark & ENDED and row in self.locked:
            self.locked.remove(row)
        if mark & ENDED and not places:
            self._cleared(row)
        if mark & NOTED and KEPT[row] and places and row not in self.locked:
            self.locked.append(row)

    def _cleared(self, row):
        if row == 46:
            self.positive_proven = True  # the meter check stands for the proof
        elif row == 76:
            self.new = False  # commissioned
        elif row == 79:
            self.flats = 0
        elif row == 80:
            self.under_load = 0  # inspected

    def _take(self, row, mark, supervisor):
        places = supervisor.faults.places[row]
        self.keep(row, mark, places)
        if mark & NOTED and K.CODED[row]:
            self._store(row, places, supervisor)
        if mark & GONE:
            self._gone(row)

    def _gone(self, row):
        if row in self.records:
            self.records[row][K.FLAGS] &= ~K.FAILED

    def _store(self, row, places, supervisor):
        if row not in self.records:
            self.records[row] = K.new_record(row)
        K.occurs(self.records[row], self.cycle, places, supervisor, self.wall_s(supervisor))

    # Asked over a link

    def tell_time(self, wall_s, supervisor):
        """The time of day in seconds since 2020-01-01, from a host; until power-off, and only for dating records."""
        self.told_s = wall_s - supervisor.faults.clock_ms // 1000

    def wall_s(self, supervisor):
        """Seconds since 2020-01-01 by what a host has told, 0 where none has."""
        return self.told_s + supervisor.faults.clock_ms // 1000 if self.told_s else 0

    def clear(self, row):
        """Forget a stored record; refused for a lock that still stands."""
        if row in self.locked:
            return False
        self.records.pop(row, None)
        return True

    def stored(self, row):
        """True when the record of a row is where a power cut does not reach it; here it is where it will ever be."""
        return True

    def raw(self, row):
        """The record of a row as it is kept, an array as in codes.py; None without one. Heap: none."""
        return self.records.get(row)

    def status(self, row):
        """The ISO 14229-1 status byte of a row with a record; nobody looks here whether a drive went through."""
        return K.status(self.records[row], self.cycle, False, False)

    def strip(self):
        """The seconds before the latest hard reaction, as in drive_log.py; nothing where none is kept."""
        return b""

    def line(self, cycle):
        """The summary line of a power cycle, None without one."""
        return None

    def record(self, row):
        """The record of a row as in `codes`, None without one (allocates; for hosts)."""
        record = self.raw(row)
        return self._as_dict(record) if record else None

    def codes(self):
        """Stored records in table order, as dicts: row, count, first, latest (frames), places, present, cycles
        (allocates; for hosts)."""
        return [self._as_dict(self.raw(row)) for row in range(len(KEPT)) if self.raw(row)]

    def _as_dict(self, record):
        return {
            "row": record[K.ROW],
            "count": record[K.COUNT],
            "places": record[K.PLACES],
            "present": bool(record[K.FLAGS] & K.FAILED),
            "first_cycle": record[K.FIRST_CYCLE],
            "latest_cycle": record[K.LATEST_CYCLE],
            "first": K.frame_at(record, K.FIRST),
            "latest": K.frame_at(record, K.LATEST),
        }
