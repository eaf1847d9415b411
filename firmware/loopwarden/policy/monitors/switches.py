"""Two-state inputs: controls, interlock loops, emergency stop, crash. Judges, never acts.

An input that could not be read counts as the level that is not good news (S10). Loop, stop and crash edges arrive
latched, so an opening shorter than a tick is not lost (S3).
"""

from micropython import const

from loopwarden.policy import signals as S

HARD = const(0)
WATCHED = const(1)
PERMIT_DRIVE = const(2)
PERMIT_CHARGE = const(3)

_START_HELD_MAX_MS = const(10000)
_FLICKER_WINDOW_MS = const(60000)
_FLICKERS = const(3)
_LOOP_SHIFT = const(16)


class Switches:
    """Attributes for the phases: key, start_edge, ack, plug (1 present or unknown), plugged (1 surely present), cut (S3)."""

    def __init__(self, build, faults):
        self.build = build
        self.faults = faults
        self.inputs = None
        self.word = -1  # the normalised word of the last tick
        self.busy = 1
        self.cut = 1  # 1 while a stop, a crash or an open hard loop is there or was latched in this tick
        self.key = 0
        self.key_edge = 0
        self.start = 0
        self.start_edge = 0
        self.start_ms = 0
        self.stuck = 0  # pressed already at key-on, or for too long
        self.ack = 0
        self.ack_edge = 0
        self.plug = 1 if build.plug_fitted else 0
        self.plugged = 0
        self.coolant_asked = 0
        self.driving = 0  # set by the phases: a plug is out of place now
        self.charging = 0  # set by the phases: the charge permit counts, not the drive permit
        self.loops = len(build.loop_kind)
        self.hard = 0
        self.watched = 0
        self.permit_drive = 0
        self.permit_charge = 0
        for n in range(self.loops):
            kind = build.loop_kind[n]
            if kind == HARD:
                self.hard |= 1 << n
            elif kind == WATCHED:
                self.watched |= 1 << n
            elif kind == PERMIT_DRIVE:
                self.permit_drive |= 1 << n
            else:
                self.permit_charge |= 1 << n
        row_of = (2, 1, 6, 6)
        self.loop_group = faults.add([(row_of[build.loop_kind[n]], n) for n in range(self.loops)])
        shorts = [(3, n) for n in range(self.loops)] + [(4, n) for n in range(self.loops)]
        self.short_group = faults.add(shorts)
        self.control_group = faults.add(((61, 0), (62, 0), (66, 0), (67, 0), (64, 0), (32, 0), (65, 0)))
        self.loop_steady = 0
        self.short_steady = 0
        self.control_steady = 0
        self.open = 0  # loops that read open or were latched open, for start checks and "why"
        self.flickers = 0
        self.flicker_ms = 0
        self.bits = -1
        self.known = -1

    def step(self):
        """Judge one tick. Skips everything while no input changes and nothing counts."""
        i = self.inputs
        self.start_edge = 0
        self.key_edge = 0
        self.ack_edge = 0
        if self.busy or i.latch or i.bits != self.bits or i.known != self.known or i.loop_low | i.loop_high:
            self._look(i)

    def _look(self, i):
        self.bits = i.bits
        self.known = i.known
        word = 0
        if i.bits is not None and i.known is not None:
            word = (i.bits & i.known) | (S.BAD_WHEN_SET & ~i.known)
            self.plug = 1 if self.build.plug_fitted and (word & S.PLUG or not i.known & S.PLUG) else 0
        else:
            word = S.BAD_WHEN_SET
            self.plug = self.build.plug_fitted
        if not self.build.crash_fitted:
            word &= ~S.CRASH
        elif i.latch & S.CRASH:
            word |= S.CRASH
        word |= i.latch & S.STOP
        self._edges(word)
        self._loops(i, word)
        self._controls(word)

    def _edges(self, word):
        if word & S.KEY and not self.key:
            self.key_edge = 1
        self.key = 1 if word & S.KEY else 0
        if word & S.START and not self.start:
            self.start_edge = 1
        self.start = 1 if word & S.START else 0
        self.start_ms = min(self.start_ms + self.faults.dt, _START_HELD_MAX_MS) if self.start else 0
        if not self.start:
            self.stuck = 0
        elif self.key_edge or self.start_ms >= _START_HELD_MAX_MS:
            self.stuck = 1
        if word & S.ACK and not self.ack:
            self.ack_edge = 1
        self.ack = 1 if word & S.ACK else 0
        self.plugged = 1 if self.build.plug_fitted and word & S.PLUG else 0
        self.word = word

    def _loops(self, i, word):
        n = (1 << self.loops) - 1
        opened = ~(word >> _LOOP_SHIFT) & n
        latched = (i.latch >> _LOOP_SHIFT) & n
        self.open = opened | latched
        self.cut = 1 if word & (S.STOP | S.CRASH) or self.open & self.hard else 0  # S3: level or latched edge
        if latched & self.watched & ~opened:
            self._flicker()
        bad = opened | (latched & self.hard)
        bad &= ~(self.permit_drive if self.charging else self.permit_charge)
        n = self.faults.update(self.loop_group, bad)
        self.busy = 1 if n < 0 or i.latch or self.start or self.flickers else 0
        bad = (i.loop_low & ((1 << self.loops) - 1)) | (i.loop_high << self.loops)
        if bad != self.short_steady:
            self.short_steady = self.faults.update(self.short_group, bad)
            if self.short_steady < 0:
                self.busy = 1
        if self.flickers:
            self._flicker_time()

    def _flicker(self):
        if self.flickers == 0:
            self.flicker_ms = 0
        self.flickers += 1
        if self.flickers >= _FLICKERS:
            self.flickers = _FLICKERS
            self.flicker_ms = 0  # heals a whole window after the last one
            self.faults.trip(5, self.flickers)

    def _flicker_time(self):
        self.flicker_ms += self.faults.dt
        if self.flicker_ms >= _FLICKER_WINDOW_MS:
            self.flickers = 0
            self.faults.drop(5)

    def _controls(self, word):
        bad = 0
        if word & S.STOP:
            bad |= 1
        if word & S.CRASH:
            bad |= 2
        if word & S.COIL_FAULT:
            bad |= 4
        if word & S.LAMP_FAULT:
            bad |= 8
        if self.stuck:
            bad |= 16
        if self.coolant_asked and not word & S.COOLANT:
            bad |= 32
        if self.plug and self.driving:
            bad |= 64
        if bad != self.control_steady:
            self.control_steady = self.faults.update(self.control_group, bad)
            if self.control_steady < 0:
                self.busy = 1

    def again(self):
        """Look at the next tick even if no input changes: something else that the findings depend on did."""
        self.busy = 1
