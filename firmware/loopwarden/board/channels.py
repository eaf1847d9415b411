"""One analogue channel each: a pin of the board, or one of an external converter of the 3208 type. Decides nothing.

read() gives twelve bits, read16() the mean of four conversions in sixteenths of a count, None where no converter
answers. Heap: none.
"""

from machine import ADC, Pin
from micropython import const

_CONVERTER = const(100)  # added to the channel's number in the plan


def channel_at(place, bus):
    """The channel at a place of the pin plan, None where the plan has none."""
    if place < 0:
        return None
    return bus.channel(place - _CONVERTER) if place >= _CONVERTER else PinChannel(place)


class PinChannel:
    """gpio  26 to 29; by pin, as by number the pad would keep its pull-down and load the divider."""

    def __init__(self, gpio):
        self.convert = ADC(Pin(gpio)).read_u16  # saved: looking a method up costs more than calling it

    def read(self):
        return self.convert() >> 4  # twelve bits, the first four again below them

    def read16(self):
        convert = self.convert
        return ((convert() >> 4) + (convert() >> 4) + (convert() >> 4) + (convert() >> 4)) << 2


class ConverterChannel:
    """channel  0 to 7 of the converter behind `select`; transfer: of the bus, bytes out and bytes in."""

    def __init__(self, select, transfer, channel):
        # Start bit, single-ended, three bits of channel, then clocks for the answer.
        ask = bytes((6 | channel >> 2, (channel & 3) << 6, 0))
        self.got = bytearray(3)
        self.read = _exchange(select, transfer, ask, self.got)
        self.read16 = _exchange16(select, transfer, ask, self.got)


# Nobody drives the line for the first bits of an answer; the one before the result is always low. These are closures:
# a name that a function closes over is found several times quicker than an attribute.


def _exchange(select, transfer, ask, got):
    def read():
        select(0)
        transfer(ask, got)
        select(1)
        counts = got[1] << 8 | got[2]
        return None if counts & 0x1000 else counts & 0xFFF

    return read


def _exchange16(select, transfer, ask, got):
    def read16():
        sum16 = 0
        n = 4
        while n:
            select(0)
            transfer(ask, got)
            select(1)
            counts = got[1] << 8 | got[2]
            if counts & 0x1000:
                return None
            sum16 += counts & 0xFFF
            n -= 1
        return sum16 << 2

    return read16
