"""What only answers is loaded when it is asked for at rest, and dropped at rest where memory is short.

Loading reads flash and takes from the heap, so it never happens in a drive (S11, S15); what was loaded before stays for
the drive. What was only needed to start goes as well. With room for all of it, all of it is loaded at start and stays.
"""

from sys import modules

from micropython import const

WHOLE_FREE = const(240 * 1024)  # free at start, before the loop is made: an RP2350 has more, an RP2040 never
_STAY_FREE = const(56 * 1024)  # free beside what is loaded, or that is dropped once the answer is out
_LOAD_FREE = const(40 * 1024)  # or nothing is answered with it at all: what a drive needs is left alone
# Each after those that it imports.
_TABLE = "loopwarden.policy.fault_table"
BASE = (
    _TABLE,
    "loopwarden.naming",
    "loopwarden.writer",
    "loopwarden.link.lines",
    "loopwarden.link.tables",
    "loopwarden.link.rows",
    "loopwarden.link.requests",
)
OBJECTS = ("loopwarden.link.objects",)
PAGES = ("loopwarden.readings", "loopwarden.link.pages")
DEEDS = ("loopwarden.link.deeds",)
COILS = ("loopwarden.coil_test", "loopwarden.link.coils")
RECORDER = ("loopwarden.link.recorder",)
TEXTS = ("loopwarden.texts",)
WORDS = ("loopwarden.readings", "loopwarden.texts", "loopwarden.words")
_START = ("loopwarden.build", "loopwarden.board.installed", "loopwarden.board.start", "loopwarden.memory.power_up")
ALL = BASE + OBJECTS + PAGES + DEEDS + COILS + RECORDER + WORDS


def at_rest(loop):
    """True where a stall harms nobody: nothing started and every coil off, or nothing decided any more."""
    s = loop.supervisor
    if s is None:
        return True
    o = loop.outputs
    return s.phases.stage <= 1 and not (o.positive or o.negative or o.precharge or o.discharge)


def loaded(names):
    """True where all of these modules are there. Heap: none."""
    for name in names:
        if name not in modules:
            return False
    return True


def load(loop, names):
    """Load what is missing of these modules, a generator, one a tick; at rest only. `loaded` says whether it did."""
    if loaded(names) or not at_rest(loop):
        return
    if collected(loop) < _LOAD_FREE + _STAY_FREE:
        drop([name for name in ALL if name not in names and name not in BASE])
        collected(loop)
    for name in names:
        if name not in modules:
            if not at_rest(loop):
                return
            try:
                __import__(name)
            except Exception:  # no heap, or a file that cannot be read
                drop(ALL)
                return
            _stalled(loop)
            yield False
    if collected(loop) < _LOAD_FREE:
        drop(ALL)
        collected(loop)  # what was short for a moment is no low heap


def load_all():
    """Load everything, at start."""
    for name in ALL:
        __import__(name)


def forget_start():
    """Drop what was only needed to start, and the fault table's rows: the faults keep their own columns of it."""
    modules["loopwarden.policy.fault_table"].TABLE = ()
    drop(_START + (_TABLE,))


def settle(loop):
    """After an answer, at rest: collect, and drop what was loaded where little is left; True where it was dropped."""
    if collected(loop) >= _STAY_FREE:
        return False
    drop(ALL)
    collected(loop)
    return True


def drop(names):
    """Let go of modules; whoever still holds something of one keeps it alive."""
    for name in names:
        if name in modules:
            del modules[name]
            package, _, last = name.rpartition(".")
            if hasattr(modules[package], last):
                delattr(modules[package], last)


def collected(loop):
    """Collect, at rest only; the free heap in bytes."""
    loop.board.collect()
    _stalled(loop)
    free = loop.board.heap_free()
    loop.inputs.heap_free = free
    return free


def _stalled(loop):
    # Meant, at rest: the next tick is due now and not late. One that is not due yet keeps its time.
    now_us = loop.board.now_us()
    if loop.board.diff_us(now_us, loop.due_us) > 0:
        loop.due_us = now_us
