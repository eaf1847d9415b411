"""Debounce, latching and judgement of faults: turns findings into active rows and the hardest reaction.

Decides which rows of the fault table are active and what they ask for together; what is done about it is the phases'
and the limits' business. Ties between equally hard rows go to the lower id, so "why" does not depend on history.
"""

from micropython import const

from loopwarden.policy import fault_table as T

UNKNOWN = const(15)  # a finding's unknown bit stands this far above its bad bit; a group has 15 slots at the most
_CONFIRMED = const(0x1000000)  # a slot's count: 0 quiet, from its set time below this upwards while it counts
_FORGIVEN_MS = const(64)  # a first bad reading credits no time; four times this of good time and it is forgotten
_HEAL_MIN_MS = const(250)  # four times this, at least, is the time in which a fault heals
_LOCKS = const(8)
NOTED, GONE, ENDED = const(1), const(2), const(4)  # marks for the memory
_FEW = const(4)  # slots that may count in every tick, in each group


def _asks(row, reaction):
    """What a row asks for, as a number that sorts: reaction, the lower id; then lock and lamps. Start-up only."""
    bits = _LOCKS if row[T.ENDS] == T.LOCK else 0
    if reaction >= T.CAUTION:
        bits |= row[T.LAMP] or (T.STOP_LAMP if reaction >= T.REFUSE else T.CAUTION_LAMP)
    return (reaction << 8 | 255 - row[T.ID]) << 4 | bits if reaction else bits


