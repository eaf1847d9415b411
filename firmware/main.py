# Starts the supervisor, or ends at the prompt with every output off: in service, asked for by a word that outlives a
# reset, or when there is no whole program. Nothing else leads to the prompt (S11).
import micropython

micropython.kbd_intr(-1)  # Ctrl-C must not stop the supervisor

from machine import WDT, mem32, reset  # noqa: E402

_ASKED = 0x40058018  # scratch word 3; the number is loopwarden.loop.SERVICE
_SERVICE = 0x5E41CE

if mem32[_ASKED] == _SERVICE:
    mem32[_ASKED] = 0
    micropython.kbd_intr(3)
    print("Service: the supervisor does not run, outputs are off. Power off and on, or reset, ends it.")
    try:
        with open("start_error.txt") as _file:
            print("The last start failed:", _file.read())
    except OSError:
        pass
else:
    _feed = WDT(timeout=2000).feed  # before the first import of ours: only it ends what hangs
    try:
        from loopwarden.board.start import run

        run(_feed)
    except BaseException as _error:
        # No whole program, or no build that can be believed: off, and the prompt, so that somebody can mend it.
        try:
            with open("start_error.txt", "w") as _file:
                _file.write("%s: %s" % (type(_error).__name__, _error))
        finally:
            mem32[_ASKED] = _SERVICE
            reset()
