"""The answer to `coil`: asks for a coil test and tells what was seen (S15).

Whether a coil may be on is decided in coil_test.py, in every tick.
"""

from loopwarden.coil_test import COILS, UNSEEN, CoilTest, refusal

_NAMES = tuple([name.encode() for name in COILS])
_WANTED = b"which coil? coil positive, negative, precharge, discharge; then hold or nothing"
_NONE = b"no coil test: "
_RUNS = b"another one has not ended yet"
_NOT_FITTED = b"this build has no discharge coil of its own"
_CONTACT = {1: b"closed", 0: b"open", UNSEEN: b"not seen"}
_BLIND = b"the board cannot see this coil let go: time it with your own meter"
_STAYED = b"ITS CONTACT STAYED CLOSED: look at the heartbeat gate"


class Coils:
    """One generator, as in deeds.py."""

    def __init__(self, lines):
        self.out = lines
        self.w, self.put = lines.w, lines.put

    def coil(self, loop, arg):
        """The coil test: refused with a reason and the next step, or run and told."""
        out = self.out
        words = arg.lower().split()
        hold = len(words) == 2 and words[1] == b"hold"
        if not words or words[0] not in _NAMES or not (hold or len(words) == 1):
            out.error(_WANTED)
            yield
            return
        coil = _NAMES.index(words[0])
        reason = self._refused(loop, coil)
        if reason:
            out.error(_NONE, 0, reason)
            yield
            return
        test = loop.coil_test = CoilTest(loop, coil, hold)
        while loop.coil_test is test:
            yield False
        if test.ended and not test.on_ms:
            out.error(_NONE, 0, test.ended)
            yield
        elif out.program:
            yield from self._object(loop, test)
        else:
            yield from self._page(loop, test)
        if test.ended and test.on_ms:
            out.error(b"ended early: ", 0, test.ended)
            yield

    def _refused(self, loop, coil):
        if loop.coil_test:
            return _RUNS
        if coil == 3 and loop.build.discharge_kind:
            return _NOT_FITTED
        return refusal(loop, 0)

    def _object(self, loop, test):
        out = self.out
        out.begin(b"coil")
        out.text(b"name", _NAMES[test.coil])
        out.int(b"on_ms", test.on_ms)
        yield
        for name in ("before", "during", "after", "closed_ms", "opened_ms"):
            value = getattr(test, name)
            out.int(name.encode(), None if value == UNSEEN else value)
        yield
        out.int(b"coil_fault", None if test.fault == UNSEEN else test.fault)
        out.int(b"bus_begin_mv", test.begin_mv)
        out.int(b"bus_end_mv", test.end_mv)
        yield
        if test.hold:
            out.int(b"held_ms", test.held_ms if test.let_go else None)
            out.int(b"seen", 1 if test.contact_bit or test.line_bit else 0)
            out.int(b"silent_ms", test.held_ms)
            yield
        out.int(b"release_ms", loop.build.release_ms)
        out.int(b"heartbeat_hold_ms", loop.build.heartbeat_hold_ms)
        out.int(b"tick_ms", loop.build.tick_ms)
        yield
        out.close()
        yield

    def _label(self, text):
        self.put(text)
        self.w.column(14)

    def _page(self, loop, test):
        out, put, w = self.out, self.put, self.w
        self._label(_NAMES[test.coil])
        put(b"commanded for ")
        w.ms(test.on_ms)
        out.line()
        yield
        self._label(b"contact")
        put(_CONTACT[test.before])
        put(b" before, ")
        put(_CONTACT[test.during])
        put(b" at the end, ")
        put(_CONTACT[test.after])
        put(b" after")
        out.line()
        yield
        self._span(b"closed", b" after the command", test.closed_ms)
        yield
        self._span(b"opened", b" after its end", test.opened_ms)
        yield
        self._label(b"driver line")
        put((b"as commanded", b"DIFFERED FROM THE COMMAND", b"not fitted")[test.fault])
        out.line()
        yield
        self._label(b"bus")
        self._volts(test.begin_mv)
        put(b" before, ")
        self._volts(test.end_mv)
        put(b" at the end")
        out.line()
        yield
        if test.hold:
            yield from self._hold(loop, test)

    def _span(self, label, text, ms):
        if ms == UNSEEN:
            return
        self._label(label)
        self.w.ms(ms)
        self.put(text)
        self.put(b" (seen once a tick)")
        self.out.line()

    def _volts(self, mv):
        if mv is None:
            self.put(b"no valid reading")
        else:
            self.w.mv(mv)

    def _hold(self, loop, test):
        put, w = self.put, self.w
        self._label(b"hold")
        if test.let_go:
            w.ms(test.held_ms)
            put(b" from the last heartbeat edge to its report")
        else:
            put(b"not seen in ")
            w.ms(test.held_ms)
        self.out.line()
        yield
        if test.let_go:
            self._label(b"")
            put(b"with its release, at most ")
            w.ms(loop.build.release_ms)
            put(b", and a tick; hold time ")
            w.ms(loop.build.heartbeat_hold_ms)
        else:
            put(_STAYED if test.contact_bit else _BLIND)
        self.out.line()
        yield
