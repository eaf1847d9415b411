"""What a chat costs in a live tick: a guest script for the 32-bit build.

Needs build.json, ticks.bin and at.txt (the tick at which the chat begins, and the requests, one a line). Prints one
JSON object: for each request, from a person and, with "@" before it, from a program, `most` counted instructions of one
call of work (`kinds`: of one that sent, made a step of an answer, or read), their `mean`, `heap` bytes that the whole
answer left behind, `calls` and `bytes`. Each is asked twice and the second time counts: the first fills lookup caches.
"""

import binascii
import json

from micropython import mem_current
from replay import Session, files
from tick_meter import TickMeter

from loopwarden.link.console import Console
from loopwarden.memory.drive_log import DriveLog
from loopwarden.memory.ram import RamMemory

READY = ((None, 4),)  # room for a byte, as a poll says it


class Port:
    def __init__(self):
        self.line = b""
        self.at = self.sent = 0

    def read(self):
        if self.at < len(self.line):
            self.at += 1
            return self.line[self.at - 1]
        return -1

    def ready(self, _):
        return READY

    def put(self, buffer, at, _):
        self.sent += 1


class Board:
    def now_us(self):
        return 0

    def diff_us(self, one, other):
        return 0

    def heap_free(self):
        return 100000


class LoggedMemory(RamMemory):
    """With strip and summary lines, which the memory in flash keeps."""

    def __init__(self):
        super().__init__()
        self.log = DriveLog()
        self.birth = (0x12345678, 0x1ABCDEF0)

    def work(self, supervisor, room=True):
        self.log.step(supervisor)
        return super().work(supervisor, room)

    def _store(self, row, places, supervisor):
        super()._store(row, places, supervisor)
        self.log.note(row)

    def strip(self):
        return self.log.strip

    def line(self, cycle):
        return self.log.line


class Loop:
    ends = before = late_ms = 0
    held = False

    def __init__(self, session):
        self.board = Board()
        self.build = session.build
        self.memory = session.memory
        self.supervisor = session.sup
        self.inputs = session.inputs
        self.outputs = session.outputs


def ask(console, port, loop, line, meter):
    port.line, port.at, port.sent = line, 0, 0
    fuel = calls = 0
    kinds = {"send": 0, "step": 0, "read": 0}
    begin = mem_current()
    busy = True
    while busy:
        kind = "send" if console.out.at < console.out.end else "read" if console.step is None else "step"
        meter.start()
        busy = console.work(loop)
        meter.stop()
        calls += 1
        fuel += meter.fuel
        kinds[kind] = max(kinds[kind], meter.fuel)
    heap = mem_current() - begin
    return {
        "kinds": kinds,
        "most": max(kinds.values()),
        "mean": fuel // calls,
        "heap": heap,
        "calls": calls,
        "bytes": port.sent,
    }


def main():
    with open("at.txt") as file:
        at, *requests = file.read().split("\n")
    session = Session(*files(), LoggedMemory())
    while session.next() and session.ticks < int(at):
        session.step()
        session.end()
    port = Port()
    info = {"program": "0.1.0", "build": "5f2c" * 16, "runtime": "MicroPython", "board": "RP2040", "reset": "reset pin"}
    console = Console(port, info)
    loop = Loop(session)
    meter = TickMeter()
    told = {}
    ask(console, port, loop, b"", meter)
    for request in requests:
        line = ("@7 " + request).encode()
        sealed = b"%s *%08x\r" % (line, binascii.crc32(line))
        for name, asked in ((request, request.encode() + b"\r"), ("@" + request, sealed)):
            ask(console, port, loop, asked, meter)
            told[name] = ask(console, port, loop, asked, meter)
    print(json.dumps({"phase": session.sup.phases.phase, "active": session.sup.faults.actives, "told": told}))


main()
