"""What answers, loaded at rest and dropped there: a guest script for the 64-bit build, which may collect at any time.

Needs build.json and ticks.bin; at.txt: a tick at rest, a live one, how many bytes of heap the board says are free.
Prints one JSON object: `rest`, `live`, `why`: what a person was told for status at rest, status live, why start live;
`program`: what a program was told live; `held`: bytes in use after each of three answers, garbage taken off; `kept`:
modules left.
"""

import binascii
import gc
import json
import sys

from replay import Session, files

from loopwarden.link import parts
from loopwarden.link.console import Console
from loopwarden.memory.ram import RamMemory


class Port:
    def __init__(self):
        self.line = b""
        self.at = 0
        self.out = bytearray()

    def read(self):
        if self.at < len(self.line):
            self.at += 1
            return self.line[self.at - 1]
        return -1

    def ready(self, _):
        return ((None, 4),)

    def put(self, buffer, at, _):
        self.out.append(buffer[at])


class Board:
    free = 0

    def now_us(self):
        return 0

    def diff_us(self, later, earlier):
        return 0

    def heap_free(self):
        return self.free

    def collect(self):
        gc.collect()


class Loop:
    ends = before = late_ms = due_us = 0
    held = False

    def __init__(self, session):
        self.board = Board()
        self.build = session.build
        self.memory = session.memory
        self.supervisor = session.sup
        self.inputs = session.inputs
        self.outputs = session.outputs


def ask(console, port, loop, line):
    port.line, port.at, port.out = line, 0, bytearray()
    while console.work(loop) or console.step is not None:  # loading waits a tick after each module
        pass
    return port.out.decode()


def run_to(session, tick):
    while session.ticks < tick and session.next():
        session.step()
        session.end()


def main():
    with open("at.txt") as file:
        rest, live, free = [int(word) for word in file.read().split()]
    session = Session(*files(), RamMemory())
    run_to(session, rest)
    port = Port()
    info = dict.fromkeys(("program", "build", "runtime", "board", "reset"), "x")
    console = Console(port, info, False)
    loop = Loop(session)
    Board.free = free
    told = {"held": []}
    for _ in range(3):
        told["rest"] = ask(console, port, loop, b"status\r")
        gc.collect()
        told["held"].append(gc.mem_alloc())
    run_to(session, live)
    told["phase"] = session.sup.phases.phase
    told["live"] = ask(console, port, loop, b"status\r")
    told["why"] = ask(console, port, loop, b"why start\r")
    told["program"] = ask(console, port, loop, b"@7 limits *%08x\r" % binascii.crc32(b"@7 limits"))
    told["kept"] = [name for name in sys.modules if name in parts.ALL]
    print(json.dumps(told))


main()
