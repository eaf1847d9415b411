"""One analogue channel each: a pin of the board, or one of an external converter of the 3208 type. Decides nothing.

A reading is twelve bits, or the mean of four conversions in sixteenths of a count; None where no converter answers.
Heap: none once it is made.
"""

from machine import ADC, Pin
from micropython import const

_CONVERTER = const(100)  # added to the channel's number in the plan


def reader(place, bus):
    """read() of the channel at a place of the pin plan; None where the plan has none."""
    if place < 0:
        return None
    return _reads(*bus.channel(place - _CONVERTER)).__next__ if place >= _CONVERTER else PinChannel(place).read


def reader16(place, bus):
    """The same in sixteenths."""
    return _reads16(*bus.channel(place - _CONVERTER)).__next__ if place >= _CONVERTER else PinChannel(place).read16


class PinChannel:
    """gpio  26 to 29; by pin, as by number the pad would keep its pull-down and load the divider."""

    def __init__(self, gpio):
        self.convert = ADC(Pin(gpio)).read_u16  # saved: looking a method up costs more than calling it

    def read(self):
        return self.convert() >> 4  # twelve bits, the first four again below them

    def read16(self):
        convert = self.convert
        return ((convert() >> 4) + (convert() >> 4) + (convert() >> 4) + (convert() >> 4)) << 2


# Nobody drives the line for the first bits of an answer; the one before the result is always low. These are generators:
# their names stay where they are, and each costs a sixth of an attribute.


def _reads(select, transfer, ask, got):
    number = int.from_bytes
    while True:
        select(0)
        transfer(ask, got)
        select(1)
        word = number(got, "big")
        yield None if word & 0x1000 else word & 0xFFF


def _reads16(select, transfer, ask, got):
    number = int.from_bytes
    while True:
        select(0)
        transfer(ask, got)
        select(1)
        one = number(got, "big")
        select(0)
        transfer(ask, got)
        select(1)
        two = number(got, "big")
        select(0)
        transfer(ask, got)
        select(1)
        three = number(got, "big")
        select(0)
        transfer(ask, got)
        select(1)
        four = number(got, "big")
        if (one | two | three | four) & 0x1000:
            yield None
        else:
            yield (one & 0xFFF) + (two & 0xFFF) + (three & 0xFFF) + (four & 0xFFF) << 2
