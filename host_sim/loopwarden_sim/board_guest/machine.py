"""Stand-in for MicroPython's `machine` on an RP2040 or RP2350: pins, registers, converters, duty cycles, SPI, watchdog.

Pins keep their level over a soft reset, the watchdog cannot be stopped, a reset never returns.
"""

import wires

_CHIP_ID, _GPIO_IN = 0x40000000, 0xD0000004
# Chip to: identity (of stepping 2), raw interrupts, set, clear, scratch words, reason of a watchdog reset, chip reset.
_AT = {
    2040: (0x20002927, 0x400140F0, 0xD0000014, 0xD0000018, 0x4005800C, 0x40058008, 0x40064008),
    2350: (0x20004927, 0x40028230, 0xD0000018, 0xD0000020, 0x400D800C, 0x400D8008, 0x4010002C),
}


class _Registers:
    """mem32 and mem16: only what this chip has at the addresses the firmware uses; any other is an error."""

    def __init__(self, bits):
        self.bits = bits

    def __getitem__(self, at):
        w = wires.WIRES
        chip_id, edges, _, _, scratch, reason, chip_reset = _AT[w.config["chip"]]
        if at == _GPIO_IN:
            return w.read()
        if edges <= at < edges + 16:
            return self._edges((at - edges) >> 2) >> 8 * (at & 2) & ((1 << self.bits) - 1)
        if scratch <= at < scratch + 16:
            return w.scratch[(at - scratch) >> 2]
        if at == _CHIP_ID:
            return chip_id
        if at == chip_reset:
            return w.config["chip_reset"]
        if at == reason:
            return w.config["was_reset"]
        raise ValueError("no register stands in at 0x%08x" % at)

    def _edges(self, word):
        # Four bits a pin: low, high, fell, rose.
        w = wires.WIRES
        value = 0
        levels = w.read()
        for k in range(8):
            gpio = 8 * word + k
            value |= ((2 if levels >> gpio & 1 else 1) | (4 if w.fell >> gpio & 1 else 0)) << 4 * k
        return value

    def __setitem__(self, at, value):
        w = wires.WIRES
        _, edges, out_set, out_clear, scratch, _, _ = _AT[w.config["chip"]]
        if at == out_set:
            w.write(w.out | value)
        elif at == out_clear:
            w.write(w.out & ~value)
        elif edges <= at < edges + 16 and self.bits == 32:
            for k in range(8):
                if value >> 4 * k & 4:
                    w.fell &= ~(1 << (8 * ((at - edges) >> 2) + k))
        elif scratch <= at < scratch + 16:
            w.scratch[(at - scratch) >> 2] = value & 0xFFFFFFFF
        else:
            raise ValueError("no register stands in at 0x%08x" % at)


mem32 = _Registers(32)
mem16 = _Registers(16)


class Pin:
    IN, OUT, OPEN_DRAIN, ALT = 0, 1, 2, 3
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_FALLING, IRQ_RISING = 4, 8

    def __init__(self, gpio, mode=-1, pull=-1, *, value=None, alt=-1):
        if isinstance(gpio, Pin):
            gpio = gpio.gpio
        if not 0 <= gpio < 30:
            raise ValueError("invalid pin")
        self.gpio = gpio
        w = wires.WIRES
        if value is not None:
            self.value(value)
        if mode == Pin.OUT:
            w.oe |= 1 << gpio
        elif mode == Pin.IN:
            w.oe &= ~(1 << gpio)
        w.duties.pop(gpio, None)

    def value(self, level=None):
        w = wires.WIRES
        if level is None:
            return w.read() >> self.gpio & 1
        w.write(w.out | 1 << self.gpio if level else w.out & ~(1 << self.gpio))
        if level and self.gpio == w.config["latch"]:
            w.register = w.shifting
        if self.gpio == w.config["enable"]:
            w.register_on = not level
        return None

    __call__ = value

    def init(self, mode=-1, pull=-1, *, value=None, alt=-1):
        self.__init__(self.gpio, mode, pull, value=value)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def irq(self, handler=None, trigger=12, *, hard=False):
        wires.WIRES.on_edge(self.gpio, handler, trigger)


class PWM:
    def __init__(self, pin, *, freq=0, duty_u16=None):
        self.gpio = pin.gpio
        wires.WIRES.duties[self.gpio] = duty_u16 or 0

    def freq(self, hz=None):
        return hz

    def duty_u16(self, duty=None):
        if duty is None:
            return wires.WIRES.duties[self.gpio]
        wires.WIRES.duties[self.gpio] = duty
        return None


class ADC:
    def __init__(self, pin):
        self.channel = (pin.gpio if isinstance(pin, Pin) else pin) - 26
        if not 0 <= self.channel < 4:
            raise ValueError("Pin doesn't have ADC capabilities")

    def read_u16(self):
        w = wires.WIRES
        counts = w.convert(16 + self.channel, w.adc[self.channel])
        if w.raise_now:
            w.raise_now = False
            raise KeyboardInterrupt
        return counts << 4 | counts >> 8


class SPI:
    """The bus of the build: two converters behind their select lines, else the chain of registers."""

    def __init__(self, spi, *, baudrate, sck, mosi, miso):
        self.selects = wires.WIRES.config["selects"]

    def _selected(self):
        w = wires.WIRES
        for n, gpio in enumerate(self.selects):
            if gpio >= 0 and not w.out >> gpio & 1:
                return n
        return -1

    def write_readinto(self, ask, got):
        w = wires.WIRES
        n = self._selected()
        if n < 0:
            self._chain(got)
            self.write(ask)
            return
        if w.raise_now:
            w.raise_now = False
            raise KeyboardInterrupt
        channel = 8 * n + ((ask[0] & 1) << 2 | ask[1] >> 6)
        if w.sums[channel] == 0xFFFF:
            got[0] = got[1] = got[2] = 0xFF  # nobody drives the line
            return
        counts = w.convert(channel, w.sums[channel])
        got[0] = 0xFF  # nobody drives the line before the low bit and the result
        got[1] = 0xE0 | counts >> 8
        got[2] = counts & 0xFF

    def _chain(self, got):
        word = wires.WIRES.chain
        for k in range(len(got)):
            got[k] = word >> 8 & 0xFF
            word = word << 8 & 0xFFFF

    def readinto(self, got, write=0):
        self._chain(got)
        self.write(bytes([write] * len(got)))

    def write(self, sent):
        w = wires.WIRES
        for byte in sent:
            w.shifting = (w.shifting << 8 | byte) & 0xFFFF


class WDT:
    def __init__(self, id=0, timeout=5000):
        w = wires.WIRES
        w.wdt_us = timeout * 1000
        self.feed()

    def feed(self):
        wires.WIRES.fed_us = wires.WIRES.us


def reset():
    wires.WIRES.exchange(wires.RESET)


def idle():
    wires.WIRES.advance(100)
