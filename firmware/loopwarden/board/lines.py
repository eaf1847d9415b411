"""Lines that are timed by their edges: the isolation monitor's period, speed pulses, the crash signal.

Handlers store stamps and no more: an exception in one would remove it for good, and then no edges come, which the
conversion reads as lost (S10). While flash is written no handler runs, so a period that a stall touched is dropped.
"""

from time import ticks_add, ticks_diff, ticks_us

from machine import Pin
from micropython import const

_LONGEST_US = const(5000000)  # no pulse is told longer: the tick counter wraps


class PeriodLine:
    """High and low time of the last whole period, from rising edge to rising edge; `fresh` counts up with each."""

    def __init__(self, gpio):
        self.rose = self.fell = ticks_us()
        self.high_us = self.low_us = self.fresh = 0
        self.drop = 2  # edges until a period is whole
        self.pin = Pin(gpio, Pin.IN)
        self.pin.irq(self._edge, Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=True)

    def _edge(self, pin):
        now = ticks_us()
        if not pin.value():
            self.fell = now
            return
        if self.drop:
            self.drop -= 1
        else:
            self.high_us = ticks_diff(self.fell, self.rose)
            self.low_us = ticks_diff(now, self.fell)
            self.fresh = (self.fresh + 1) & 0xFF
        self.rose = now

    def void(self):
        """A stall: the period under way is not to be believed."""
        self.drop = 2


class PulseLine:
    """`count` of pulses, wrapping at 2**16, and the time between the last two, 0 before there were two."""

    def __init__(self, gpio):
        self.last = ticks_us()
        self.count = self.period_us = 0
        self.seen = False
        self.pin = Pin(gpio, Pin.IN)
        self.pin.irq(self._edge, Pin.IRQ_RISING, hard=True)

    def _edge(self, _pin):
        now = ticks_us()
        if self.seen:
            self.period_us = ticks_diff(now, self.last)
        self.seen = True
        self.last = now
        self.count = (self.count + 1) & 0xFFFF

    def void(self):
        """A stall: the next pulse has no period, it only counts."""
        self.seen = False


class CrashLine:
    """Length so far of the longest pulse since it was last asked for."""

    def __init__(self, gpio):
        self.pin = Pin(gpio, Pin.IN)
        self.rose = ticks_us()
        self.longest_us = 0
        self.pin.irq(self._edge, Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=True)

    def _edge(self, pin):
        now = ticks_us()
        if pin.value():
            self.rose = now
        else:
            self.longest_us = max(self.longest_us, ticks_diff(now, self.rose))

    def take_us(self, high):
        """The longest since the last call; `high`: the level now."""
        us = self.longest_us
        self.longest_us = 0
        if high:
            now = ticks_us()
            us = max(us, ticks_diff(now, self.rose))
            if us > _LONGEST_US:
                us = _LONGEST_US
                self.rose = ticks_add(now, -_LONGEST_US)
        return us
