"""What every fault memory does, wherever it keeps its records: takes marks over, knows locks and what an end means.

Keeps and hands back; decides nothing. flash.py is a board's, ram.py the simulator's.
"""

from loopwarden.memory import codes as K
from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import ENDED, GONE, NOTED

MARK_DEAD = 0
MARK_LIVE = 1
_MARKS = [bytes((mark,)) for mark in range((NOTED | GONE | ENDED) + 1)]  # each with any other, to look for
# By row id: kept over power cycles while active, as what needs an acknowledgement is as well.
KEPT = bytes([0] + [row[T.ENDS] >= T.LOCK for row in T.TABLE])


class Memory:
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
        self.cycle = 0
        self.told_s = 0
        self.busy = False  # the last tick's work took marks over, or stored

    def count_under_load(self):
        """One more opening under load; returns the count."""
        self.under_load += 1
        return self.under_load

    def _take_marks(self, f, supervisor):
        self.busy = True
        f.marked = 0
        marks, mark = f.marks, len(_MARKS)
        while mark > 1:
            mark -= 1
            row = marks.find(_MARKS[mark])
            while row >= 0:
                marks[row] = 0
                self._take(row, mark, supervisor)
                row = marks.find(_MARKS[mark])

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

    # Asked over a link

    def tell_time(self, wall_s, supervisor):
        """The time of day in seconds since 2020-01-01, from a host; until power-off, and only for dating records."""
        self.told_s = wall_s - supervisor.faults.clock_ms // 1000

    def wall_s(self, supervisor):
        """Seconds since 2020-01-01 by what a host has told, 0 where none has."""
        return self.told_s + supervisor.faults.clock_ms // 1000 if self.told_s else 0

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
            "latest": K.frame_at(record, K.latest(record)),
        }
