"""One record for each code: how often, where, when first and latest, with both freeze frames; and its ISO 14229 status.

A record is an array of integers, so that a tick writes it without taking from the heap. Ages follow from the numbers of
the power cycles; nothing has to be counted down in flash.
"""

from array import array

from micropython import const

from loopwarden.policy import fault_table as T

# Places in a record. FLAGS: FAILED the condition is there, LAMP the row is active and lights a lamp. LATEST is written
# from the second time on; until then the first one is the latest as well.
ROW, COUNT, PLACES, FLAGS, FIRST_CYCLE, LATEST_CYCLE, FIRST, LATEST = (0, 1, 2, 3, 4, 5, 6, 20)
FIRST_WALL_S, LATEST_WALL_S = 34, 35  # seconds since 2020-01-01, 0 where no host has told the time of day
BYTES = const(4 * 36)
FAILED, LAMP = const(1), const(2)
NOTHING = const(1 - (1 << 30))  # a reading that is not valid (S10)
FRAME = (
    "t_ms",
    "phase",
    "bus_mv",
    "pack_mv",
    "current_ma",
    "isolation_ohm",
    "hottest_dc",
    "coldest_dc",
    "speed_mm_s",
    "drive_limit_permille",
    "charge_limit_permille",
    "commands",
    "switches",
    "measured",
)
MEASURED = const(13)  # in a frame
_NO_ROUND = const(-32768)
AGE_CYCLES = const(40)  # a code that did not come back in so many power cycles is forgotten (common practice)
_COUNT_MAX = const(0xFFFF)
# Status bits of ISO 14229-1.
TEST_FAILED, FAILED_THIS_CYCLE, PENDING, CONFIRMED = const(1), const(2), const(4), const(8)
NOT_COMPLETED_SINCE_CLEAR, FAILED_SINCE_CLEAR = const(16), const(32)
NOT_COMPLETED_THIS_CYCLE, WARNING_INDICATOR = const(64), const(128)
# By row id: has a code; lights a lamp in some column; is judged only by a whole drive, up and down.
CODED = bytes([0] + [row[T.CODE] > 0 for row in T.TABLE])
LIT = bytes([0] + [max(row[T.OFF : T.MOVING + 1]) >= T.CAUTION for row in T.TABLE])
_BY_DRIVE = frozenset((40, 41, 42, 44, 45, 46, 47, 48, 49, 54, 55, 79))


def new_record(row):
    """An empty record of a row."""
    record = array("i", bytes(BYTES))
    record[ROW] = row
    return record


def write_frame(record, at, supervisor, row):
    """Write a freeze frame of this tick into a record from place `at` on, in the order of FRAME. Heap: none."""
    i = supervisor.inputs
    o = supervisor.outputs
    e = supervisor.electrics
    record[at] = supervisor.faults.clock_ms
    record[at + 1] = supervisor.phases.phase
    # None beside an ok of the tick before: what was raised in this one, and is stored, may have come before its turn.
    record[at + 2] = i.bus_mv if e.bus_ok and i.bus_mv is not None else NOTHING
    record[at + 3] = i.pack_mv if e.pack_ok and i.pack_mv is not None else NOTHING
    record[at + 4] = NOTHING if i.current_state or i.current_ma is None else i.current_ma
    record[at + 5] = NOTHING if i.isolation_state or i.isolation_ohm is None else i.isolation_ohm
    _write_thermal(record, at + 6, supervisor.thermal)
    record[at + 8] = NOTHING if i.speed_state or i.speed_mm_s is None else i.speed_mm_s
    record[at + 9] = o.drive_limit_permille
    record[at + 10] = o.charge_limit_permille
    record[at + 11] = o.positive | o.negative << 1 | o.precharge << 2 | o.discharge << 3
    record[at + 12] = supervisor.switches.word
    record[at + 13] = supervisor.faults.measured[row]


def _write_thermal(record, at, t):
    known = t.valid & t.pack_zones and t.hottest_dc > _NO_ROUND  # not before every zone was looked at once (S10)
    record[at] = t.hottest_dc if known else NOTHING
    record[at + 1] = t.coldest_dc if known else NOTHING


def frame_at(record, at):
    """A freeze frame as a dict: name to integer, None where a reading was not valid (S10)."""
    return {name: None if record[at + k] == NOTHING else record[at + k] for k, name in enumerate(FRAME)}


def occurs(record, cycle, places, supervisor, wall_s=0):
    """Write one more occurrence of a row into its record; wall_s: seconds since 2020-01-01, 0 unknown. Heap: none."""
    row = record[ROW]
    if record[COUNT] == 0:
        record[FIRST_CYCLE] = cycle
        record[FIRST_WALL_S] = wall_s
        write_frame(record, FIRST, supervisor, row)
    else:
        write_frame(record, LATEST, supervisor, row)
    if record[COUNT] < _COUNT_MAX:
        record[COUNT] += 1
    record[LATEST_CYCLE] = cycle
    record[LATEST_WALL_S] = wall_s
    record[PLACES] |= places
    record[FLAGS] = FAILED | LAMP if LIT[row] else FAILED


def latest(record):
    """Where the latest frame of a record begins."""
    return LATEST if record[COUNT] > 1 else FIRST


def has_aged(record, cycle):
    """True for a record that came back in none of the last AGE_CYCLES power cycles."""
    return record[COUNT] > 0 and not record[FLAGS] and cycle - record[LATEST_CYCLE] > AGE_CYCLES


def status(record, cycle, drove, drove_since_clear):
    """The status byte of ISO 14229-1 for a record; an operation cycle is a power cycle of the board.

    drove, drove_since_clear  a drive went through, up and down, in this cycle; since the memory was last cleared
    """
    by_drive = record[ROW] in _BY_DRIVE
    byte = 0 if not by_drive or drove else NOT_COMPLETED_THIS_CYCLE
    if record[COUNT] == 0:
        return byte if not by_drive or drove_since_clear else byte | NOT_COMPLETED_SINCE_CLEAR
    byte |= CONFIRMED | FAILED_SINCE_CLEAR
    byte |= TEST_FAILED if record[FLAGS] & FAILED else 0
    byte |= WARNING_INDICATOR if record[FLAGS] & LAMP else 0
    if record[LATEST_CYCLE] == cycle:
        return byte & ~NOT_COMPLETED_THIS_CYCLE | FAILED_THIS_CYCLE | PENDING
    return byte | PENDING if cycle - record[LATEST_CYCLE] == 1 else byte
