"""Sampling: one tick's raw values from pins, registers and converters, written in place. Decides nothing."""

from time import ticks_diff, ticks_us

from machine import Pin, mem16, mem32
from micropython import const

from loopwarden.board.channels import channel_at
from loopwarden.board.chip import EDGES, FELL, GPIO_IN
from loopwarden.board.lines import CrashLine, PeriodLine, PulseLine
from loopwarden.convert.isolation import LINE
from loopwarden.convert.loops import LEVEL, RESISTOR, TOGGLED
from loopwarden.convert.raw import ALL, ZONE
from loopwarden.signals import LOOP0, STOP

_SHIFT_IN = const(200)
_STOP, _CRASH = const(5), const(6)  # places in pins_in, the order of the signals word
_TIED, _TIED_RIGHT = const(0x8001), const(0x8000)  # two bits of the input registers
_SLOW_US = const(200)  # a flash operation that took longer may have touched an edge


class Inputs:
    """Bound to one build; `sample` fills a Raw."""

    def __init__(self, build, bus, driver):
        self.bus, self.driver = bus, driver
        channels = [channel_at(place, bus) for place in build.pins_channel]
        # Saved bound methods: looking a method up costs more than calling it.
        self.pack, self.second, self.current, self.supply, self.reference = [c and c.read for c in channels]
        self.zones = [channel_at(place, bus).read16 for place in build.pins_zone]
        self.pin_mask = self.chain_mask = 0
        self.echo_bits = self.echo_pins = self.echo_chain = 0
        self.maps, self.resistors = [], []
        self.halves = []
        self.latched_mask = 0
        for bit, place in enumerate(build.pins_in):
            if place >= 0 and bit != _CRASH:
                self._map(1 << bit, place)
        self._latch(STOP, build.pins_in[_STOP])
        self._loops(build, bus)
        self.chain_bits = 0
        for bit, place, _ in self.maps:
            if place >= _SHIFT_IN:
                self.chain_bits |= bit
        self.word = self.chain = -1
        self.silent = True  # the chain did not answer in the last tick
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
        elif isolation >= 0:
            self.isolation = PeriodLine(isolation)
        if speed >= 0:
            self.speed = PulseLine(speed)
        if build.pins_in[_CRASH] >= 0:
            self.crash = CrashLine(build.pins_in[_CRASH])
            self.crash_mask = 1 << build.pins_in[_CRASH]
        self.fresh = self.count = 0

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
        word, clear = half & ~3, FELL << (place & 7) * 4
        self.halves.append((half, FELL << (place & 3) * 4, bit, word, clear))
        mem32[word] = clear  # what fell while the board came up says nothing

    def _loops(self, build, bus):
        for loop, place in enumerate(build.pins_loop):
            sense = build.convert_loop_sense[loop]
            if sense == RESISTOR:
                self.resistors.append((loop, channel_at(place, bus).read))
            elif sense == TOGGLED:
                self._map(LOOP0 << loop, place)
                self._echo(LOOP0 << loop, place)
            elif sense == LEVEL:
                self._map(LOOP0 << loop, place)
                self._latch(LOOP0 << loop, place)

    def _echo(self, bit, place):
        self.echo_bits |= bit
        if place >= _SHIFT_IN:
            self.echo_chain |= 1 << (place - _SHIFT_IN)
        else:
            self.echo_pins |= 1 << place

    def sample(self, raw):
        """Fill `raw`. Heap: none."""
        raw.pack_counts = self.pack()
        raw.bus_counts = self.second()
        if self.current:
            raw.current_counts = self.current()
        for resistor in self.resistors:
            raw.loop_counts[resistor[0]] = resistor[1]()
        if raw.turn & ZONE:
            raw.zone_counts16[raw.zone] = self.zones[raw.zone]()
        elif raw.turn:
            self._slow(raw)
        self._levels(raw, self.driver.driven)
        if self.isolation:
            if self.isolation.fresh != self.fresh:
                self._isolation(raw, self.isolation)
            elif raw.isolation_fresh:
                raw.isolation_fresh = 0
        if self.speed:
            if self.speed.count != self.count:
                self._speed(raw, self.speed)
            elif raw.speed_pulses != 0:
                raw.speed_pulses = 0

    def _slow(self, raw):
        raw.supply_counts = self.supply()
        if self.reference:
            raw.reference_counts = self.reference()
        if raw.turn == ALL:  # all zones once, so that none begins as stale
            self._all_zones(raw)

    def _all_zones(self, raw):
        zone = len(self.zones)
        while zone:
            zone -= 1
            raw.zone_counts16[zone] = self.zones[zone]()

    def _levels(self, raw, driven):
        # Echoes are looked at as if a low level had been driven, so that those of a closed loop stay what they are.
        pins = mem32[GPIO_IN]
        chain = 0
        if self.chain_bits:
            chain = self.bus.exchange()
            if self.silent or chain & _TIED != _TIED_RIGHT:
                self._answered(raw, chain & _TIED == _TIED_RIGHT)
        raw.loop_driven = driven
        if driven:
            pins ^= self.echo_pins
            chain ^= self.echo_chain
        if pins & self.pin_mask != self.word or chain & self.chain_mask != self.chain:
            self._look(pins & self.pin_mask, chain & self.chain_mask)
        levels = self.levels
        if driven:
            levels ^= self.echo_bits
        raw.levels = levels
        if self.isolation_pin:
            raw.isolation_level = 1 if pins & self.isolation_pin else 0
        if self.crash:
            if self.crash.longest_us or pins & self.crash_mask:
                raw.crash_us = self.crash.take_us(pins & self.crash_mask)
            else:
                raw.crash_us = 0
        raw.latched = ~levels & self.latched_mask
        self._latched(raw)

    def _answered(self, raw, right):
        self.silent = not right
        if right:
            raw.known |= self.chain_bits
        else:
            raw.known &= ~self.chain_bits  # S10

    def _look(self, pins, chain):
        # Only when a level has changed.
        levels = 0
        n = len(self.maps)
        while n:
            n -= 1
            if (chain if self.maps[n][1] >= _SHIFT_IN else pins) & self.maps[n][2]:
                levels |= self.maps[n][0]
        self.levels = levels
        self.word = pins
        self.chain = chain

    def _latched(self, raw):
        # Cleared is only what was seen: an edge that comes between the look and the clearing of another is kept (S3).
        for half in self.halves:
            if mem16[half[0]] & half[1]:
                mem32[half[3]] = half[4]
                raw.latched |= half[2]

    def _isolation(self, raw, line):
        self.fresh = line.fresh
        raw.isolation_fresh = 1
        raw.isolation_high_us = line.high_us
        raw.isolation_low_us = line.low_us

    def _speed(self, raw, line):
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
