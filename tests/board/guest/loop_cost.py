"""What a whole tick costs: sample, decide, drive, store, link. A guest script for the 32-bit build.

The firmware runs unchanged; what it calls of the hardware is made of native functions and containers, as on a board,
so that nothing of a stand-in is counted. What its pins see comes from a recording (`tape.bin`, see recorded_pins.py)
and is laid out before each tick. Files: `config.json`, `build.bin`, `tape.bin`; `host.txt`: "asks" for one that asks
all the time, "records" for one that takes a recording, "none". Prints one JSON object: `live` mean of the live ticks
and `most` of any that does not end at rest, counted instructions; `ticks`, `where` (tick with the most), `sent` bytes;
`quiet_heap`: bytes that live ticks took from the heap in which nothing was stored and nobody was answered.
"""

import binascii
import io
import json
import struct
import sys
import time

import vgc
import vtime
import wires
from tick_meter import TickMeter

# A heap this size is slow to look through, and a collection in a long session of this build can trap: neither is done.
vgc.between_ticks = vgc.collect = lambda: None
vgc.mem_free = lambda: 150000
sys.modules["time"] = vtime
sys.modules["gc"] = vgc

with open("config.json") as _file:
    wires.connect(json.load(_file), None, None)  # the board package asks at once which chip it is on

from plain_flash import PlainFlash, PlainMemory  # noqa: E402

from loopwarden import build, loop  # noqa: E402
from loopwarden.board import board as board_module  # noqa: E402
from loopwarden.board import bus as bus_module  # noqa: E402
from loopwarden.board import inputs as inputs_module  # noqa: E402
from loopwarden.board import outputs as outputs_module  # noqa: E402
from loopwarden.board import port as port_module  # noqa: E402
from loopwarden.board.board import Board  # noqa: E402
from loopwarden.board.bus import Bus  # noqa: E402
from loopwarden.board.chip import EDGES, SCRATCH  # noqa: E402
from loopwarden.link.console import Console  # noqa: E402
from loopwarden.link.recorder import Frames, Recorder  # noqa: E402

DRIVE = 8  # stage of phases.py
GPIO_IN = 0xD0000004  # as in chip.py
TICK_US = 20000


class Host:
    """At the other end of the board's own port: asks again as soon as it is read, and takes whatever comes.

    What the port calls, polls and streams, are native functions. counts(): bytes sent and read so far.
    """

    POLLIN, POLLOUT = 1, 4
    ASKED = 400  # times all of it; more than is read in any run

    def __init__(self, commands):
        text = b""
        for n, command in enumerate(commands):
            line = b"@%d %s" % (n, command)
            text += b"%s *%08x\r%s\r" % (line, binascii.crc32(line), command)
        self.events = [((None, self.POLLIN),) if commands else (), ((None, self.POLLOUT),)]
        self.stdin, self.stdout = Stream(), Stream()
        self.stdin.buffer = io.BytesIO(text * self.ASKED)
        self.stdout.buffer = io.BytesIO(1 << 17)

    def poll(self):
        made = Stream()
        made.ipoll = {0: self.events.pop(0)}.get
        made.register = {}.get
        return made

    def counts(self):
        return self.stdout.buffer.tell(), self.stdin.buffer.tell()


class Stream:
    pass


CHANNELS = {}  # of the converters, by number: the bytes that come in
_channel = Bus.channel


def keep_channel(bus, n):
    """What the bus makes; its buffer is kept so that it can be laid out."""
    made = _channel(bus, n)
    CHANNELS[n] = made[3]
    return made


Bus.channel = keep_channel


