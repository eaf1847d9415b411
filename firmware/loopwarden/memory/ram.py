"""Fault memory in RAM, behind the interface of the flash store: codes, freeze frames, power marks, pole proof, locks.

It survives a simulated power cut because the host keeps the object; on a board it does not, and a board without a store
is a board whose memory is new (S9).
"""

from loopwarden.memory import codes as K
from loopwarden.memory.rules import MARK_DEAD, MARK_LIVE, Memory


class RamMemory(Memory):
    """One board's fault memory; records: row -> record, an array as in codes.py."""

    def __init__(self, new=False):
        super().__init__(new)
        self.records = {}

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

    def _gone(self, row):
        if row in self.records:
            self.records[row][K.FLAGS] &= ~K.FAILED

    def _store(self, row, places, supervisor):
        if row not in self.records:
            self.records[row] = K.new_record(row)
        K.occurs(self.records[row], self.cycle, places, supervisor, self.wall_s(supervisor))

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
