"""Fault memory in RAM, behind the interface of the flash store: codes, freeze frames, power marks, pole proof, locks.

Keeps and hands back; decides nothing. It survives a simulated power cut because the host keeps the object; on a board
it does not, and a board without a store is a board whose memory is new (S9).
"""


def freeze(supervisor, row):
    """A freeze frame of this tick: name to integer, None where a reading is not valid (S10)."""
    i = supervisor.inputs
    o = supervisor.outputs
    t = supervisor.thermal
    pack = t.valid & t.pack_zones
    return {
        "t_ms": supervisor.faults.clock_ms,
        "phase": supervisor.phases.phase,
        "bus_mv": i.bus_mv if supervisor.electrics.bus_ok else None,
        "pack_mv": i.pack_mv if supervisor.electrics.pack_ok else None,
        "current_ma": i.current_ma if i.current_state == 0 else None,
        "isolation_ohm": i.isolation_ohm if i.isolation_state == 0 else None,
        "hottest_dc": t.hottest_dc if pack else None,
        "coldest_dc": t.coldest_dc if pack else None,
        "speed_mm_s": i.speed_mm_s if i.speed_state == 0 else None,
        "drive_limit_permille": o.drive_limit_permille,
        "charge_limit_permille": o.charge_limit_permille,
        "commands": o.positive | o.negative << 1 | o.precharge << 2 | o.discharge << 3,
        "switches": supervisor.switches.word,
        "measured": supervisor.faults.measured[row],
    }


MARK_DEAD = 0
MARK_LIVE = 1


class RamMemory:
    """One board's fault memory. Attributes the policy reads: ready, new, failed, nearly_full, damaged, mark,
    positive_proven, locked (row ids of locks), precharge_mj and discharge_mj (heat at the last mark)."""

    def __init__(self, new=False):
        self.ready = True
        self.new = new
        self.failed = False
        self.nearly_full = False
        self.damaged = False
        self.drifting = False
        self.mark = MARK_DEAD
        self.positive_proven = not new
        self.negative_proven = False
        self.precharge_mj = 0
        self.discharge_mj = 0
        self.under_load = 0
        self.flats = 0
        self.locked = []
        self.records = {}
        self.cycle = 0
        self._pending = bytearray(256)
        self._places = [0] * 256
        self._any = 0

    def begin(self):
        """A new power cycle."""
        self.cycle += 1

    def note(self, row, places):
        """Mark a row for storing; one mark a row, so no burst can overflow a queue."""
        self._pending[row] |= 1
        self._places[row] |= places
        self._any = 1

    def gone(self, row):
        """The condition of a row is no longer there."""
        self._pending[row] |= 2
        self._any = 1

    def mark_live(self, precharge_mj, discharge_mj):
        """Reserve the heat of one start and one emergency discharge before the first contactor closes (S12)."""
        self.precharge_mj = precharge_mj
        self.discharge_mj = discharge_mj
        self.mark = MARK_LIVE

    def mark_dead(self, precharge_mj, discharge_mj):
        """Proven dead: the heat really left in the resistors replaces the reservation."""
        self.precharge_mj = precharge_mj
        self.discharge_mj = discharge_mj
        self.mark = MARK_DEAD

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

    def lock(self, row):
        """Keep a lock over power cycles (S9)."""
        if row not in self.locked:
            self.locked.append(row)

    def unlock(self, row):
        """A lock was cleared at the vehicle."""
        if row in self.locked:
            self.locked.remove(row)

    def idle(self):
        """True when nothing waits to be stored."""
        return not self._any

    def work(self, supervisor):
        """Store what is marked, with the freeze frame of this tick. Called by the loop after the outputs are driven."""
        if not self._any:
            return
        self._any = 0
        for row in range(256):
            if self._pending[row]:
                if self._pending[row] & 1:
                    self._store(row, supervisor)
                if self._pending[row] & 2 and row in self.records:
                    self.records[row]["present"] = False
                self._pending[row] = 0
                self._places[row] = 0

    def _store(self, row, supervisor):
        frame = freeze(supervisor, row)
        record = self.records.get(row)
        if record is None:
            record = {"row": row, "count": 0, "first": frame, "first_cycle": self.cycle, "places": 0}
            self.records[row] = record
        record["count"] += 1
        record["latest"] = frame
        record["latest_cycle"] = self.cycle
        record["places"] |= self._places[row]
        record["present"] = True

    def clear(self, row):
        """Forget a stored record; refused for a lock that still stands."""
        if row in self.locked:
            return False
        self.records.pop(row, None)
        return True

    def codes(self):
        """Stored records in table order, as dicts: row, count, first, latest (frames), places, present, cycles."""
        return [self.records[row] for row in sorted(self.records)]
