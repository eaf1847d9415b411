"""An isolation monitor or a speed that arrives as CAN frames: bits to ohms or mm/s, and whether they can be believed.

Loaded only where the build has one. The layout comes from a DBC file, by way of the build file: two parts of
`build.can`, in the order in which tools/loopwarden_build/can_signals.py writes them. Nothing that arrives here reaches
anything but one reading (S15), and that is a number within a range, or none.
"""

from micropython import const

from loopwarden.signals import DEVICE, OK, QUIET, RANGE, STALE

# Places in each part. A field has six: its most significant byte, the way to the next one (1 or -1), how many follow,
# the mask of the first one, its sign bit (0 unsigned), and how many bits of the last one are another's.
_STALE_MS, _JUMP, _COUNT_LAST = const(2), const(3), const(4)
_VALUE, _COUNTER = const(5), const(11)
_LOW, _HIGH, _TIMES, _PLUS, _BY = const(17), const(18), const(19), const(20), const(21)
_CAP, _STILL = const(22), const(22)  # isolation: raw values above it are as good; speed: mm/s that still count as none
_MAX, _FAULT = const(23), const(23)  # speed: mm/s; isolation: the field of its own fault, where there is one
_BITS = const(29)  # numbers that need more are none, so that every product stays a small integer
_AGE_MAX_MS = const(60000)


def field(data, place):
    """The bits of one field as a number, -2**29 to 2**29 - 1; None for one that is larger. Heap: none.

    place   its six integers, most significant byte first
    """
    value = data[place[0]] & place[3]
    if value & place[4]:
        value -= place[4] << 1
    if place[2]:
        return _longer(data, place, value)
    return value >> place[5]


def _longer(data, place, value):
    # The bytes after the first one; by itself, so that neither needs a frame from the heap.
    byte, more = place[0], place[2]
    while more:
        more -= 1
        byte += place[1]
        bits = 8 if more else 8 - place[5]
        if not -(1 << _BITS - bits) <= value < 1 << _BITS - bits:
            return None
        value = value << bits | data[byte] >> 8 - bits
    return value


class _Frames:
    # What both have in common: a counter that must go on, a value that must be in its range, and an age.

    def __init__(self, layout, data):
        self.data = data
        self.stale_ms, self.jump, self.count_last = layout[_STALE_MS], layout[_JUMP], layout[_COUNT_LAST]
        self.value_place = tuple(layout[_VALUE : _VALUE + 6])
        self.counter_place = tuple(layout[_COUNTER : _COUNTER + 6])
        self.low, self.high = layout[_LOW], layout[_HIGH]
        self.multiplier, self.addend, self.divisor = layout[_TIMES], layout[_PLUS], layout[_BY]
        self.last = -1  # the counter of the last frame, -1 before there was one
        self.state = STALE
        self.age_ms = _AGE_MAX_MS

    def _goes_on(self):
        # A frame that is sent again, or comes after a gap, says nothing about now; the next one after it may (S10).
        if not self.jump:
            return True
        count = field(self.data, self.counter_place)
        if count is None or count > self.count_last:
            return False
        step = count - self.last
        if step < 0:
            step += self.count_last + 1
        known = self.last >= 0
        self.last = count
        return known and 0 < step <= self.jump


class IsolationFrames(_Frames):
    """`ohm`, `state` and `age_ms` of the last reading, as isolation.Isolation has them."""

    def __init__(self, layout, data):
        super().__init__(layout, data)
        self.cap, self.fault_place = layout[_CAP], tuple(layout[_FAULT:])
        self.quick_ms = self.stale_ms  # younger, and without a fresh one, nothing changes
        self.ohm = None

    def step(self, raw, dt_ms):
        """Take this tick's frame, if one came. Heap: none."""
        if raw.isolation_fresh and self._goes_on():
            self.age_ms = 0
            self._read()
            return
        self.age_ms = min(self.age_ms + dt_ms, _AGE_MAX_MS)
        if self.age_ms > self.stale_ms:
            self.ohm = None
            self.state = STALE

    def _read(self):
        self.ohm = None
        self.state = RANGE
        if self.fault_place and field(self.data, self.fault_place) != 0:
            self.state = DEVICE
            return
        value = field(self.data, self.value_place)
        if value is not None and self.low <= value <= self.high:  # else it is no reading, not even a bad one (S10)
            self.state = OK
            self.ohm = (min(value, self.cap) * self.multiplier + self.addend) // self.divisor


class SpeedFrames(_Frames):
    """`mm_s`, `state` and `pulses`, as speed.Speed has them, so that the policy need not know where a speed comes from.

    A frame that says "moving" is a pulse, one that says "none" is silence: the policy asks for two seconds of it, for
    pulses before it, for no current, and for no jump from above 5 km/h, as a sender can be wrong in the ways in which a
    wire can (S1, S4). A frame that is missing or cannot be believed is neither: it counts as moving (S4, S10).
    """

    def __init__(self, layout, data):
        super().__init__(layout, data)
        self.still_mm_s, self.max_mm_s = layout[_STILL], layout[_MAX]
        self.mm_s = None
        self.pulses = None

    def bind(self, raw, inputs):
        """Returns step(dt_ms), as that of speed.Speed."""

        def step(dt_ms):
            if self.step(raw, dt_ms):
                inputs.speed_mm_s = self.mm_s
                inputs.speed_state = self.state
                inputs.speed_pulses = self.pulses

        return step

    def step(self, raw, dt_ms):
        """Take this tick's frame, if one came; True unless all is as it was. Heap: none."""
        if raw.speed_fresh and self._goes_on():
            self.age_ms = 0
            self._read()
            return True
        self.age_ms = min(self.age_ms + dt_ms, _AGE_MAX_MS)
        if self.age_ms > self.stale_ms:
            if self.state == STALE:
                return False
            self.mm_s = self.pulses = None
            self.state = STALE
        elif self.pulses:
            self.pulses = 0  # the speed stands until the next frame, the pulse was in the tick of its own
        else:
            return False
        return True

    def _read(self):
        self.mm_s = self.pulses = None
        self.state = RANGE
        value = field(self.data, self.value_place)
        if value is None or not self.low <= value <= self.high:
            return
        mm_s = abs((value * self.multiplier + self.addend) // self.divisor)  # backwards is as much of a speed
        if mm_s <= self.still_mm_s:
            self.state = QUIET
            self.pulses = 0
        elif mm_s <= self.max_mm_s:
            self.state = OK
            self.mm_s = mm_s
            self.pulses = 1


def fit(edge, build):
    """Have an Edge read these from frames. `raw` gets its bytearrays here: other builds have no room to spare for them.

    isolation_data, speed_data     the last frame of that identifier and length since the last tick
    isolation_fresh, speed_fresh   1 in a tick in which there was one
    """
    raw = edge.raw
    end = 2 + build.can[1]
    isolation, speed = build.can[2:end], build.can[end:]
    if isolation:
        raw.isolation_data = bytearray(8)
        edge.isolation = IsolationFrames(isolation, raw.isolation_data)
    if speed:
        raw.speed_data = bytearray(8)
        raw.speed_fresh = 0
        edge.speed = SpeedFrames(speed, raw.speed_data)
