"""What is called what: rows, codes, places, states of a reading, limiters, and what may be asked why.

Decides nothing. Writes to a page of `writer`; takes nothing from the heap.
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy import fault_table as T

_NAME, _ID = const(1), const(0)  # columns of the fault table
_BLANK, _UNDERSCORE, _LOWER = const(32), const(95), const(32)
_name = bytearray(32)
_name_view = memoryview(_name)
NO_READING = b"no valid reading"
# Where the places of a row are loops, zones, or one of two sides.
LOOP_ROWS = bytes((1, 2, 3, 4, 6))
ZONE_ROWS = bytes((15, 16, 17, 19, 21, 22, 23, 24, 26, 27, 28, 29, 30, 31))
_SIDES = {
    39: (b"driving", b"charging"),
    52: (b"pack", b"bus"),
    53: (b"pack", b"bus"),
    63: (b"its reading", b"a sudden silence", b"current without pulses"),
    81: (b"positive", b"negative", b"precharge", b"discharge"),
}
STATES = (b"", b"open wire or rail", b"shorted", b"silent", b"implausible", b"reports its own fault", b"no pulses")
SUBJECTS = (
    "phase",
    "start",
    "drive limit",
    "charge limit",
    "ready lamp",
    "caution lamp",
    "stop lamp",
    "hv lamp",
    "cooling",
    "isolation",
)

LIMITERS = (
    b"",
    b"",
    b"the bus not yet held",
    b"",
    b"isolation not settled",
    b"the hot pack",
    b"the hot inverter",
    b"the hot motor",
    b"over current",
    b"pack voltage",
)
_CLAUSES = ("PHASE", "START", "DRIVE_LIMIT", "CHARGE_LIMIT", "READY_LAMP", "CAUTION_LAMP", "STOP_LAMP", "HV_LAMP")
_CLAUSES = _CLAUSES + ("COOLING", "ISOLATION")


def entry(row_id):
    """A row of the fault table. Errors: ValueError for an id that no row has."""
    if not 0 < row_id <= len(T.TABLE):  # ids begin at 1 and have no gaps
        raise ValueError("words: no fault has the id %s" % row_id)
    return T.TABLE[row_id - 1]


def put_name(w, row):
    """A row's short name, as in "isolation fault"."""
    n = 0
    for sign in entry(row)[T.NAME].encode():
        _name[n] = _BLANK if sign == _UNDERSCORE else sign | _LOWER
        n += 1
    w.put(_name_view[:n])


def put_code(w, code, ftb):
    """A code as people write it, "P0A0A-13"; "none" for 0, a row without one."""
    if not code:
        w.put(b"none")
        return
    w.put((b"P", b"C", b"B", b"U")[code >> 14])
    w.int(code >> 12 & 3)
    w.hex(code & 0xFFF, 3, b"0123456789ABCDEF")
    w.put(b"-")
    w.hex(ftb, 2, b"0123456789ABCDEF")


def put_places(w, row, mask):
    """Which loops, zones or sides a place mask means; nothing where a row has no places."""
    sides = _SIDES.get(row)
    word = b"loop " if row in LOOP_ROWS else b"zone " if row in ZONE_ROWS else b""
    if not word and sides is None:
        return
    n = 0
    more = False
    while mask and n < (S.ZONES_MAX if sides is None else len(sides)):
        if mask & 1:
            if more:
                w.put(b", ")
            more = True
            if sides is None:
                w.put(word)
                w.int(n + 1)
            else:
                w.put(sides[n])
        mask >>= 1
        n += 1


def known(wanted):
    """What "DRIVE_LIMIT", in capitals, asks for: n of SUBJECTS as -1 - n, or a row id; 0 where it is neither."""
    n = -1
    for name in _CLAUSES:
        if name == wanted:
            return n
        n -= 1
    for row in T.TABLE:
        if row[_NAME] == wanted:
            return row[_ID]
    return 0
