"""Sampling: one tick's raw values from pins, registers and converters, written in place. Decides nothing."""

from time import ticks_diff, ticks_us

from machine import Pin, mem16, mem32
from micropython import const

from loopwarden.board.channels import reader, reader16
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
    """Bound to one build; sample(raw) fills a Raw, the same one at every call. Heap: none."""

    def __init__(self, build, bus, driver):
        self.bus, self.driver = bus, driver
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
        self._lines(build)
        samples = self._samples(build, bus)
        next(samples)
        self.sample = samples.send

    def _lines(self, build):
        isolation, speed = build.pins_line
        self.isolation = self.speed = self.crash = None
        if build.convert_iso_output == LINE:
            Pin(isolation, Pin.IN)
        elif isolation >= 0:
            self.isolation = PeriodLine(isolation)
        if speed >= 0:
            self.speed = PulseLine(speed)
        if build.pins_in[_CRASH] >= 0:
            self.crash = CrashLine(build.pins_in[_CRASH])

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
                self.resistors.append((loop, reader(place, bus)))
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

    def _samples(self, build, bus):
        # A generator, as those of the channels; its first 16 names are the quickest. What is seldom is done by methods.
        raw = pins = chain = driven = levels = latched = turn = 0
        words, half_words, halves = mem32, mem16, self.halves
        pack, second, current, supply, reference = [reader(place, bus) for place in build.pins_channel]
        zones = [reader16(place, bus) for place in build.pins_zone]
        driver, resistors, isolation, speed, crash = self.driver, self.resistors, self.isolation, self.speed, self.crash
        # An object is looked through for what makes it true, each time that it is asked.
        by_period, by_pulse, by_crash = isolation is not None, speed is not None, crash is not None
        latch = load = None
        if self.chain_bits:
            latch, load = bus.latch, bus.spi.readinto
        word_in = self.word_in = bytearray(2)
        number = int.from_bytes
        pin_mask, echo_pins, echo_bits = self.pin_mask, self.echo_pins, self.echo_bits
        chain_mask, echo_chain = self.chain_mask, self.echo_chain
        isolation_pin = 1 << build.pins_line[0] if build.convert_iso_output == LINE else 0
        crash_pin = 1 << build.pins_in[_CRASH] if crash else 0
        latched_mask, pins_at = self.latched_mask, GPIO_IN
        word = word_chain = -1  # pins and chain of the last tick, and the levels they are
        known_levels = fresh = count = told = crash_us = 0
        pulses = -1  # of the last tick; so that the first one tells that there were none
        silent = True  # the chain did not answer in the last tick
        while True:
            raw = yield
            raw.pack_counts = pack()
            raw.bus_counts = second()
            if current:
                raw.current_counts = current()
            for loop, read in resistors:
                raw.loop_counts[loop] = read()
            turn = raw.turn
            if turn & ZONE:
                zone = raw.zone
                raw.zone_counts16[zone] = zones[zone]()
            elif turn:
                raw.supply_counts = supply()
                if reference:
                    raw.reference_counts = reference()
                if turn == ALL:  # all zones once, so that none begins as stale
                    for zone in range(len(zones)):
                        raw.zone_counts16[zone] = zones[zone]()
            pins = words[pins_at]
            if latch:
                latch(0)
                latch(1)
                load(word_in, 0)
                chain = number(word_in, "big")
                if silent or chain & _TIED != _TIED_RIGHT:
                    silent = self._is_silent(raw, chain)
            # Echoes are looked at as if a low level had been driven, so that those of a closed loop stay what they are.
            driven = driver.driven
            raw.loop_driven = driven
            if driven:
                pins ^= echo_pins
                chain ^= echo_chain
            if pins & pin_mask != word or chain & chain_mask != word_chain:
                word, word_chain = pins & pin_mask, chain & chain_mask
                known_levels = self._levels(word, word_chain)
            levels = known_levels
            if driven:
                levels ^= echo_bits
            raw.levels = levels
            latched = ~levels & latched_mask
            # Cleared is only what was seen: an edge between the look and the clearing of another is kept (S3).
            for half, fell, bit, at, clear in halves:
                if half_words[half] & fell:
                    words[at] = clear
                    latched |= bit
            raw.latched = latched
            if by_crash:
                if crash.longest_us or pins & crash_pin:
                    raw.crash_us = crash_us = crash.take_us(pins & crash_pin)
                elif crash_us:
                    raw.crash_us = crash_us = 0
            if isolation_pin:
                raw.isolation_level = 1 if pins & isolation_pin else 0
            if by_period:
                if isolation.fresh != fresh:
                    fresh = isolation.fresh
                    raw.isolation_fresh = told = 1
                    raw.isolation_high_us = isolation.high_us
                    raw.isolation_low_us = isolation.low_us
                elif told:
                    raw.isolation_fresh = told = 0
            if by_pulse:
                now = speed.count
                if now != count or pulses:
                    raw.speed_pulses = pulses = now - count & 0xFFFF
                    raw.speed_period_us = speed.period_us
                    count = now

    def _is_silent(self, raw, chain):
        if chain & _TIED != _TIED_RIGHT:
            raw.known &= ~self.chain_bits  # S10
            return True
        raw.known |= self.chain_bits
        return False

    def _levels(self, pins, chain):
        # Only when one has changed.
        levels = 0
        n = len(self.maps)
        while n:
            n -= 1
            if (chain if self.maps[n][1] >= _SHIFT_IN else pins) & self.maps[n][2]:
                levels |= self.maps[n][0]
        return levels

    def stalled(self, since_us):
        """A flash operation that began at `since_us` just ended: edges in it came late, or not at all."""
        if ticks_diff(ticks_us(), since_us) > _SLOW_US:
            if self.isolation:
                self.isolation.void()
            if self.speed:
                self.speed.void()
