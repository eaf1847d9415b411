"""What the link says of a row: found by code or name, where, present, stored; the words for the limiters.

Reads only. Both renderings (pages.py, objects.py) take their facts from here.
"""

from micropython import const

from loopwarden.memory import codes as K
from loopwarden.naming import LIMITERS, SUBJECTS, known, put_name
from loopwarden.policy import fault_table as T
from loopwarden.policy import limits as L
from loopwarden.policy import phases as P

SEVERAL = -1
NO_SUBJECT = b"no such subject; there are " + ", ".join(SUBJECTS).encode() + b", and every fault's name"
NO_SUBJECT_IN_SHORT = b"no such subject; ask phase, start, cooling, isolation, limits, lamps, faults"
_CODE, _FTB = const(2), const(3)  # columns of the fault table
_LETTERS, _DASH = b"PCBU", const(45)


def find(text):
    """The row of a code, with or without its ending, or of a name; 0 for none, SEVERAL where the ending is needed.

    text  bytes: every new str is looked up among all names that the program knows, which costs more than all the rest
    """
    text = text.upper()
    code, ending = _number(text[1:5]), -1
    if len(text) == 8 and text[5] == _DASH:
        ending = _number(text[6:])
    letter = _LETTERS.find(text[:1])
    if letter < 0 or code <= 0 or len(text) != (5 if ending < 0 else 8):
        return max(askable(text), 0)
    code |= letter << 14
    found = n = 0
    for row in T.TABLE:
        n += 1
        if row[_CODE] == code and (ending < 0 or ending == row[_FTB]):
            found = SEVERAL if found else n
    return found


def askable(subject):
    """What may be asked why, as words.known numbers it; 0 for anything else."""
    return known(subject.upper().replace(b" ", b"_").decode())


def _number(digits):
    try:
        return int(digits, 16)
    except ValueError:
        return -1


def shown(loop, row):
    """True for a row with a record, or active."""
    return loop.supervisor.faults.places[row] > 0 or loop.memory.raw(row) is not None


def present(loop, row):
    """1 while the condition itself is there."""
    record = loop.memory.raw(row)
    if record is None:
        return 1 if loop.supervisor.faults.places[row] else 0
    return record[K.FLAGS] & K.FAILED


def put_limiter(w, s, goal, row):
    """Who sets a limit, in words. goal: permille * 16 + limiter, as in limits.py; row: the fault, where it is one."""
    by = goal & 15
    if goal >> 4 == T.FULL:
        w.put(b"nothing")
    elif by == L.FAULT:
        put_name(w, row)
    elif by == L.PHASE or by == L.WIND:
        w.put(b"phase: ")
        w.put(P.NAMES[s.phases.phase].encode())
    else:
        w.put(LIMITERS[by])