class Bench:
    """The board with native functions below it; `lay` puts a tick of the tape where it will look."""

    def __init__(self, config, built):
        wires.connect(config, None, None).next_us = 1 << 29
        self.tape = open("tape.bin", "rb")
        self.tape.read(wires.IN_BYTES)  # what the pins saw while the program started
        self.answer = bytearray(wires.IN_BYTES)
        self.registers, self.edges = dict.fromkeys((GPIO_IN,) + SCRATCH, 0), {}  # noqa: RUF005
        for word in range(4):
            self.registers[EDGES + 4 * word] = 0
        inputs_module.mem32 = outputs_module.mem32 = board_module.mem32 = self.registers
        inputs_module.mem16 = self.edges
        board = self.board = Board(built, [].clear)
        self.inputs = board.inputs
        for half, _, _, _, _ in self.inputs.halves:
            self.edges[half] = 0
        self.times = [0] * 40  # never used: so that a list which gets shorter gives nothing back
        board.marks = self.registers
        board.now_us = board_module.ticks_us = self.times.pop
        board.diff_us = board_module.ticks_diff = time.ticks_diff
        board.after_us = time.ticks_add
        board.sleep_us = [].count

    def next(self, begin_us):
        """Lay out the next tick; False at the tape's end. The clock is looked at twice before the wait is over."""
        if self.tape.readinto(self.answer) != wires.IN_BYTES:
            return False
        given = struct.unpack(wires._IN, self.answer)
        levels, fell, chain = given[1:4]
        self.registers[GPIO_IN] = levels
        for half in self.edges:
            first = (half - EDGES >> 2) * 8 + (4 if half & 2 else 0)
            value = 0
            for k in range(4):
                value |= (fell >> (first + k) & 1) * 4 << 4 * k
            self.edges[half] = value
        for n in CHANNELS:
            counts = given[4 + n] >> 4
            CHANNELS[n][1], CHANNELS[n][2] = 0xE0 | counts >> 8, counts & 255
        if self.inputs.bus:
            mask = self.inputs.echo_chain  # a closed loop echoes what this board drives
            chain = chain | mask if self.board.driver.driven else chain & ~mask
            self.inputs.word_in[0], self.inputs.word_in[1] = chain >> 8, chain & 255
        fresh, high_us, low_us, pulses, period_us = given[24:29]
        line = self.inputs.isolation
        if line and fresh:
            line.fresh = (line.fresh + 1) & 255
            line.high_us, line.low_us = high_us, low_us
        if self.inputs.speed:
            self.inputs.speed.count = (self.inputs.speed.count + pulses) & 0xFFFF
            self.inputs.speed.period_us = period_us
        while len(self.times) > 40:
            self.times.pop()
        for us in (begin_us + TICK_US,) * 4 + (begin_us + 1,) * 2:
            self.times.append(us)
        return True


class Pin:
    """A native function that takes a level."""

    OUT = 1

    def __new__(cls, *_, **__):
        return [].count


class Spi:
    """Native functions that take the same arguments and leave the buffers as they were laid out."""

    def __init__(self, *_, **__):
        self.write = [].count
        self.readinto = sum
        self.write_readinto = {}.get


class Pwm:
    """A native function that takes a duty cycle."""

    def __init__(self, _):
        self.freq = self.duty_u16 = [].count


bus_module.Pin, bus_module.SPI, outputs_module.PWM = Pin, Spi, Pwm


def make_loop():
    with open("config.json") as file:
        config = json.load(file)
    with open("build.bin", "rb") as file:
        built = build.load(file.read())
    bench = Bench(config, built)
    memory = PlainMemory(PlainFlash(), "/memory")
    memory.begin()
    memory.keep(76, config["ended"], 0)
    memory.prove_positive()
    while memory.waits():
        memory._store_one()
    with open("host.txt") as file:
        kind = file.read()
    asks = (b"status", b"faults", b"why drive limit", b"inputs", b"limits", b"starts")
    host = Host(asks if kind == "asks" else ())
    port_module.select = port_module.sys = host
    info = {"program": "0", "build": "0" * 64, "runtime": "32 bits", "board": "none", "reset": "none"}
    bench.times.append(0)
    made = loop.Loop(bench.board, built, memory, Console(port_module.Port(), info))
    return made, host, bench, record(made) if kind == "records" else None


def record(made):
    """A recording that has begun: as the console does it, once it has told what the decisions start from."""
    frames = Frames(made.inputs, made.outputs, made.memory, made.board.driver)
    made.watch = frames.tick
    console = made.link
    console.lines.program = True
    Recorder(console).stream(frames)
    return frames


def main():
    made, host, bench, frames = make_loop()
    meter = TickMeter()
    total = live = ticks = most = where = number = quiet_heap = 0
    console = made.link
    while True:
        busy = not made._at_rest()
        made.link = console if busy else None  # at rest it is served for as long as there is time
        if not bench.next(number * TICK_US):
            break
        number += 1
        if frames and not busy:
            frames.at = frames.end  # there is time for it then
        programs = made.memory.flash.programs
        talked = host.counts()
        meter.start()
        made.pace()
        made.tick()
        meter.stop()
        if made._at_rest():
            continue
        ticks += 1
        if meter.fuel > most:
            most, where = meter.fuel, number
        if made.supervisor.phases.stage == DRIVE:
            live += 1
            total += meter.fuel
            if made.memory.flash.programs == programs and (frames or talked == host.counts()):
                quiet_heap += meter.heap_bytes
    print(
        json.dumps(
            {
                "live": total // max(live, 1),
                "most": most,
                "ticks": ticks,
                "live_ticks": live,
                "where": where,
                "sent": host.counts()[0],
                "quiet_heap": quiet_heap,
            }
        )
    )


main()
