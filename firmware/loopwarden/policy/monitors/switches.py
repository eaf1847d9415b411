"""Two-state inputs: controls, interlock loops, emergency stop, crash. Judges, never acts.

An input that could not be read counts as the level that is not good news (S10). Loop, stop and crash edges arrive
latched, so an opening shorter than a tick is not lost (S3).
"""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_KEY, _START, _ACK, _STOP_OR_CRASH, _CONTACTS = const(1), const(2), const(4), const(0x60), const(0x300)  # signals.py
_BAD_WHEN_SET = const(0x1868)  # PLUG, STOP, CRASH, COIL_FAULT, LAMP_FAULT: what cannot be read counts as there (S10)
_ROW_OF = (2, 1, 6, 6)  # the row of an open loop that is hard, watched, permits driving, permits charging
_CONTROLS = (61, 62, 66, 67, 64, 32, 65, 5)
_STUCK_MS = const(10000)  # a start button held for so long
_FLICKERS, _FLICKER_WINDOW_MS = 3, 60000
_LOOP_SHIFT = const(16)
_COUNTER = const(0x1FFFFFFF)


class Switches(Part):
    """Attributes: word (the inputs as they count), edges (bits that rose in this tick, surely), key, plugged (surely).

    reported: mains whose feedback contact says closed, 1 positive, 2 negative; 0 where none is fitted. unsure: contacts
    that say so or cannot be read (S5).
    cut: 1 while a stop, a crash or an open hard loop is there or was latched in this tick (S3). open: loops that read
    open or were latched open. driving, charging: set by the phases: a plug is out of place; the charge permit counts,
    not the drive permit. coolant_asked: set by cooling. busy: look at the next tick even if no input changes.
    """

    def __init__(self, build, faults):
        self.bits = self.known = self.word = -1
        self.busy = self.cut = 1
        self.steady = self.short_steady = 0
        absent = (0 if build.crash_fitted else S.CRASH) | (0 if build.plug_fitted else S.PLUG)
        self.used = ~(absent | (0 if build.feedback else _CONTACTS))
        self.key = self.edges = self.seen_low = self.plugged = self.coolant_asked = self.driving = self.charging = 0
        self.reported = self.unsure = self.open = self.was_open = self.flickers = self.flicker_at = self.start_ms = 0
        self.loops = len(build.loop_kind)
        self.all_loops = (1 << self.loops) - 1
        kinds = [sum([1 << n for n in range(self.loops) if build.loop_kind[n] == kind]) for kind in range(4)]
        self.hard, self.watched, self.permit_drive, self.permit_charge = kinds
        loops = [(_ROW_OF[build.loop_kind[n]], n) for n in range(self.loops)]
        self.group = faults.add([(row, 0) for row in _CONTROLS] + loops)
        self.short_group = faults.add([(row, n) for row in (3, 4) for n in range(self.loops)])

    def step(self):
        """Judge one tick. Skips everything while no input changes and nothing counts."""
        i = self.inputs
        if not (self.busy or i.latch or i.bits != self.bits or i.known != self.known or i.loop_low or i.loop_high):
            return
        known = 0 if i.bits is None else i.known or 0
        self.bits = i.bits
        self.known = i.known
        word = ((i.bits or 0) & known | _BAD_WHEN_SET & ~known | i.latch & _STOP_OR_CRASH) & self.used
        # A fresh edge needs the input to have been read low before: one that comes back unreadable is none (S1, S10).
        self.edges = word & self.seen_low & known
        self.seen_low = self.seen_low & ~known | known & ~word
        if not word & _START:
            self.start_ms = 0
        elif self.start_ms < _STUCK_MS:  # stuck at once when it was pressed before the key came on
            self.start_ms += self.faults.dt if self.key or not word & _KEY else _STUCK_MS
        self.key = word & _KEY
        self.plugged = (word & known) >> 3 & 1
        self.word = word
        self.reported, self.unsure = word >> 8 & 3, (word | ~known) & self.used & _CONTACTS
        if self.edges & _ACK:
            self.faults.acknowledge()
        self._loops(i, ~(word >> _LOOP_SHIFT) & self.all_loops, i.latch >> _LOOP_SHIFT & self.all_loops)
        self.cut = 1 if word & _STOP_OR_CRASH or self.open & self.hard else 0  # S3: level or latched edge

    def _loops(self, i, opened, latched):
        self.open = opened | latched
        opened &= ~(i.loop_low | i.loop_high) | self.hard  # a short is named as what it is
        if (self.was_open | latched) & self.watched & ~opened and not self.faults.places[1]:
            self.flickers += self.flickers < _FLICKERS  # an opening that ended before it was confirmed
            if self.flickers != 2:  # the window begins with the first; it heals a whole window after the last
                self.flicker_at = self.faults.now
            self.faults.measured[5] = self.flickers
        if self.flickers and (self.faults.now - self.flicker_at) & _COUNTER >= _FLICKER_WINDOW_MS:
            self.flickers = 0
            self.faults.drop(5)
        self.was_open = opened
        bad = (opened | latched & self.hard) & ~(self.permit_drive if self.charging else self.permit_charge)
        opened = self.word
        bad = bad << 8 | opened >> 5 & 3 | opened >> 9 & 12 | (self.start_ms >= _STUCK_MS) << 4
        bad |= (self.coolant_asked & ~(opened >> 10)) << 5 | (opened >> 3 & self.driving) << 6
        bad |= (self.flickers >= _FLICKERS) << 7
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        bad = i.loop_low & self.all_loops | (i.loop_high & self.all_loops) << self.loops
        if bad != self.short_steady:
            self.short_steady = self.faults.update(self.short_group, bad)
        self.busy = self.steady < 0 or self.short_steady < 0 or self.edges or i.latch or self.flickers or self.start_ms
