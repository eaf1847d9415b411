"""What a whole tick costs: sample, decide, drive, store, link. A guest script for the 32-bit build.

The firmware runs on the stand-ins of the virtual board, fed from a recording of what its pins saw. What happens inside
a stand-in is not the firmware's and is taken off; a call into one is counted as a call of a native function.
argv and files: `config.json`, `build.bin`, `answers.bin` in the working directory; the host asks all the time.
Prints one JSON object: `live` mean and `most` counted instructions of a tick outside the off phase, `ticks`, `where`
(tick with the most), `heap` bytes that a live tick asks of the heap, in the mean.
"""

import binascii
import json
import sys
from time import ticks_diff as since
from time import ticks_us as fuel

import vgc
import vtime
import wires

# A heap this size is slow to look through, and a collection in a long session of this build can trap: neither is done.
vgc.between_ticks = vgc.collect = lambda: None
vgc.mem_free = lambda: 150000
sys.modules["time"] = vtime
sys.modules["gc"] = vgc
import machine  # noqa: E402
from micropython import mem_total  # noqa: E402


class Meter:
    inside = calls = depth = heap = 0


def counted(function):
    """The same call, what it costs inside put aside."""

    def call(*args, **more):
        if Meter.depth:
            return function(*args, **more)
        Meter.depth = 1
        heap = mem_total()
        begin = fuel()
        try:
            return function(*args, **more)
        finally:
            Meter.inside += since(fuel(), begin)
            Meter.heap += mem_total() - heap
            Meter.calls += 1
            Meter.depth = 0

    return call


def put_meters():
    """Around every stand-in that the firmware calls."""
    for kind, names in (
        (machine.Pin, ("__init__", "__call__", "value", "irq")),
        (machine.PWM, ("duty_u16",)),
        (machine.ADC, ("read_u16",)),
        (machine.SPI, ("write", "readinto", "write_readinto")),
        (machine._Registers, ("__getitem__", "__setitem__")),
    ):
        for name in names:
            setattr(kind, name, counted(getattr(kind, name)))
    for name in ("ticks_us", "ticks_add", "ticks_diff", "sleep_us"):
        setattr(vtime, name, counted(getattr(vtime, name)))


class Ended(Exception):
    """The recording is at its end."""


class Recording:
    def __init__(self, name):
        self.file = open(name, "rb")

    def readinto(self, buffer):
        n = self.file.readinto(buffer)
        if n != len(buffer):
            raise Ended
        return n


class Nobody:
    def write(self, data):
        pass


class PlainFlash:
    """The journal lies in plain memory, its files in the guest's own folder: this build has no littlefs."""

    def __init__(self):
        self.image = bytearray(b"\xff" * (4096 * 4))
        self.view = memoryview(self.image)

    def readblocks(self, n, buffer, offset=0):
        buffer[:] = self.view[n * 4096 + offset : n * 4096 + offset + len(buffer)]

    def writeblocks(self, n, buffer, offset=0):
        self.view[n * 4096 + offset : n * 4096 + offset + len(buffer)] = buffer

    def ioctl(self, operation, n):
        return 0


class ChattyPort:
    """A host that asks again as soon as it is read, and takes whatever comes."""

    def __init__(self, commands):
        text = b""
        for n, command in enumerate(commands):
            line = b"@%d %s" % (n, command)
            text += b"%s *%08x\r%s\r" % (line, binascii.crc32(line), command)
        self.text = text
        self.at = self.taken = 0

    def read(self):
        byte = self.text[self.at]
        self.at += 1
        if self.at == len(self.text):
            self.at = 0
        return byte

    def write(self, byte):
        self.taken += 1
        return True


def overhead():
    """What a wrapped call takes beside its inside and beside a native function: instructions, bytes."""
    nothing = counted(lambda *_: None)
    native = bytearray(4).extend
    none = b""
    Meter.inside = Meter.heap = 0
    heap = mem_total()
    begin = fuel()
    for _ in range(100):
        nothing(1, 2)
    wrapped = since(fuel(), begin) - Meter.inside
    heap = mem_total() - heap - Meter.heap
    begin = fuel()
    for _ in range(100):
        native(none)
    return (wrapped - since(fuel(), begin)) // 100, heap // 100


def make_loop():
    with open("config.json") as file:
        config = json.load(file)
    put_meters()
    wires.LOOK_US = 400  # in the off phase the link is served for as long as there is time: not for ever here
    w = wires.connect(config, Nobody(), Recording("answers.bin"))
    w.advance(0)
    from loopwarden import build, loop
    from loopwarden.board.board import Board
    from loopwarden.link.console import Console
    from loopwarden.memory.flash import FlashMemory
    from loopwarden.policy.faults import ENDED
    from loopwarden.texts import open_texts

    class Commissioned(FlashMemory):
        def _drawn(self):
            return (1, 2)  # this build has no random numbers

        def _find(self, k):
            return k

        def _mapping_holds(self):
            return True

    with open("build.bin", "rb") as file:
        built = build.load(file.read())
    board = Board(built, lambda: None)
    memory = Commissioned(PlainFlash(), "/memory")
    memory.begin()
    memory.keep(76, ENDED, 0)
    memory.prove_positive()
    while memory.waits():
        memory._store_one()
    open_texts()
    port = ChattyPort((b"status", b"faults", b"why drive limit", b"inputs", b"limits", b"starts"))
    info = {"program": "0", "build": "0" * 64, "runtime": "32 bits"}
    return loop.Loop(board, built, memory, Console(port, info)), port


def main():
    extra, extra_heap = overhead()
    loop, port = make_loop()
    total = ticks = most = where = number = live_heap = 0
    parts = {}
    try:
        while True:
            number += 1
            Meter.inside = Meter.calls = Meter.heap = 0
            busy = not loop.off_phase()
            heap = mem_total()
            begin = fuel()
            loop.pace()
            loop.tick()
            cost = since(fuel(), begin) - Meter.inside - extra * Meter.calls
            heap = mem_total() - heap - Meter.heap - extra_heap * Meter.calls
            if busy and not loop.off_phase():
                ticks += 1
                total += cost
                live_heap += max(heap, 0)
                if cost > most:
                    most, where = cost, number
                    parts = {"calls": Meter.calls, "stage": loop.supervisor.phases.stage}
    except Ended:
        pass
    print(
        json.dumps(
            {
                "live": total // max(ticks, 1),
                "most": most,
                "ticks": ticks,
                "where": where,
                "heap": live_heap // max(ticks, 1),
                "sent": port.taken,
                "parts": parts,
            }
        )
    )


main()
