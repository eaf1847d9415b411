"""The board under the loop: time, scratch words, heap; its inputs and outputs are parts of their own."""

import gc
from time import sleep_us, ticks_add, ticks_diff, ticks_us

import machine
from machine import mem32
from micropython import const

from loopwarden.board.bus import Bus
from loopwarden.board.chip import SCRATCH
from loopwarden.board.inputs import Inputs
from loopwarden.board.outputs import Driver

_CLOCK = const(0)  # place in pins_bus


class Scratch:
    """Words that outlive a reset, not a loss of power: index to integer below 2**30. Heap: none."""

    def __getitem__(self, n):
        return mem32[SCRATCH[n]] & 0x3FFFFFFF

    def __setitem__(self, n, value):
        mem32[SCRATCH[n]] = value


class Board:
    """What `Loop` asks of a board.

    build   one with a pin plan; ValueError without
    feed    of the watchdog, which runs already
    """

    def __init__(self, build, feed):
        if not build.pins_out:
            raise ValueError("build: it has no pins, so it can only be simulated")
        bus = Bus(build.pins_bus) if build.pins_bus[_CLOCK] >= 0 else None
        self.driver = Driver(build, bus)  # first: everything off
        self.inputs = Inputs(build, bus, self.driver)
        self.sample = self.inputs.sample
        self.drive = self.driver.drive
        self.off = self.driver.off
        self.feed = feed
        self.scratch = Scratch()
        self.marks, self.mark_at = mem32, SCRATCH[0]
        self.now_us, self.diff_us, self.after_us, self.sleep_us = ticks_us, ticks_diff, ticks_add, sleep_us

    def heap_free(self):
        return gc.mem_free()

    def collect(self):
        gc.collect()

    def reset(self):
        machine.reset()


class Flash:
    """The block device below the journal: tells the inputs when an operation has stalled the board."""

    def __init__(self, flash, inputs):
        self.flash, self.inputs = flash, inputs

    def readblocks(self, n, buffer, offset=0):
        self.flash.readblocks(n, buffer, offset)

    def writeblocks(self, n, buffer, offset=0):
        begin_us = ticks_us()
        self.flash.writeblocks(n, buffer, offset)
        self.inputs.stalled(begin_us)

    def ioctl(self, operation, argument):
        begin_us = ticks_us()
        answer = self.flash.ioctl(operation, argument)
        self.inputs.stalled(begin_us)
        return answer
