"""Debounce, latching and judgement of faults: turns findings into active rows and the hardest reaction.

Decides which rows of the fault table are active and what they ask for together; what is done about it is the phases'
and the limits' business. Ties between equally hard rows go to the lower id, so "why" does not depend on history.
"""

from micropython import const

from loopwarden.policy import fault_table as T

UNKNOWN = const(15)  # a finding's unknown bit stands this far above its bad bit; a group has 15 slots at the most
_FIRST = const(64)
_CAPS = const(4)
_TOP_MIN_MS = const(250)  # four times this is the shortest time in which a fault can heal
OFF_COLUMN, STANDING_COLUMN, MOVING_COLUMN = range(3)


def _lights(row, reaction):
    """Bit 0: lights the caution lamp, bit 1: the stop lamp, bit 2: caps a limit, with this reaction. Start-up only."""
    lights = 0
    if reaction >= T.CAUTION:
        lights = row[T.LAMP] or (T.STOP_LAMP if reaction >= T.REFUSE else T.CAUTION_LAMP)
    return lights | _CAPS if reaction >= T.LIMIT and (row[T.DRIVE] < T.FULL or row[T.CHARGE] < T.FULL) else lights


class Faults:
    """All debounce slots, in groups of one subject each.

    A monitor adds its group once and then calls `update(group, bad)` whenever its findings differ from what `update`
    last returned: the same mask once nothing counts any more, -1 while something does.
    """

    def __init__(self, build, memory):
        self.memory = memory
        self.dt = self.clock_ms = 0  # dt: ms since the subject's last turn; set by the caller of update
        table = ((0,) * T.COLUMNS,) + T.TABLE  # ids start at 1 and have no gaps
        rows = len(table)
        self.ends = bytearray([row[T.ENDS] for row in table])
        self.react = [bytearray([row[column] for row in table]) for column in (T.OFF, T.STANDING, T.MOVING)]
        self.rank, self.lit = [], []  # per column and row: reaction, then the lower id; what it lights
        for column in (T.OFF, T.STANDING, T.MOVING):
            self.rank.append([row[column] << 8 | 255 - row[T.ID] if row[column] else 0 for row in table])
            self.lit.append(bytearray([_lights(row, row[column]) for row in table]))
        self.drive_rank, self.charge_rank = [
            [row[column] << 8 | row[T.ID] for row in table] for column in (T.DRIVE, T.CHARGE)
        ]
        self.default_ms, self.codes = [[row[column] for row in table] for column in (T.SET_MS, T.CODE)]
        self.slots_on, self.active = bytearray(rows), bytearray(rows)
        self.event, self.places, self.since_ms, self.measured = [[0] * rows for _ in range(4)]
        for row_id, set_ms in build.debounce:
            self.default_ms[row_id] = set_ms
        self.first, self.row, self.place, self.set_ms, self.count, self.top = [0], [], [], [], [], []
        self.on = bytearray(0)  # per slot: 0 quiet, 1 active, 2 active and acknowledged
        self.actives = self.judged = self.worst = self.worst_row = self.drive_row = self.charge_row = 0
        self.caution = self.stop = self.locks = self.updates = 0
        self.quota = 1 << 20  # how many rows may still become active in this tick; set by the supervisor
        self.column = OFF_COLUMN
        self.changed = self.restoring = 1  # restoring: locks from the memory are not new occurrences
        self.drive_cap = self.charge_cap = T.FULL

    def add(self, slots, set_ms=-1):
        """Add a group; slots: sequence of (row id, place). Returns the group's number. Start-up only."""
        for slot in slots:
            ms = self.default_ms[slot[0]] if set_ms < 0 else set_ms
            self.row.append(slot[0])
            self.place.append(1 << slot[1])
            self.count.append(0)
            self.set_ms.append(ms)
            self.top.append(max(ms, _TOP_MIN_MS) + _FIRST)
        self.first.append(len(self.row))
        return len(self.first) - 2

    def add_events(self):
        """Give every row that no group holds a slot of its own, for trip() and drop(). Start-up only, last."""
        for row in T.TABLE:
            if row[T.ID] not in self.row:
                self.add(((row[T.ID], 0),), 0)
            self.event[row[T.ID]] = self.row.index(row[T.ID])
        self.on = bytearray(len(self.row))
        for i in self.memory.locked:  # S9
            self.trip(i)
        self.restoring = 0

    def update(self, group, bad):
        """Count one reading of a group; bad: bit n slot n is bad, bit UNKNOWN + n slot n could not be judged.

        Bad time counts up, good time down at a quarter of the speed, so chatter cannot hide; unknown freezes (S10).
        """
        i = self.first[group]
        group = self.first[group + 1]  # from here on: the end of the group
        key = bad
        count = self.count
        self.updates = 1
        while i < group:
            n = count[i]
            if bad & 0x8001:
                if not bad & 0x8000 and n < self.top[i]:
                    key = -1
                    n += self.dt
                    if n > self.dt and (n < self.set_ms[i] + _FIRST or self.on[i] == 1):
                        count[i] = n if n < self.set_ms[i] + _FIRST else self.top[i]
                    else:
                        self._rise(i)  # begins to count, or becomes active
            elif n:
                key = -1
                if n > self.dt:
                    count[i] = n - max(self.dt // 4, 1)
                else:
                    self._fall(i)  # may come to an end
            bad >>= 1
            i += 1
        return key

    def _rise(self, i):
        # The first bad reading credits no time: time counts between two bad readings, from _FIRST on.
        n = self.count[i]
        n = n + self.dt if n else _FIRST
        if n >= self.set_ms[i] + _FIRST:
            n = self.top[i]
            if not self.on[i]:
                if not self.quota:
                    return  # so many at once: this one's reading counts in the next tick
                self.quota -= 1
                self._activate(i)
            elif self.on[i] == 2:  # again after the acknowledgement: it is owed again
                self.on[i] = 1
                self.memory.lock(self.row[i])
                self.memory.note(self.row[i], self.place[i])
        self.count[i] = n

    def _fall(self, i):
        n = max(self.count[i] - max(self.dt // 4, 1), 0)
        self.count[i] = n
        if n == 0 and self.on[i]:
            self.memory.gone(self.row[i])
            if self.ends[self.row[i]] == T.HEALS:
                self._deactivate(i)

    def _activate(self, i):
        self.on[i] = self.changed = 1
        place = self.place[i]
        i = self.row[i]
        self.places[i] |= place
        self.slots_on[i] += 1
        if self.slots_on[i] == 1:
            self.active[self.actives] = i
            self.actives += 1
            self.since_ms[i] = self.clock_ms
            if self.ends[i] >= T.LOCK:
                self.locks += self.ends[i] == T.LOCK
                self.memory.lock(i)  # S9; what needs an acknowledgement is kept over power cycles as well
        if self.codes[i] and not self.restoring:
            self.memory.note(i, self.places[i])  # S8

    def _deactivate(self, i):
        self.on[i] = 0
        self.changed = 1
        place = self.place[i]
        i = self.row[i]
        self.places[i] &= ~place
        self.slots_on[i] -= 1
        if self.slots_on[i] == 0:
            self.locks -= self.ends[i] == T.LOCK
            self.memory.unlock(i)
            place = 0
            while self.active[place] != i:
                place += 1
            self.actives -= 1
            self.active[place] = self.active[self.actives]

    def trip(self, row, measured=0):
        """Raise a row that is an event (a weld, an abort, an overrun): active at once."""
        if not self.on[self.event[row]]:
            self.measured[row] = measured
            self._activate(self.event[row])

    def drop(self, row):
        """End an event row that heals."""
        if self.on[self.event[row]]:
            self.memory.gone(row)
            self._deactivate(self.event[row])

    def key_on(self, most=255):
        """A new key-on: end what waited for it, as far as its condition is gone; at most so many now.

        Returns 1 while more may be left, so that a key-on after a bad day can be spread over ticks.
        """
        if self._end(b"\x01", T.KEYED, most):
            return 1
        return self._end(b"\x02", T.KEY_ACKED, most)

    def _end(self, mark, ends, most):
        i = self.on.find(mark)
        while i >= 0:
            if self.count[i] == 0 and self.ends[self.row[i]] == ends:
                if most == 0:
                    return 1
                most -= 1
                self._deactivate(i)
            i = self.on.find(mark, i + 1)
        return 0

    def acknowledge(self):
        """The wired button alone: marks rows that end at the key-on after an acknowledgement (emergency stop)."""
        i = self.on.find(b"\x01")
        while i >= 0:
            if self.count[i] == 0 and self.ends[self.row[i]] == T.KEY_ACKED:
                self.on[i] = 2
                self.memory.unlock(self.row[i])  # a power cycle from here on is the next key-on
            i = self.on.find(b"\x01", i + 1)

    def clear(self, row):
        """Clear a latched row, all of which have one slot; the caller has checked that it may (S9, S15).

        Returns 0 while its condition is there.
        """
        i = self.event[row]
        if self.count[i]:
            return 0
        if self.on[i]:
            self._deactivate(i)
        return 1

    def judge(self):
        """Find the hardest reaction, the caps and the lamps of the column now in force."""
        rank = self.rank[self.column]
        lit = self.lit[self.column]
        best = lights = 0
        k = self.actives
        while k:
            k -= 1
            row = self.active[k]
            if rank[row] > best:
                best = rank[row]
            lights |= lit[row]
        self.worst = best >> 8
        self.worst_row = 255 - (best & 255) if best else 0
        self.caution = lights & 1
        self.stop = lights >> 1 & 1
        self.changed = 0
        self.judged ^= 1
        self._caps(self.actives if lights & _CAPS else 0, lit)

    def _caps(self, k, lit):
        drive = charge = T.FULL << 8
        while k:
            k -= 1
            row = self.active[k]
            if lit[row] & _CAPS:
                drive = min(drive, self.drive_rank[row])
                charge = min(charge, self.charge_rank[row])
        self.drive_cap = drive >> 8
        self.drive_row = drive & 255
        self.charge_cap = charge >> 8
        self.charge_row = charge & 255

    def is_on(self, row):
        """True while a row is active."""
        return self.slots_on[row] != 0

    def active_ids(self):
        """Active row ids in table order (allocates; for hosts and links)."""
        return sorted(self.active[: self.actives])
