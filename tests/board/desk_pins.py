"""The board package on the desk: `machine` and the tick clock made of numbers, so that single pins can be looked at."""

import importlib
from types import ModuleType, SimpleNamespace

# By chip: identity, raw interrupts, set outputs, clear outputs. The SDK's register headers (sysinfo.h, io_bank0.h,
# sio.h) of RP2040 and RP2350; the identities' upper four bits, the stepping, are an example.
ADDRESSES = {
    2040: (0x20002927, 0x400140F0, 0xD0000014, 0xD0000018),
    2350: (0x20004927, 0x40028230, 0xD0000018, 0xD0000020),
}
CHIP_ID, GPIO_IN = 0x40000000, 0xD0000004


class Registers(dict):
    """Words by address; two of them set and clear outputs, writing an edge word clears what is written."""

    def __init__(self, chip):
        super().__init__()
        self.chip = chip

    def __setitem__(self, at, value):
        chip = self.chip
        _, edges, out_set, out_clear = ADDRESSES[chip.kind]
        if at == out_set:
            chip.out |= value
        elif at == out_clear:
            chip.out &= ~value
        elif edges <= at < edges + 16:
            chip.edges[(at - edges) // 4] &= ~value
        else:
            super().__setitem__(at, value)
        chip.writes.append((at, value))

    def __getitem__(self, at):
        chip = self.chip
        identity, edges, _, _ = ADDRESSES[chip.kind]
        if at == CHIP_ID:
            return identity
        if at == GPIO_IN:
            return chip.levels
        if edges <= at < edges + 16:
            value = chip.edges[(at - edges) // 4] >> 8 * (at & 2)
            if chip.after_look:
                chip.after_look.pop(0)()
            return value
        return super().__getitem__(at)


class Chip:
    """out, levels: words of pins; edges: four words of latched ones; duties by pin; shifted: words of the registers."""

    def __init__(self, kind):
        self.kind = kind
        self.out = self.levels = self.us = 0
        self.edges = [0, 0, 0, 0]
        self.born = {}  # driven pins, with the level they had when they began to be
        self.duties, self.writes, self.shifted, self.after_look, self.handlers = {}, [], [], [], {}
        self.chain = 0x8000
        self.counts = {}  # by (select pin, channel)
        self.adc = {}

    def fall(self, gpio):
        """An edge that the chip keeps, however short it was."""
        self.edges[gpio // 8] |= 4 << 4 * (gpio % 8)


def machine_of(chip):
    """A stand-in for MicroPython's machine, as much as the board package uses."""
    machine = ModuleType("machine")

    class Pin:
        IN, OUT, IRQ_FALLING, IRQ_RISING = 0, 1, 4, 8

        def __init__(self, gpio, mode=-1, value=None):
            self.gpio = gpio
            if value is not None:  # the level is there before the pin drives it
                self(value)
            if mode == Pin.OUT:
                chip.born[gpio] = chip.out >> gpio & 1

        def __call__(self, level):
            chip.out = chip.out | 1 << self.gpio if level else chip.out & ~(1 << self.gpio)

        def value(self):
            return chip.levels >> self.gpio & 1

        def irq(self, handler, trigger, hard):
            chip.handlers[self.gpio] = handler

    class PWM:
        def __init__(self, pin):
            self.gpio = pin.gpio

        def freq(self, hz):
            pass

        def duty_u16(self, duty):
            chip.duties[self.gpio] = duty

    class SPI:
        def __init__(self, number, **pins):
            self.number = number

        def write(self, word):
            chip.shifted.append(word[0] << 8 | word[1])

        def readinto(self, word, write):
            word[0], word[1] = chip.chain >> 8, chip.chain & 255

        def write_readinto(self, ask, got):
            low = [gpio for gpio, _ in chip.counts if not chip.out >> gpio & 1]
            counts = chip.counts.get((low[0] if low else -1, (ask[0] & 1) << 2 | ask[1] >> 6))
            got[0] = 0xFF
            got[1], got[2] = (0xFF, 0xFF) if counts is None else (0xE0 | counts >> 8, counts & 255)

    machine.Pin, machine.PWM, machine.SPI = Pin, PWM, SPI
    machine.ADC = lambda pin: SimpleNamespace(read_u16=lambda: chip.adc[pin.gpio] << 4 | chip.adc[pin.gpio] >> 8)
    machine.mem32 = Registers(chip)
    machine.mem16 = machine.mem32
    machine.reset = lambda: None
    return machine


def board_of(build):
    """A Board of a build, on the chip of this test."""
    return importlib.import_module("loopwarden.board.board").Board(build, lambda: None)
