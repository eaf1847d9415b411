"""What typing leaves on the heap: a guest script for the 32-bit build. Prints the bytes of each kind of typing."""

import json

from micropython import mem_total

from loopwarden.link.console import Console

READY = ((None, 4),)  # room for a byte, as a poll says it


class Port:
    def __init__(self):
        self.line = b""
        self.at = 0

    def read(self):
        if self.at < len(self.line):
            self.at += 1
            return self.line[self.at - 1]
        return -1

    def ready(self, _):
        return READY

    def put(self, buffer, at, _):
        pass


class Thing:
    pass


def main():
    loop = Thing()
    s = loop.supervisor = Thing()
    s.inputs, s.phases = Thing(), Thing()
    s.inputs.heap_free = 30000  # so little that nothing is answered in a drive
    s.phases.stage = 8
    loop.board = Thing()
    loop.board.now_us = lambda: 0
    loop.board.diff_us = lambda one, other: 0
    port = Port()
    console = Console(port, {})
    told = {}
    for name, line in (
        ("line", b"x" * 78 + b"\r"),
        ("deleted", b"a\b" * 40),
        ("returns", b"\r" * 40),
        ("noise", b"\x81\x1b[A" * 20),
    ):
        for _ in range(2):  # the first round fills lookup caches and buffers
            port.line, port.at = line, 0
            before = mem_total()
            for _ in range(100):
                console.work(loop)
            told[name] = mem_total() - before
    print(json.dumps(told))


main()
