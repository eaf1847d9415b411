"""Debounce, latching and judgement of faults: turns findings into active rows and the hardest reaction.

Decides which rows of the fault table are active and what they ask for together; what is done about it is the phases'
and the limits' business. Ties between equally hard rows go to the lower id, so "why" does not depend on history.
"""

from micropython import const

from loopwarden.policy import fault_table as T

UNKNOWN = const(15)  # a finding's unknown bit stands this far above its bad bit; a group has 15 slots at the most
_TOP_MIN_MS = const(250)  # four times this is the shortest time in which a fault can heal

OFF_COLUMN = const(0)
STANDING_COLUMN = const(1)
MOVING_COLUMN = const(2)


class Faults:
    """All debounce slots, in groups of one subject each.

    A monitor adds its group once and then calls `update(group, bad)` whenever its findings differ from what `update`
    last returned: the same mask once nothing counts any more, -1 while something does.
    """

    def __init__(self, build, memory):
        self.memory = memory
        self.dt = 0  # ms since the subject's last turn; set by the caller of update
        rows = T.TABLE[-1][T.ID] + 1
        self.ends = bytearray(rows)
        self.react = (bytearray(rows), bytearray(rows), bytearray(rows))
        self.lamp = bytearray(rows)
        self.coded = bytearray(rows)  # 0 for a row without a code: it is never stored
        self.drive_of = [T.FULL] * rows
        self.charge_of = [T.FULL] * rows
        self.default_ms = [0] * rows
        for row in T.TABLE:
            i = row[T.ID]
            self.ends[i] = row[T.ENDS]
            self.lamp[i] = row[T.LAMP]
            self.coded[i] = 1 if row[T.CODE] else 0
            self.drive_of[i] = row[T.DRIVE]
            self.charge_of[i] = row[T.CHARGE]
            self.default_ms[i] = row[T.SET_MS]
            for column in (0, 1, 2):
                self.react[column][i] = row[T.OFF + column]
        for row_id, set_ms in build.debounce:
            self.default_ms[row_id] = set_ms
        self.first = [0]
        self.row = []
        self.place = []
        self.set_ms = []
        self.count = []
        self.top = []
        self.on = bytearray(0)
        self.event = [0] * rows  # the slot that trip() raises
        self.places = [0] * rows
        self.slots_on = bytearray(rows)
        self.active = bytearray(rows)
        self.actives = 0
        self.since_ms = [0] * rows
        self.measured = [0] * rows  # what the monitor saw and the line it crossed, for "why" (S13)
        self.clock_ms = 0
        self.column = OFF_COLUMN
        self.changed = 1
        self.worst = 0
        self.worst_row = 0
        self.drive_cap = T.FULL
        self.drive_row = 0
        self.charge_cap = T.FULL
        self.charge_row = 0
        self.caution = 0
        self.stop = 0
        self.locks = 0

    def add(self, slots, set_ms=-1):
        """Add a group; slots: sequence of (row id, place). Returns the group's number. Start-up only."""
        for row, place in slots:
            self._slot(row, place, self.default_ms[row] if set_ms < 0 else set_ms)
        self.first.append(len(self.row))
        return len(self.first) - 2

    def add_events(self):
        """Give every row that no group holds a slot of its own, for trip() and drop(). Start-up only, last."""
        for row in T.TABLE:
            i = row[T.ID]
            if i in self.row:
                self.event[i] = self.row.index(i)
            else:
                self.event[i] = len(self.row)
                self._slot(i, 0, 0)
        self.on = bytearray(len(self.row))
        for i in self.memory.locked:  # S9
            self.trip(i)

    def _slot(self, row, place, set_ms):
        self.row.append(row)
        self.place.append(1 << place)
        self.count.append(0)
        self.top.append(max(set_ms, _TOP_MIN_MS) + 30)
        self.set_ms.append(set_ms)

    def update(self, group, bad):
        """Count one reading of a group; bad: bit n slot n is bad, bit UNKNOWN + n slot n could not be judged.

        Bad time counts up, good time down at a quarter of the speed, so chatter cannot hide; unknown freezes (S10).
        """
        i = self.first[group]
        group = self.first[group + 1]  # from here on: the end of the group
        key = bad
        while i < group:
            if bad & 0x8001:
                if not bad & 0x8000 and self.count[i] < self.top[i]:
                    key = -1
                    self._rise(i)
            elif self.count[i]:
                key = -1
                self._fall(i)
            bad >>= 1
            i += 1
        return key

    def _rise(self, i):
        n = self.count[i]
        quarter = self.dt // 4
        if n:
            n += self.dt
        else:
            n = quarter + 1  # the first bad reading credits no time: time counts between two bad readings
        if n > self.set_ms[i] + quarter:
            n = self.top[i]
            if not self.on[i]:
                self._activate(i)
        self.count[i] = n

    def _fall(self, i):
        n = self.count[i] - max(self.dt // 4, 1)
        if n <= 0:
            n = 0
            if self.on[i]:
                self.memory.gone(self.row[i])
                if self.ends[self.row[i]] == T.HEALS:
                    self._deactivate(i)
        self.count[i] = n

    def _activate(self, i):
        self.on[i] = 1
        self.changed = 1
        place = self.place[i]
        i = self.row[i]
        self.places[i] |= place
        self.slots_on[i] += 1
        if self.slots_on[i] == 1:
            self.active[self.actives] = i
            self.actives += 1
            self.since_ms[i] = self.clock_ms
            if self.ends[i] == T.LOCK:
                self.locks += 1
            if self.ends[i] == T.LOCK or self.ends[i] == T.KEY_ACKED:
                self.memory.lock(i)  # S9
        if self.coded[i]:
            self.memory.note(i, self.places[i])  # S8

    def _deactivate(self, i):
        self.on[i] = 0
        self.changed = 1
        place = self.place[i]
        i = self.row[i]
        self.places[i] &= ~place
        self.slots_on[i] -= 1
        if self.slots_on[i] == 0:
            self._forget(i)

    def _forget(self, row):
        self.places[row] = 0
        if self.ends[row] == T.LOCK:
            self.locks -= 1
        self.memory.unlock(row)
        k = 0
        while self.active[k] != row:
            k += 1
        self.actives -= 1
        self.active[k] = self.active[self.actives]

    def trip(self, row, measured=0):
        """Raise a row that is an event (a weld, an abort, an overrun): active at once."""
        i = self.event[row]
        if not self.on[i]:
            self.measured[row] = measured
            self._activate(i)

    def drop(self, row):
        """End an event row that heals."""
        i = self.event[row]
        if self.on[i]:
            self.memory.gone(row)
            self._deactivate(i)

    def key_on(self):
        """A new key-on: end what waited for it, as far as its condition is gone."""
        i = len(self.row)
        while i:
            i -= 1
            if self.on[i] and self.count[i] == 0:
                self._key(i)

    def _key(self, i):
        ends = self.ends[self.row[i]]
        if ends == T.KEYED or (ends == T.KEY_ACKED and self.on[i] == 2):
            self._deactivate(i)

    def acknowledge(self):
        """The wired button alone: marks rows that end at the key-on after an acknowledgement (emergency stop)."""
        i = len(self.row)
        while i:
            i -= 1
            if self.on[i] and self.count[i] == 0 and self.ends[self.row[i]] == T.KEY_ACKED:
                self.on[i] = 2

    def present(self, row):
        """1 while the condition of a row is there, whatever its latch."""
        i = len(self.row)
        while i:
            i -= 1
            if self.row[i] == row and self.count[i]:
                return 1
        return 0

    def clear(self, row):
        """Clear a latched row; the caller has checked that it may (S9, S15). Returns 0 while its condition is present."""
        if self.present(row):
            return 0
        i = len(self.row)
        while i:
            i -= 1
            if self.row[i] == row and self.on[i]:
                self._deactivate(i)
        return 1

    def judge(self):
        """Find the hardest reaction, the caps and the lamps of the column now in force."""
        react = self.react[self.column]
        worst = 0
        who = 0
        k = self.actives
        while k:
            k -= 1
            row = self.active[k]
            r = react[row]
            if r > worst or (r == worst and row < who):
                worst = r
                who = row
        self.worst = worst
        self.worst_row = who
        self.changed = 0
        self._caps(react)

    def _caps(self, react):
        self.drive_cap = T.FULL
        self.charge_cap = T.FULL
        self.drive_row = 0
        self.charge_row = 0
        self.caution = 0
        self.stop = 0
        k = self.actives
        while k:
            k -= 1
            row = self.active[k]
            r = react[row]
            if r >= T.LIMIT:
                self._cap(row)
            if r >= T.CAUTION:
                r = self.lamp[row] or (2 if r >= T.REFUSE else 1)
                if r == 2:
                    self.stop = 1
                else:
                    self.caution = 1

    def _cap(self, row):
        cap = self.drive_of[row]
        if cap < self.drive_cap or (cap == self.drive_cap and row < self.drive_row):
            self.drive_cap = cap
            self.drive_row = row
        cap = self.charge_of[row]
        if cap < self.charge_cap or (cap == self.charge_cap and row < self.charge_row):
            self.charge_cap = cap
            self.charge_row = row

    def is_on(self, row):
        """True while a row is active."""
        return self.slots_on[row] != 0

    def active_ids(self):
        """Active row ids in table order (allocates; for hosts and links)."""
        return sorted(self.active[: self.actives])
