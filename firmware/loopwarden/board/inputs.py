"""Sampling: one tick's raw values from pins, registers and converters, written in place. Decides nothing."""

from time import ticks_diff, ticks_us

from machine import ADC, Pin, mem16, mem32
from micropython import const

from loopwarden.board.lines import CrashLine, PeriodLine, PulseLine
from loopwarden.board.rp2040 import EDGES, FELL, GPIO_IN
from loopwarden.convert.isolation import LINE
from loopwarden.convert.loops import LEVEL, RESISTOR, TOGGLED
from loopwarden.signals import LOOP0, STOP

_CONVERTER, _SHIFT_IN = const(100), const(200)
_STOP, _CRASH = const(5), const(6)  # places in pins_in, the order of the signals word
_SLOW_US = const(200)  # a flash operation that took longer may have touched an edge


class Inputs:
    """Bound to one build; `sample` fills a Raw."""

    def __init__(self, build, bus):
        self.bus = bus
        self.adc = {}
        channels = build.pins_channel
        self.pack, self.second, self.current, self.supply, self.reference = [self._channel(p) for p in channels]
        self.zones = [self._channel(place) for place in build.pins_zone]
        self.zone = -1  # none was sampled yet
        self.pin_mask = self.chain_mask = self.echo_mask = 0
        self.maps, self.echoes, self.resistors = [], [], []
        self.halves, self.cleared = [], []
        self.latched_mask = 0
        for bit, place in enumerate(build.pins_in):
            if place >= 0 and bit != _CRASH:
                self._map(1 << bit, place)
        self._latch(STOP, build.pins_in[_STOP])
        self._loops(build)
        self.chain_bits = 0
        for bit, place, _ in self.maps:
            if place >= _SHIFT_IN:
                self.chain_bits |= bit
        for bit, place in self.echoes:
            if place >= _SHIFT_IN:
                self.chain_bits |= bit
        self.word = self.chain = -1
        self.levels = 0
        self._lines(build)

    def _lines(self, build):
        isolation, speed = build.pins_line
        self.isolation_pin = 0
        self.isolation = self.speed = self.crash = None
        self.crash_mask = 0
        if build.convert_iso_output == LINE:
            Pin(isolation, Pin.IN)
            self.isolation_pin = 1 << isolation
        else:
            self.isolation = PeriodLine(isolation)
        if speed >= 0:
            self.speed = PulseLine(speed)
        if build.pins_in[_CRASH] >= 0:
            self.crash = CrashLine(build.pins_in[_CRASH])
            self.crash_mask = 1 << build.pins_in[_CRASH]
        self.fresh = self.count = 0

    def _channel(self, place):
        if 0 <= place < _CONVERTER and place not in self.adc:
            self.adc[place] = ADC(Pin(place))  # by pin: by number the pad would keep its pull-down
        return place

    def _map(self, bit, place):
        if place >= _SHIFT_IN:
            mask = 1 << (place - _SHIFT_IN)
            self.chain_mask |= mask
        else:
            Pin(place, Pin.IN)
            mask = 1 << place
            self.pin_mask |= mask
        self.maps.append((bit, place, mask))

    def _latch(self, bit, place):
        # Edges of eight pins lie in one word; half a word is read, as a whole one may not fit a small integer.
        self.latched_mask |= bit
        half = EDGES + (place >> 3) * 4 + (place >> 2 & 1) * 2
        self.halves.append((half, FELL << (place & 3) * 4, bit))
        self.cleared.append((half & ~3, FELL << (place & 7) * 4))

    def _loops(self, build):
        for loop, place in enumerate(build.pins_loop):
            sense = build.convert_loop_sense[loop]
            if sense == RESISTOR:
                self.resistors.append((loop, self._channel(place)))
            elif sense == TOGGLED:
                if place < _SHIFT_IN:
                    Pin(place, Pin.IN)
                self.echoes.append((LOOP0 << loop, place))
            elif sense == LEVEL:
                self._map(LOOP0 << loop, place)
                self._latch(LOOP0 << loop, place)

    def sample(self, raw, driven):
        """Fill `raw`; `driven` is the level that the toggled loops have had since the last tick. Heap: none."""
        raw.pack_counts = self._counts(self.pack)
        raw.bus_counts = self._counts(self.second)
        raw.supply_counts = self._counts(self.supply)
        if self.current >= 0:
            raw.current_counts = self._counts(self.current)
        if self.reference >= 0:
            raw.reference_counts = self._counts(self.reference)
        for loop, place in self.resistors:
            raw.loop_counts[loop] = self._counts(place)
        self._zones(raw)
        self._levels(raw)
        raw.loop_driven = driven
        self._edges(raw)

    def _counts(self, place):
        if place >= _CONVERTER:
            return self.bus.convert(place - _CONVERTER)
        return self.adc[place].read_u16() >> 4  # twelve bits, the first four again below them

    def _zones(self, raw):
        zone = self.zone
        if zone < 0:  # all of them once, so that none begins as stale
            for zone, place in enumerate(self.zones):
                raw.zone_counts16[zone] = self._counts16(place)
            self.zone = 1 if len(self.zones) > 1 else 0
            return
        zone += 1
        if zone >= len(self.zones):
            zone = 0
        self.zone = zone
        raw.zone_counts16[zone] = self._counts16(self.zones[zone])

    def _counts16(self, place):
        if place >= _CONVERTER:
            return self.bus.convert16(place - _CONVERTER)
        read = self.adc[place]
        counts = 0
        n = 16
        while n:
            counts += read.read_u16() >> 4
            n -= 1
        return counts

    def _levels(self, raw):
        pins = mem32[GPIO_IN]
        chain = 0
        if self.chain_bits:
            self.bus.exchange()
            chain = self.bus.chain
            if not self.bus.answers:
                raw.known &= ~self.chain_bits  # S10
            else:
                raw.known |= self.chain_bits
        if pins & self.pin_mask != self.word or chain & self.chain_mask != self.chain:
            self._look(pins & self.pin_mask, chain & self.chain_mask)
        levels = self.levels
        for bit, place in self.echoes:
            if place >= _SHIFT_IN:
                if chain >> (place - _SHIFT_IN) & 1:
                    levels |= bit
            elif pins >> place & 1:
                levels |= bit
        raw.levels = levels
        if self.isolation_pin:
            raw.isolation_level = 1 if pins & self.isolation_pin else 0
        if self.crash:
            raw.crash_us = self.crash.take_us(pins & self.crash_mask)
        latched = ~levels & self.latched_mask
        for half, mask, bit in self.halves:
            if mem16[half] & mask:
                latched |= bit
        if latched:
            for word, mask in self.cleared:
                mem32[word] = mask
        raw.latched = latched

    def _look(self, pins, chain):
        levels = 0
        for bit, place, mask in self.maps:
            if (chain if place >= _SHIFT_IN else pins) & mask:
                levels |= bit
        self.levels = levels
        self.word = pins
        self.chain = chain

    def _edges(self, raw):
        line = self.isolation
        if line:
            fresh = line.fresh
            raw.isolation_fresh = 1 if fresh != self.fresh else 0
            self.fresh = fresh
            raw.isolation_high_us = line.high_us
            raw.isolation_low_us = line.low_us
        line = self.speed
        if line:
            count = line.count
            raw.speed_pulses = (count - self.count) & 0xFFFF
            self.count = count
            raw.speed_period_us = line.period_us

    def stalled(self, since_us):
        """A flash operation that began at `since_us` just ended: edges in it came late, or not at all."""
        if ticks_diff(ticks_us(), since_us) > _SLOW_US:
            if self.isolation:
                self.isolation.void()
            if self.speed:
                self.speed.void()
