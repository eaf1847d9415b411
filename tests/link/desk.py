"""A console on a desk: a port made of two byte arrays, a rig with a real supervisor, and the loop as it is seen."""

import binascii
import json
from types import SimpleNamespace

from memory.desk_flash import DeskFlash
from policy.rig import Rig

from loopwarden.link.console import Console
from loopwarden.memory.flash import FlashMemory
from loopwarden_record.simulated import Driver

INFO = {
    "program": "0.1.0",
    "build": "5f2c" * 16,
    "runtime": "MicroPython 1.29.0",
    "board": "RP2040, stepping 2",
    "reset": "reset pin",
}


class Port:
    """`into` is read by the console, `out` was written by it; `takes` says whether a byte is taken."""

    def __init__(self):
        self.into = bytearray()
        self.out = bytearray()
        self.takes = lambda: True
        self.gives = lambda: True

    def read(self):
        return self.into.pop(0) if self.into and self.gives() else -1

    def ready(self, _):
        return ((None, 4),) if self.takes() else ()

    def put(self, buffer, at, n):
        assert n == 1, "a ready poll promises room for one byte"
        self.out += buffer[at : at + n]

    def write(self, byte):
        assert 0 <= byte <= 255
        if self.takes():
            self.out.append(byte)
            return True
        return False


class Board:
    """The board as far as a console asks it."""

    def __init__(self, desk):
        self.us = 0
        self.desk = desk

    @property
    def driver(self):
        return Driver(self.desk.loop.outputs)

    def now_us(self):
        return self.us

    def diff_us(self, one, other):
        return one - other

    def after_us(self, us, more):
        return us + more

    def collect(self):
        pass

    def heap_free(self):
        return 100_000


class Desk:
    """`rig` is the vehicle, `loop` what the loop shows; the console gets calls until it has nothing left to do."""

    def __init__(self, rig=None, folder=None, image=None):
        if folder is not None:
            memory = FlashMemory(DeskFlash(folder), str(folder))
            rig = Rig(memory=memory)
        self.rig = rig or Rig()
        self.port = Port()
        self.console = Console(self.port, INFO if image is None else {**INFO, "image": str(image)})
        self.served = 0
        self.loop = SimpleNamespace(
            board=Board(self),
            build=self.rig.build,
            memory=self.rig.memory,
            supervisor=self.rig.sup,
            inputs=self.rig.inputs,
            outputs=self.rig.out,
            ends=0,
            before=0,
            held=False,
            late_ms=0,
            service=self.serve,
            coil_test=None,
            restart=None,
            watch=None,
            due_us=0,
        )
        self.settle()
        self.banner = bytes(self.port.out)
        self.port.out.clear()

    def serve(self):
        self.served += 1

    def settle(self, ticks=0):
        """Calls until nothing is left to do; with `ticks`, at most so many ticks go by while it waits."""
        for _ in range(20_000):
            if not self.console.work(self.loop):
                if self.console.step is None and not self.port.into:
                    break
                if not ticks:
                    break
                ticks -= 1
                self.rig.tick()
                self.loop.board.us += self.rig.dt * 1000

    def type(self, text, ticks=0):
        """What a person gets for a line, echo and prompt taken off."""
        self.port.out.clear()
        self.port.into += text.encode("latin-1") + b"\r"
        self.settle(ticks)
        out = self.port.out.decode("ascii")
        assert out.startswith(text + "\r\n"), out
        return out.removeprefix(text + "\r\n").removesuffix("> ").replace("\r\n", "\n")

    def ask(self, text, n=17, ticks=0):
        """The objects that a program gets, checked and without n, i and crc."""
        self.port.out.clear()
        self.port.into += sealed(f"@{n} {text}")
        self.settle(ticks)
        return objects(bytes(self.port.out), n)


def lived(folder):
    """A desk whose memory is commissioned, driving, with isolation between warning and limit."""
    desk = Desk(folder=folder)
    rig = desk.rig.run(100)
    rig.memory.new = False
    rig.sup.faults.clear(76)
    rig.memory.positive_proven = True
    rig.sup.faults.clear(46)
    rig.run(300).drive()
    rig.isolation_ohm = 300_000
    rig.run(6_000)
    return desk


def sealed(line):
    return f"{line} *{binascii.crc32(line.encode()):08x}\r".encode()


def objects(out, n=17):
    """The objects in what was sent: each with a good checksum, numbered from 0, the last one an end or an error."""
    found = []
    for i, line in enumerate(out.decode("ascii").split("\r\n")[:-1]):
        assert len(line) + 2 <= 480, line
        shown = json.loads(line)
        body, mark, seal = line.rpartition(',"crc":"')
        assert mark
        assert seal == f'{binascii.crc32(body.encode()):08x}"}}'
        assert list(shown)[:3] == ["n", "i", "kind"]
        assert (shown.pop("n"), shown.pop("i"), shown.pop("crc")) == (n, i, seal[:8])
        found.append(shown)
    assert out.endswith(b"\r\n")
    assert found[-1]["kind"] in ("end", "error")
    assert all(shown["kind"] not in ("end", "error") for shown in found[:-1])
    if found[-1]["kind"] == "end":
        assert found[-1]["lines"] == len(found) - 1
    return found
