"""The three kinds of interlock loop to "reads closed", "shorted to ground" and "shorted to supply".

level      the pin is high while the loop is closed; a broken wire or a short to ground reads open
toggled    the level driven in changes every tick, and the return is pulled the other way: a closed loop echoes it, an
           open one shows the opposite, a shorted one stays where it is. Two samples tell them apart.
resistor   a divider: closed inside the window, shorted beyond the outer lines, open anywhere else
"""

from micropython import const

LEVEL = const(0)
TOGGLED = const(1)
RESISTOR = const(2)
_SHIFT = const(16)  # of the first loop in the signals word


class Loops:
    """All loops of a build; after `step` one bit per loop in `closed`, `low`, `high` and `unread` (not known).

    step(raw)   judges every loop from this tick's raw values; False when these, and all other pins, are as they were:
                while all are closed, and the pins are those of the last tick, toggled loops by their echo. Heap: none.
    """

    def __init__(self, build):
        self.sense = build.convert_loop_sense
        self.ground = build.convert_loop_ground_counts
        self.closed_low = build.convert_loop_closed_low_counts
        self.closed_high = build.convert_loop_closed_high_counts
        self.supply = build.convert_loop_supply_counts
        self.level = 0  # mask of the loops that are nothing but a pin
        self.toggled = 0  # and of the pins that are an echo
        self.others = [loop for loop in range(len(self.sense)) if self.sense[loop] != LEVEL]
        self.windows = []
        for loop in range(len(self.sense)):
            if self.sense[loop] == LEVEL:
                self.level |= 1 << loop
            elif self.sense[loop] == TOGGLED:
                self.toggled |= 1 << (_SHIFT + loop)
            else:
                self.windows.append((loop, self.closed_low[loop], self.closed_high[loop]))
        self.all = (1 << len(self.sense)) - 1
        self.closed = 0
        self.low = 0
        self.high = 0
        self.unread = 0
        self.followed = 0  # toggled loops whose last echo was right
        self.driven = 2  # level at the last sample; 2 = none yet
        self.begin()

    def begin(self):
        """Judge all anew at the next step; a copy of this object has to, before its first one."""
        steps = self._steps(self.all, self.toggled, self.windows)
        next(steps)
        self.step = steps.send

    def _steps(self, every, toggled, windows):
        # A generator: its names stay where they are, and each costs a sixth of an attribute.
        seen = -2  # pins of the last tick, echoes as if a low level had been driven; -1: the pattern stood still
        before = self.driven  # what was driven then
        driven = 0
        changed = True
        closed = self.closed
        while True:
            raw = yield changed
            word = raw.levels
            if toggled:
                driven = raw.loop_driven
                if driven:
                    word ^= toggled
                if driven == before:
                    word = -1
            changed = word != seen or closed != every
            if windows and not changed:
                counts = raw.loop_counts
                for loop, low, high in windows:
                    found = counts[loop]
                    if found is None or not low <= found <= high:
                        changed = True
            if changed:
                seen = word
                self._judge(raw)
                closed = self.closed
            if toggled:
                self.driven = before = driven

    def _judge(self, raw):
        self.closed = raw.levels >> _SHIFT & self.level
        if not self.others:
            return
        self.low = self.high = self.unread = 0
        n = len(self.others)
        while n:
            n -= 1
            loop = self.others[n]
            if self.sense[loop] == RESISTOR:
                self._resistor(loop, raw.loop_counts[loop])
            else:
                self._toggled(1 << loop, raw.levels >> (_SHIFT + loop) & 1, raw.loop_driven)

    def _resistor(self, loop, counts):
        if counts is None:
            self.unread |= 1 << loop
            return
        if counts < self.ground[loop]:
            self.low |= 1 << loop
        elif counts > self.supply[loop]:
            self.high |= 1 << loop
        elif self.closed_low[loop] <= counts <= self.closed_high[loop]:
            self.closed |= 1 << loop

    def _toggled(self, bit, echo, driven):
        if driven == self.driven or self.driven == 2:  # the pattern stands still: nothing is proven
            self.unread |= bit
        elif echo == driven:
            if self.followed & bit:
                self.closed |= bit
            elif echo:
                self.high |= bit
            else:
                self.low |= bit
        elif self.followed & bit:
            if echo:
                self.high |= bit
            else:
                self.low |= bit
        if echo == driven:
            self.followed |= bit
        else:
            self.followed &= ~bit
