"""The bus of a build with more signals than pins: external converters, input registers, output registers.

The output registers are held off by their enable line until the first word was shifted, and again at every reset: the
line has its own pull-up. Two input bits are tied low and high, so that a chain that does not answer is known (S10).
"""

from machine import SPI, Pin
from micropython import const

_CLOCK, _OUT, _IN, _SELECT, _SELECT2, _LATCH, _ENABLE, _SPI = range(8)
_BAUD = const(1000000)  # what a converter of this type does at 3.3 V


class Bus:
    """`latch` and `spi` are for who reads or writes the registers in every tick: a pulse of the latch, low then high,
    loads the inputs and puts out what was shifted; None without registers. shift(word): two bytes to the outputs.
    """

    def __init__(self, plan):
        self.spi = SPI(plan[_SPI], baudrate=_BAUD, sck=Pin(plan[_CLOCK]), mosi=Pin(plan[_OUT]), miso=Pin(plan[_IN]))
        self.selects = [None if gpio < 0 else Pin(gpio, Pin.OUT, value=1) for gpio in plan[_SELECT : _SELECT2 + 1]]
        self.latch = self.enable = None
        if plan[_LATCH] >= 0:
            self.latch = Pin(plan[_LATCH], Pin.OUT, value=1)
        if plan[_ENABLE] >= 0:
            self.enable = Pin(plan[_ENABLE], Pin.OUT, value=1)  # high: every output of the registers is off

    def channel(self, n):
        """Channel n of the converters, eight on each: its select line, transfer(out, in), bytes out and bytes in."""
        # Start bit, single-ended, three bits of channel, then clocks for the answer.
        ask = bytes((6 | n >> 2 & 1, (n & 3) << 6, 0))
        return self.selects[n >> 3], self.spi.write_readinto, ask, bytearray(3)

    def shift(self, word):
        self.spi.write(word)
        self.latch(0)
        self.latch(1)
        if self.enable is not None:
            self.enable(0)  # not before the first word was shifted