class Faults:
    """All debounce slots, in groups of one subject each.

    A monitor adds its group once and then calls `update(group, bad)`, or `count` if it is a slow subject, whenever its
    findings differ from what the call last returned: the same mask once nothing counts any more, else less than 0.
    """

    def __init__(self, build):
        self.dt = self.clock_ms = self.now = self.turn = 0  # dt: ms since the subject's last turn; now wraps, 29 bits
        table = ((0,) * T.COLUMNS,) + T.TABLE  # ids start at 1 and have no gaps
        rows = len(table)
        self.ends = bytes([row[T.ENDS] for row in table])
        self.stop_row = self.ends.index(bytes((T.KEY_ACKED,)))
        self.asks = [[_asks(row, row[column]) for row in table] for column in (T.OFF, T.STANDING, T.MOVING)]
        self.drive_caps, self.charge_caps = [[row[k] << 8 | row[T.ID] for row in table] for k in (T.DRIVE, T.CHARGE)]
        self.set_ms = [row[T.SET_MS] for row in table]
        for row_id, set_ms in build.debounce:
            self.set_ms[row_id] = set_ms
        self.active, self.marks = bytearray(rows + 1), bytearray(rows)  # ids of active rows, then zeros; for the memory
        self.event, self.places, self.since_ms, self.measured = [[0] * rows for _ in range(4)]
        self.first, self.row, self.place, self.begin, self.floor, self.counts = [[] for _ in range(6)]
        self.owed, self.much, self.on = [], bytearray(0), bytearray(0)  # owed: bad in ticks put off, above it their ms
        self.actives = self.judged = self.best = self.bits = self.locks = self.acked = self.marked = 0
        self.worst = self.worst_row = 0  # bits: 1 caution lamp, 2 stop lamp, and what locks, of all active rows
        # Set by the supervisor: how many rows may become active in this tick; the pair of groups that counts in it.
        self.quota, self.busy = 1, 0
        self.column, self.asked = 0, self.asks[0]  # 0 off, 1 standing, 2 moving
        self.changed = self.stale = 1  # stale: a row ended, so all are weighed anew
        self.drive = self.charge = T.FULL << 8

    def add(self, slots):
        """Add a group; slots: (row id, place), or (row id, place, set ms). Returns its number. Start-up only."""
        self.first.append(len(self.row))
        for slot in slots:
            self.row.append(slot[0])
            self.place.append(1 << slot[1])
            self.begin.append(_CONFIRMED - (slot[2] if len(slot) > 2 else self.set_ms[slot[0]]))
            self.floor.append(self.begin[-1] - _FORGIVEN_MS)
            self.counts.append(0)
        for column in (self.row, self.place, self.begin, self.floor, self.counts):
            column.append(-1)  # ends the group
        self.owed.append(0)
        self.much = bytearray(len(self.first))
        return len(self.first) - 1

    def add_events(self, locked):
        """Give every row that no group holds a slot of its own; raise those that were locked. Start-up only, last."""
        for row in T.TABLE:
            if row[T.ID] not in self.row:
                self.add(((row[T.ID], 0, 0),))
            self.event[row[T.ID]] = self.row.index(row[T.ID])
        kept = [column[:] for column in (self.row, self.place, self.begin, self.floor, self.counts)]  # no room to grow
        self.row, self.place, self.begin, self.floor, self.counts = kept
        self.on = bytearray(len(self.row))  # per slot: 1 active
        for i in locked:  # S9
            self.trip(i)
        self.marks = bytearray(len(self.ends))  # what was locked before is no new occurrence

    def update(self, group, bad, urgent=0):
        """Count one reading of a subject of every tick; while much counts in a group, in every fourth tick only.

        The time is kept exactly, and what was bad in between counts as bad, so nothing short is lost (S8). Urgent: 1
        for what opens contactors at once; it waits for no turn, nor for a row that another subject raises in this tick.
        """
        pair = group | 1  # two neighbouring groups share a turn
        if (self.much[group] or 0 < self.busy != pair) and self.turn != pair and not urgent:
            self.owed[group] = (self.owed[group] | bad & 0x7FFF) + (self.dt << UNKNOWN)
            return -1
        self.busy = pair
        if urgent:
            self.quota += 1
        owed = self.owed[group] & 0x7FFF
        bad = bad & ~(owed << UNKNOWN) | owed if owed else bad
        return self.count(group, bad)

    def count(self, group, bad):
        """Count one reading of a group; bad: bit n slot n is bad, bit UNKNOWN + n slot n could not be judged.

        Bad time counts up, good time down at a quarter of the speed, so chatter cannot hide; unknown freezes (S10).
        """
        i = self.first[group]
        self.steady = bad
        counts = self.counts
        dt = self.dt + (self.owed[group] >> UNKNOWN)
        self.owed[group] = 0
        key = 0
        n = counts[i]
        while n >= 0:
            if bad & 1 and n != _CONFIRMED and not bad & 0x8000:
                key -= 1
                n = n + dt if n else self.begin[i]  # the first bad reading credits no time
                counts[i] = n
                if n >= _CONFIRMED:
                    self._confirm(i)
            elif n > _CONFIRMED:
                key -= 1
                self._confirm(i)
            elif n and not bad & 0x8001:
                key -= 1
                n -= dt // 4 or 1
                counts[i] = n
                if n <= self.floor[i]:
                    self._over(i)
            bad >>= 1
            i += 1
            n = counts[i]
        self.much[group] = key < -_FEW
        return key or self.steady

    def _confirm(self, i):
        if self.on[i]:
            self.counts[i] = _CONFIRMED
            if self.acked and self.ends[self.row[i]] == T.KEY_ACKED:  # again after it was acknowledged: owed again
                self.acked = 0
                self._mark(self.row[i], NOTED)
        elif self.quota > 0:
            self.quota -= 1
            self.counts[i] = _CONFIRMED
            self._activate(i)
        else:
            self.counts[i] = _CONFIRMED + 1  # so many at once: this one becomes active in a later tick

    def _over(self, i):
        self.counts[i] = 0
        if self.on[i]:
            self._mark(self.row[i], GONE)
            if self.ends[self.row[i]] == T.HEALS:
                self._deactivate(i)

    def _activate(self, i):
        self.on[i] = self.changed = 1
        if self.begin[i] > _CONFIRMED - _HEAL_MIN_MS:
            self.floor[i] = _CONFIRMED - _HEAL_MIN_MS - _FORGIVEN_MS
        place = self.place[i]
        i = self.row[i]
        if not self.places[i]:
            self.active[self.actives] = i
            self.actives += 1
            self.since_ms[i] = self.clock_ms
            self._weigh(i)  # one that ends makes all the others count anew
        self.places[i] |= place
        self._mark(i, NOTED)  # S8, S9

    def _mark(self, row, mark):
        self.marks[row] |= mark
        self.marked = 1

    def _deactivate(self, i):
        self.on[i] = 0
        self.floor[i] = self.begin[i] - _FORGIVEN_MS
        place = self.place[i]
        i = self.row[i]
        self.places[i] &= ~place
        if not self.places[i]:
            self.changed = self.stale = 1
            self.acked &= self.ends[i] != T.KEY_ACKED
            self._mark(i, ENDED)
            self.actives -= 1
            place = 0
            while self.active[place] != i:
                place += 1
            self.active[place] = self.active[self.actives]
            self.active[self.actives] = 0

    def trip(self, row, measured=0):
        """Raise a row that is an event (a weld, an abort): active at once."""
        if not self.on[self.event[row]]:
            self.quota -= 1
            self.measured[row] = measured
            self._activate(self.event[row])

    def drop(self, row):
        """End an event row that heals."""
        if self.on[self.event[row]]:
            self._mark(row, GONE)
            self._deactivate(self.event[row])

    def key_on(self):
        """A new key-on: end what waited for it, as far as its condition is gone; a row a tick, as rows become active.

        Returns 1 until nothing more is left.
        """
        i = self.on.find(b"\x01")
        while i >= 0:
            ends = self.ends[self.row[i]]
            if self.counts[i] == 0 and (ends == T.KEYED or (ends == T.KEY_ACKED and self.acked)):
                if self.quota > 0:
                    self._deactivate(i)
                return 1
            i = self.on.find(b"\x01", i + 1)
        return 0

    def acknowledge(self):
        """The wired button alone: the one row that ends at the key-on after an acknowledgement (emergency stop)."""
        i = self.event[self.stop_row]
        if self.on[i] and self.counts[i] == 0:
            self.acked = 1
            self._mark(self.row[i], ENDED)  # a power cycle from here on is the next key-on

    def clear(self, row):
        """Clear a latched row, all of which have one slot; the caller has checked that it may (S9, S15).

        Returns False while its condition is there.
        """
        i = self.event[row]
        if self.on[i] and self.counts[i] == 0:
            self._deactivate(i)
        return self.places[row] == 0

    def judge(self, column):
        """Find the hardest reaction, the caps and the lamps of the column of the table that is now in force."""
        if self.stale or column != self.column:
            self.column = column
            self.asked = self.asks[column]
            self.best = self.bits = self.stale = 0
            self.drive = self.charge = T.FULL << 8
            for row in self.active:  # pragma: no branch  it is left by the break: zeros end the list
                if not row:
                    break
                self._weigh(row)
        best = self.best
        self.worst = best >> 12
        self.worst_row = 255 - (best >> 4 & 255) if self.worst else 0
        self.locks = self.bits & _LOCKS
        self.changed = 0
        self.judged ^= 1

    def _weigh(self, row):
        ask, drive, charge = self.asked[row], self.drive_caps[row], self.charge_caps[row]
        self.bits |= ask
        self.best = ask if ask > self.best else self.best  # max() costs twice as much
        self.drive = drive if drive < self.drive else self.drive
        self.charge = charge if charge < self.charge else self.charge

    def active_ids(self):
        """Active row ids in table order (allocates; for hosts and links)."""
        return sorted(self.active[: self.actives])
