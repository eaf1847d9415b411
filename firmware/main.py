# Starts the supervisor that `current.txt` names, or ends at the prompt with every output off: in service, asked for by
# a word that outlives a reset, or when there is no whole program. Nothing else leads to the prompt (S11).
import micropython

micropython.kbd_intr(-1)  # Ctrl-C must not stop the supervisor

import sys  # noqa: E402

from machine import WDT, mem32, reset  # noqa: E402

# Scratch word 3 of RP2350 or RP2040; the first number is loopwarden.loop.SERVICE, the next ones count starts.
_SCRATCH = 0x400D8018 if mem32[0x40000000] & 0x0FFFF000 == 0x4000 else 0x40058018
_SERVICE, _STARTING, _STARTS = 0x5E41CE, 0x57A700, 2
_asked = mem32[_SCRATCH]
_hung = _asked - _STARTING if 0 < _asked - _STARTING <= _STARTS else 0  # so many starts ended before their first tick

if _asked == _SERVICE or _hung == _STARTS:
    mem32[_SCRATCH] = 0
    micropython.kbd_intr(3)
    print("Service: the supervisor does not run, outputs are off. Power off and on, or reset, ends it.")
    if _hung:
        print("The last starts ended before their first tick. Install again.")
    try:
        with open("start_error.txt") as _file:
            print("The last start failed:", _file.read())
    except OSError:
        pass
else:
    mem32[_SCRATCH] = _STARTING + _hung + 1
    _feed = WDT(timeout=2000).feed  # before the first import of ours: only it ends what hangs
    try:
        with open("current.txt") as _file:
            _folder = "/" + _file.read().split()[0]
        sys.path.insert(0, _folder)
        from loopwarden.board.installed import check

        check(_folder, _feed)  # before the rest is imported: half a compiled file may hang
        del check  # the heap is short: what is only needed to start is held by nobody
        from loopwarden.board.start import run

        run(_feed, _folder)
    except BaseException as _error:
        # No whole program, or no build that can be believed: off, and the prompt, so that somebody can mend it.
        try:
            with open("start_error.txt", "w") as _file:
                _file.write("%s: %s" % (type(_error).__name__, _error))
        finally:
            mem32[_SCRATCH] = _SERVICE
            reset()
