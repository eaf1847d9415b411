"""What a power cycle was like: one summary line of it, and the strip of the seconds before its latest hard reaction.

Looks on and keeps; decides nothing, but that isolation which halved within five drives is worth a caution.
"""

from array import array

from micropython import const

from loopwarden import signals as S
from loopwarden.policy import fault_table as T

# Places in a line. FLAGS: DROVE a drive went up and down. The codes that occurred follow, 28 rows to an integer.
CYCLE, FLAGS, LOWEST_OHM, HOTTEST_DC, INVERTER_DC, MOTOR_DC, PRECHARGE_MS, DISCHARGE_MS, CODES = range(9)
LINE_INTS = const(11)
LINE_BYTES = const(44)
LINES = const(11)  # in a file of 512 bytes
SUMMARY_FILES = const(20)  # 220 power cycles
DROVE = const(1)
NO_OHM, NO_DC = 1 << 29, -32768  # nothing was measured in this power cycle (S10)
_ROWS_IN_INT = const(28)
_SAMPLES = const(12)
FIELDS = 7  # of a sample of the strip: tenths of a volt and an ampere, cm/s, permille, phase, kohm
SAMPLE_MS = 500
_RECENT_TICKS = const(10)
_CHARGE_BUS, _TAKE_OVER, _DRIVE, _DISCHARGE, _CREEP = 6, 7, 8, 16, 17  # stages of phases.py


class DriveLog:
    """Attributes: line, strip (bytes, oldest sample first), changed (the line has news), drove, drove_since_clear."""

    strip_bytes = 2 * _SAMPLES * FIELDS

    def __init__(self):
        self.line = array("i", bytes(LINE_BYTES))
        self.line[LOWEST_OHM] = NO_OHM
        self.line[HOTTEST_DC] = self.line[INVERTER_DC] = self.line[MOTOR_DC] = NO_DC
        self.ring = array("h", bytes(self.strip_bytes))
        self.strip = bytes(self.strip_bytes)
        self.at = self.stage = self.stage_at_ms = self.worst = self.recent = self.strip_sequence = 0
        self.sample_at_ms = SAMPLE_MS
        self.changed = self.drove = self.drove_since_clear = self.went = False

    def note(self, row):
        """A row occurred in this power cycle. Heap: none."""
        self.line[CODES + row // _ROWS_IN_INT] |= 1 << row % _ROWS_IN_INT
        self.changed = True

    def step(self, supervisor):
        """Look at one tick; True when a hard reaction just began and `strip` holds what came before it."""
        f = supervisor.faults
        now_ms = f.clock_ms
        stage = supervisor.phases.stage
        if stage != self.stage:
            self._staged(self.stage, stage, now_ms)
        if now_ms >= self.sample_at_ms:
            self.sample_at_ms = now_ms + SAMPLE_MS
            self._sample(supervisor)
            self._summary(supervisor, self.line)
        if f.column:  # live or winding down, or it just was: an emergency is weighed once all is off
            self.recent = _RECENT_TICKS
        elif self.recent:
            self.recent -= 1
        return f.worst != self.worst and self._weighed(supervisor, f.worst)

    def _weighed(self, supervisor, worst):
        harder = worst > self.worst and worst >= T.WIND
        self.worst = worst
        if harder and self.recent:
            self._sample(supervisor)
            self.strip = bytes(self.ring[self.at :]) + bytes(self.ring[: self.at])
            return True
        return False

    def _staged(self, before, now, now_ms):
        lasted_ms = now_ms - self.stage_at_ms
        self.stage_at_ms = now_ms
        if before == _CHARGE_BUS and now == _TAKE_OVER:
            self.line[PRECHARGE_MS] = lasted_ms
            self.changed = True
        elif before == _DISCHARGE and now == _CREEP:
            self.line[DISCHARGE_MS] = lasted_ms
        elif now == _DRIVE:
            self.went = True
        elif now == 0 and before > _CREEP and self.went:
            self.went = False
            self.line[FLAGS] |= DROVE
            self.changed = self.drove = self.drove_since_clear = True
        self.stage = now

    def _sample(self, supervisor):
        self._write(supervisor, self.ring, self.at)
        self.at = (self.at + FIELDS) % (_SAMPLES * FIELDS)

    def _write(self, supervisor, ring, at):
        # Tenths of a volt and of an ampere, cm/s, permille; -1 where a reading is not valid (S10).
        i = supervisor.inputs
        ring[at] = i.bus_mv // 100 if supervisor.electrics.bus_ok and i.bus_mv is not None else -1
        ring[at + 1] = i.pack_mv // 100 if supervisor.electrics.pack_ok and i.pack_mv is not None else -1
        ring[at + 2] = -1 if i.current_state or i.current_ma is None else i.current_ma // 100
        ring[at + 3] = -1 if i.speed_state or i.speed_mm_s is None else i.speed_mm_s // 10
        ring[at + 4] = supervisor.outputs.drive_limit_permille
        ring[at + 5] = supervisor.phases.phase
        ring[at + 6] = -1 if i.isolation_state or i.isolation_ohm is None else min(i.isolation_ohm // 1000, 32767)

    def _summary(self, supervisor, line):
        i = supervisor.inputs
        t = supervisor.thermal
        if i.isolation_state == S.OK and i.isolation_ohm is not None and i.isolation_ohm < line[LOWEST_OHM]:
            line[LOWEST_OHM] = i.isolation_ohm
        if t.valid & t.pack_zones:
            line[HOTTEST_DC] = max(line[HOTTEST_DC], t.hottest_dc)
        line[INVERTER_DC] = max(line[INVERTER_DC], t.inverter_dc)
        line[MOTOR_DC] = max(line[MOTOR_DC], t.motor_dc)

    def take_strip(self, sequence, strip):
        """A strip that the journal still held; the latest one stays."""
        if sequence > self.strip_sequence:
            self.strip_sequence = sequence
            self.strip = bytes(strip)


def samples(strip):
    """How many samples a strip has room for."""
    return len(strip) // (2 * FIELDS)


def is_taken(strip, n):
    """True where the n-th sample was taken: a zero supply of everything is none."""
    for k in range(n * 2 * FIELDS, (n + 1) * 2 * FIELDS):
        if strip[k]:
            return True
    return False


def sample_at(strip, n, field):
    """A field of the n-th sample; None where it was not valid (S10)."""
    k = 2 * (n * FIELDS + field)
    found = strip[k] | strip[k + 1] << 8
    return None if found == 0xFFFF else found - 65536 if found > 32767 else found


def value(line, place):
    """A resistance or temperature of a summary line; None where none was measured."""
    return None if line[place] == (NO_OHM if place == LOWEST_OHM else NO_DC) else line[place]


def has_drifted(lines):
    """True when the lowest isolation of the last drive is half or less of what it was five drives ago.

    lines   summary lines, oldest first
    """
    lows = [line[LOWEST_OHM] for line in lines if line[FLAGS] & DROVE and line[LOWEST_OHM] < NO_OHM]
    return len(lows) > 5 and lows[-1] * 2 <= lows[-6]


def count(line):
    """How many rows occurred in the power cycle of a summary line."""
    n = 0
    for k in range(CODES, LINE_INTS):
        word = line[k]
        while word:
            word &= word - 1
            n += 1
    return n


def noted(line, row):
    """True where a row occurred in the power cycle of a summary line."""
    return line[CODES + row // _ROWS_IN_INT] >> row % _ROWS_IN_INT & 1
