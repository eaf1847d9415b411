"""Two-state inputs: controls, interlock loops, emergency stop, crash. Judges, never acts.

An input that could not be read counts as the level that is not good news (S10). Loop, stop and crash edges arrive
latched, so an opening shorter than a tick is not lost (S3).
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_ROW_OF = (2, 1, 6, 6)  # the row of an open loop that is hard, watched, permits driving, permits charging
_START_HELD_MAX_MS = const(10000)
_FLICKER_WINDOW_MS = const(60000)
_FLICKERS = const(3)
_LOOP_SHIFT = const(16)


class Switches(Part):
    """Attributes: key, start, the edges of key, start and ack, plug (1 present or unknown), plugged (surely), cut (S3).

    cut: 1 while a stop, a crash or an open hard loop is there or was latched in this tick. open: loops that read open
    or were latched open. word: the inputs as they count. driving, charging: set by the phases: a plug is out of place;
    the charge permit counts, not the drive permit.
    """

    def __init__(self, build, faults):
        super().__init__(build, faults)
        self.bits = self.known = self.word = -1
        self.busy = self.cut = 1
        self.plug = self.plug_fitted = build.plug_fitted
        self.used = ~((0 if build.crash_fitted else S.CRASH) | (0 if build.plug_fitted else S.PLUG))
        self.key = self.key_edge = self.start = self.start_edge = self.start_ms = self.stuck = 0
        self.seen_low = self.ack_edge = self.plugged = self.coolant_asked = self.driving = self.charging = 0
        self.open = self.was_open = self.flickers = self.flicker_ms = self.short_steady = self.control_steady = 0
        self.loops = len(build.loop_kind)
        self.all_loops = (1 << self.loops) - 1
        kinds = [sum([1 << n for n in range(self.loops) if build.loop_kind[n] == kind]) for kind in range(4)]
        self.hard, self.watched, self.permit_drive, self.permit_charge = kinds
        self.loop_group = faults.add([(_ROW_OF[build.loop_kind[n]], n) for n in range(self.loops)])
        self.short_group = faults.add([(row, n) for row in (3, 4) for n in range(self.loops)])
        self.control_group = faults.add([(row, 0) for row in (61, 62, 66, 67, 64, 32, 65)])

    def step(self):
        """Judge one tick. Skips everything while no input changes and nothing counts."""
        i = self.inputs
        if self.busy or i.latch or i.bits != self.bits or i.known != self.known or i.loop_low or i.loop_high:
            self._look(i)

    def _look(self, i):
        self.bits = i.bits
        self.known = i.known
        known = 0 if i.bits is None or i.known is None else i.known
        word = S.BAD_WHEN_SET & ~known
        if known:
            word |= i.bits & known
        word |= i.latch & (S.CRASH | S.STOP)
        word &= self.used
        self.plugged = 1 if word & S.PLUG else 0
        self.plug = self.plugged or (1 if self.plug_fitted and not known & S.PLUG else 0)
        self._edges(word, known)
        self._loops(i, word)
        self._controls(word)

    def _edges(self, word, known):
        # A fresh edge needs the input to have been read low before: one that comes back unreadable is none (S1, S10).
        rose = word & self.seen_low
        self.seen_low = self.seen_low & ~known | known & ~word
        key_on = word & S.KEY and not self.key
        self.key_edge, self.start_edge = rose & S.KEY, 1 if rose & S.START else 0
        self.ack_edge = 1 if rose & S.ACK else 0
        self.key = 1 if word & S.KEY else 0
        self.start = 1 if word & S.START else 0
        self.start_ms = min(self.start_ms + self.faults.dt, _START_HELD_MAX_MS) if self.start else 0
        if not self.start:
            self.stuck = 0
        elif key_on or self.start_ms >= _START_HELD_MAX_MS:
            self.stuck = 1
        self.word = word
        if self.ack_edge:
            self.faults.acknowledge()

    def _loops(self, i, word):
        opened = ~(word >> _LOOP_SHIFT) & self.all_loops
        latched = (i.latch >> _LOOP_SHIFT) & self.all_loops
        self.open = opened | latched
        opened &= ~(i.loop_low | i.loop_high) | self.hard  # a short is named as what it is
        self.cut = 1 if word & (S.STOP | S.CRASH) or self.open & self.hard else 0  # S3: level or latched edge
        if (self.was_open | latched) & self.watched & ~opened and not self.faults.slots_on[1]:
            self._flicker()  # an opening that ended before it was confirmed
        self.was_open = opened
        bad = opened | (latched & self.hard)
        bad &= ~(self.permit_drive if self.charging else self.permit_charge)
        bad = self.faults.update(self.loop_group, bad)
        edges = self.key_edge or self.start_edge or self.ack_edge  # last for one tick
        self.busy = 1 if bad < 0 or i.latch or self.start or self.flickers or edges else 0
        bad = (i.loop_low & self.all_loops) | (i.loop_high & self.all_loops) << self.loops
        if bad != self.short_steady:
            self.short_steady = self.faults.update(self.short_group, bad)
            if self.short_steady < 0:
                self.busy = 1
        if self.flickers:
            self.flicker_ms += self.faults.dt
            if self.flicker_ms >= _FLICKER_WINDOW_MS:
                self.flickers = 0
                self.faults.drop(5)

    def _flicker(self):
        self.flickers = min(self.flickers + 1, _FLICKERS)
        if self.flickers == 1:
            self.flicker_ms = 0
        elif self.flickers == _FLICKERS:
            self.flicker_ms = 0  # heals a whole window after the last one
            self.faults.trip(5, _FLICKERS)

    def _controls(self, word):
        bad = word >> 5 & 3 | word >> 9 & 12 | self.stuck << 4  # STOP, CRASH; COIL_FAULT, LAMP_FAULT
        bad |= (self.coolant_asked and not word & S.COOLANT) << 5 | (self.plug and self.driving) << 6
        if bad != self.control_steady:
            self.control_steady = self.faults.update(self.control_group, bad)
            if self.control_steady < 0:
                self.busy = 1

    def ask_coolant(self, asked):
        """The pump is asked to run, or not: its feedback counts only while it is."""
        if asked != self.coolant_asked:
            self.coolant_asked = asked & self.build.coolant_fitted
            self.busy = 1

    def again(self):
        """Look at the next tick even if no input changes: something else that the findings depend on did."""
        self.busy = 1
