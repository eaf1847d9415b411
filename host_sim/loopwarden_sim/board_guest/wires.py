"""What lies behind the stand-in modules of the virtual board: virtual time, pins, the exchange with the host's world.

Runs under MicroPython beside the firmware. Time passes where the firmware waits or looks at the clock, and where flash
is written; at every tick's boundary the pins go to the host and the world's answer comes back.
"""

import os
import struct

import vgc

WRAP = 1 << 30
LOOK_US = 2  # each look at the clock takes so long: a loop that only looks must end as well
_OUT = "<BQIIIHHHHHQIIIIIIIBB21sHHIB"
_FRAME = "<IB8s"  # of CAN: identifier, bit 29 set for an extended one; length; bytes
FRAME_BYTES = struct.calcsize(_FRAME)
FRAMES_IN_MAX = 32  # that a controller keeps; later ones are lost
_IN = "<BIIH16H4HBIIHIIBH"
OUT_BYTES = struct.calcsize(_OUT)
IN_BYTES = struct.calcsize(_IN)
TICK, RESET, BITE = 1, 2, 3  # what the board has to say
GO_ON, RAISE, HANG, MEASURE = range(4)  # what the host asks of it
_NO_ANSWER = 0xFFFF


class Wires:
    """One board's pins and clock.

    config   from the host: dict of period_us, begin_us, scratch, erase_us, program_us, chip_reset, was_reset; chip;
             iso, speed, crash, heartbeat, latch, enable (GPIO or -1), selects, duty_pins, coils (mask)
    """

    def __init__(self, config, to_host, from_host):
        self.config = config
        self.to_host, self.from_host = to_host, from_host
        self.us = config["begin_us"]
        self.period_us = config["period_us"]
        self.next_us = self.us  # the first answer comes before anything runs
        self.out = self.oe = 0
        self.levels = 0
        self.fell = 0
        self.chain = 0
        self.sums = [0] * 16
        self.adc = [0] * 4
        self.turns = bytearray(20)  # conversions since the last exchange, per channel
        self.register = self.shifting = 0
        self.register_on = False
        self.duties = {}
        self.scratch = list(config["scratch"])
        self.beat_us = 0
        self.erases = self.programs = self.bad_erases = 0
        self.handlers = {}
        self.stamp_us = -1  # the clock as a handler sees it
        self.stalled = False
        self.missed = 0
        self.iso_us = self.speed_us = self.crash_us = 0
        self.wdt_us = 0
        self.fed_us = 0
        self.hung = False
        self.loop = None  # the firmware's, once it is made
        self.names = config.get("names")  # what its attributes are called on a board
        self.buffer = bytearray(IN_BYTES)
        self.raise_now = False
        self.heap = 0  # bytes alive, where the host has asked
        self.frames_out, self.frames_in = [], []  # (identifier, bytes); (identifier, length, bytes)

    # Time

    def now(self):
        """The clock, in microseconds that wrap as the board's do."""
        us = self.stamp_us
        if us < 0:
            self.advance(LOOK_US)
            us = self.us
        return (us + self.config["clock_us"]) % WRAP

    def advance(self, us):
        """Let time pass; the world follows at each boundary of a tick."""
        until = self.us + us
        while self.next_us <= until:
            self.us = self.next_us
            self.next_us += self.period_us
            self.exchange(TICK)
            self._watch()
        self.us = until
        self._watch()

    def _watch(self):
        while self.hung and self.wdt_us:  # nothing runs any more until the watchdog bites
            self.hung = False
            self.advance(self.wdt_us)
        if self.wdt_us and self.us - self.fed_us > self.wdt_us:
            self.exchange(BITE)

    # Pins

    def write(self, out):
        """New levels of the driven pins."""
        beat = self.config["heartbeat"]
        if (out ^ self.out) >> beat & 1:
            self.beat_us = self.us
        self.out = out

    def read(self):
        """Every pin's level: driven ones as driven."""
        return (self.levels & ~self.oe) | (self.out & self.oe)

    def convert(self, n, sums):
        """One conversion; the mean of four in a row is what the host gave, in sixteenths."""
        k = self.turns[n]
        self.turns[n] = (k + 1) & 3
        return (sums + 4 * k) >> 4

    # Exchange

    def exchange(self, kind):
        """Tell the host what the pins do; it answers with the world a tick later. After a reset it never answers."""
        vgc.between_ticks()
        d = [self.duties.get(n, 0) for n in self.config["duty_pins"]]
        active, phase, stage, drive, charge = b"", 255, 0, 0, 0
        s = None if self.loop is None else self._of(self.loop, "supervisor")
        if s is not None:
            f, p, o = self._of(s, "faults"), self._of(s, "phases"), self._of(self.loop, "outputs")
            active = bytes(self._of(f, "active")[: self._of(f, "actives")])[:21]
            phase, stage = self._of(p, "phase"), self._of(p, "stage")
            drive, charge = self._of(o, "drive_limit_permille"), self._of(o, "charge_limit_permille")
        self.to_host.write(
            struct.pack(
                _OUT,
                kind,
                self.us,
                self.out,
                self.oe,
                self.register if self.register_on else 0,
                d[0],
                d[1],
                d[2],
                d[3],
                len(active),
                self.beat_us,
                self.scratch[0],
                self.scratch[1],
                self.scratch[2],
                self.scratch[3],
                self.erases,
                self.programs,
                self.bad_erases,
                phase,
                stage,
                active,
                drive,
                charge,
                self.heap,
                len(self.frames_out),
            )
            + b"".join([struct.pack(_FRAME, n, 8, data) for n, data in self.frames_out])
        )
        self.frames_out.clear()
        if self.from_host.readinto(self.buffer) != IN_BYTES or kind != TICK:
            while self.from_host.readinto(self.buffer):  # the host takes this process away, as a reset does
                pass
            os.system("kill -9 $PPID")  # it is gone itself; an exception would be caught by the firmware
        self._take(struct.unpack(_IN, self.buffer))

    def _of(self, part, name):
        return getattr(part, self.names[name])

    def _take(self, given):
        command, self.levels, fell, self.chain = given[:4]
        self.fell |= fell
        self.sums = given[4:20]
        self.adc = given[20:24]
        for n in range(20):
            self.turns[n] = 0
        fresh, high_us, low_us, pulses, period_us, crash_us, crash, frames = given[24:]
        for _ in range(frames):
            frame = struct.unpack(_FRAME, self.from_host.read(FRAME_BYTES))
            if len(self.frames_in) < FRAMES_IN_MAX:
                self.frames_in.append(frame)
        if command == RAISE:
            self.raise_now = True
        elif command == HANG:
            self.hung = True
        self.heap = vgc.mem_alloc() if command == MEASURE else 0
        self._isolation(fresh, high_us, low_us)
        self._speed(pulses, period_us)
        self._crash(crash_us, crash)

    # Edges

    def on_edge(self, gpio, handler, trigger):
        """A handler for a pin; the isolation line begins with a rising edge."""
        self.handlers[gpio] = (handler, trigger)

    def _edge(self, gpio, level, us):
        self.levels = self.levels | 1 << gpio if level else self.levels & ~(1 << gpio)
        if gpio not in self.handlers:
            return
        if self.stalled:
            self.missed |= 1 << gpio
            return
        handler, trigger = self.handlers[gpio]
        if trigger & (8 if level else 4):
            self.stamp_us = us
            handler(PINS[gpio])
            self.stamp_us = -1

    def _isolation(self, fresh, high_us, low_us):
        gpio = self.config["iso"]
        if fresh and gpio in self.handlers:
            if not self.iso_us:  # the edges before the first period, so that it is whole
                self._edge(gpio, 1, 0)
                self._edge(gpio, 1, 0)
            self._edge(gpio, 0, self.iso_us + high_us)
            self.iso_us += high_us + low_us
            self._edge(gpio, 1, self.iso_us)

    def _speed(self, pulses, period_us):
        gpio = self.config["speed"]
        for _ in range(pulses):
            self.speed_us += period_us
            self._edge(gpio, 1, self.speed_us)
            self.levels &= ~(1 << gpio)

    def _crash(self, us, state):
        # state: 1 on at the end of the tick, 2 ended within it
        gpio = self.config["crash"]
        if gpio < 0:
            return
        if state and not self.crash_us:
            self.crash_us = max(self.us - us, 1)
            self._edge(gpio, 1, self.crash_us)
        if state == 2 or (not state and self.crash_us):
            self._edge(gpio, 0, self.crash_us + us if state else self.us)
            self.crash_us = 0

    def stall(self, us):
        """Flash is written: no handler runs until it ends, and then one per line, late."""
        self.stalled = us > 0
        self.advance(us)
        self.stalled = False
        missed = self.missed
        self.missed = 0
        for gpio in list(self.handlers):
            if missed >> gpio & 1:
                self.stamp_us = self.us
                self.handlers[gpio][0](PINS[gpio])
                self.stamp_us = -1


class NamedPin:
    """What a handler gets: a pin that only knows its level."""

    def __init__(self, gpio):
        self.gpio = gpio

    def value(self):
        return WIRES.read() >> self.gpio & 1


PINS = [NamedPin(gpio) for gpio in range(30)]
WIRES = None


def connect(config, to_host, from_host):
    """Make the board's wires."""
    global WIRES
    WIRES = Wires(config, to_host, from_host)
    return WIRES
