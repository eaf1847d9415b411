"""The debounce and the judgement of faults once more: slow, obvious, one object a slot, written from the rules.

The rules are those of the fault notes: bad time counts up with the real elapsed time; the first bad reading credits
nothing, since time counts only between two bad readings; good time counts down at a quarter of the speed, so that
chatter cannot hide; a reading that could not be judged freezes the counter. Nothing here is shared with faults.py but
the table, and nothing here is quick.
"""

from loopwarden.policy import fault_table as T

ROW = {row[T.ID]: row for row in T.TABLE}
HEAL_MIN_MS = 250  # what a confirmed fault has to lose at least, at a quarter of the speed
FORGIVEN_MS = 64  # a first bad reading credits no time, yet is forgotten only after four times this of good time
COLUMNS = (T.OFF, T.STANDING, T.MOVING)


class Slot:
    """One thing that can be bad at one place."""

    def __init__(self, row, place, set_ms):
        self.row = row
        self.place = place
        self.set_ms = set_ms
        self.open = False  # bad was seen and is not forgotten yet
        self.bad_ms = 0  # credited so far
        self.on = False
        self.acknowledged = False

    def bad(self, dt_ms):
        """One bad reading. One that is still active and bad again lacks its set time, no more, of being as at first."""
        full_ms = max(self.set_ms, HEAL_MIN_MS)
        if not self.open:
            self.open, self.bad_ms = True, full_ms - self.set_ms if self.on else 0
        else:
            self.bad_ms += dt_ms
        if self.on:
            self.bad_ms = min(self.bad_ms, full_ms)
        elif self.bad_ms >= self.set_ms:
            self.bad_ms, self.on = full_ms, True

    def good(self, dt_ms):
        """One good reading; ends a fault that heals once nothing is left of the bad time."""
        if not self.open:
            return
        self.bad_ms -= max(dt_ms // 4, 1)
        if self.bad_ms <= -FORGIVEN_MS:
            self.open = False
            if ROW[self.row][T.ENDS] == T.HEALS:
                self.on = False


class ReferenceFaults:
    """All slots; the same questions as the quick core answers."""

    def __init__(self, debounce):
        self.debounce = dict(debounce)
        self.groups = []
        self.events = {}

    def add(self, slots):
        self.groups.append([Slot(row, place, self.debounce.get(row, ROW[row][T.SET_MS])) for row, place in slots])

    @property
    def slots(self):
        return [slot for group in self.groups for slot in group] + list(self.events.values())

    def read(self, group, bad, unknown, dt_ms):
        """One reading of a group; bad and unknown are sets of slot numbers."""
        for n, slot in enumerate(self.groups[group]):
            if n in unknown:
                continue
            if n in bad:
                slot.bad(dt_ms)
            else:
                slot.good(dt_ms)

    def trip(self, row):
        self.events.setdefault(row, Slot(row, 0, 0)).on = True

    def drop(self, row):
        if row in self.events:
            self.events[row].on = False

    def acknowledge(self):
        for slot in self.slots:
            if slot.on and not slot.open and ROW[slot.row][T.ENDS] == T.KEY_ACKED:
                slot.acknowledged = True

    def key_on(self):
        for slot in self.slots:
            if not slot.on or slot.open:
                continue
            ends = ROW[slot.row][T.ENDS]
            if ends == T.KEYED or (ends == T.KEY_ACKED and slot.acknowledged):
                slot.on = slot.acknowledged = False

    def clear(self, row):
        mine = [slot for slot in self.slots if slot.row == row]
        if any(slot.open for slot in mine):
            return False
        for slot in mine:
            slot.on = slot.acknowledged = False
        return True

    def places(self):
        """Active rows, each with the mask of its places."""
        found = {}
        for slot in self.slots:
            if slot.on:
                found[slot.row] = found.get(slot.row, 0) | 1 << slot.place
        return found

    def kept(self):
        """Rows that must survive a power cut now; what was acknowledged waits for a key-on only, and that is one."""
        locks = {slot.row for slot in self.slots if slot.on and ROW[slot.row][T.ENDS] in (T.LOCK, T.ACKED)}
        acked = [slot for slot in self.slots if slot.on and ROW[slot.row][T.ENDS] == T.KEY_ACKED]
        return sorted(locks | {slot.row for slot in acked if not any(a.acknowledged for a in acked)})

    def judgement(self, column):
        """What all active rows ask for together, in one column of the table."""
        asks = [(ROW[row][COLUMNS[column]], row) for row in sorted(self.places())]
        hard = [ask for ask in asks if ask[0] > T.NONE]
        worst, worst_row = min(hard, key=lambda ask: (-ask[0], ask[1]), default=(T.NONE, 0))
        limiting = sorted(self.places())  # a cap counts in every column; outside live nothing is granted anyway
        lit = {self._lamp(row, reaction) for reaction, row in asks if reaction >= T.CAUTION}
        return {
            "worst": worst,
            "worst_row": worst_row,
            "drive": self._least(limiting, T.DRIVE),
            "charge": self._least(limiting, T.CHARGE),
            "caution": T.CAUTION_LAMP in lit,
            "stop": T.STOP_LAMP in lit,
        }

    @staticmethod
    def _least(rows, side):
        caps = [(ROW[row][side], row) for row in rows if ROW[row][side] < T.FULL]
        return min(caps, default=(T.FULL, 0))

    @staticmethod
    def _lamp(row, reaction):
        if ROW[row][T.LAMP] != T.DEFAULT:
            return ROW[row][T.LAMP]
        return T.STOP_LAMP if reaction >= T.REFUSE else T.CAUTION_LAMP
