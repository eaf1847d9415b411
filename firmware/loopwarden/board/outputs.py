"""Driving: one tick's commands to pins, duty cycles and registers. Decides nothing.

Every output is born off. The pin of the high-voltage lamps holds them off, so it is the only one that is high for
"dark" (S5): a board in reset or at its prompt, whose heartbeat has stopped, shows them lit by their wiring.
"""

from machine import PWM, Pin, mem32
from micropython import const

from loopwarden.board.chip import GPIO_OUT_CLR, GPIO_OUT_SET

_SHIFT_OUT = const(300)
_FAST = const(8)  # so many of pins_out have pins of their own and are written in every tick
# The rest, a bit each in the order of the plan; the loops' drive is the last.
_READY, _CAUTION, _CHARGER, _LOADS, _HOLD = const(1), const(2), const(4), const(8), const(16)
_HEATER, _CHILLER, _VALVE, _SHARE = const(32), const(64), const(128), const(256)
_HOLD_PLACE = const(4)
_OFTEN = const(1 | 8 | 16)  # on in a drive: _READY, _LOADS, _HOLD; what is as usual costs a look and no more
_DUTY_HZ = const(1000)
_ZERO, _SPAN = const(6554), const(52428)  # 10 % means a limit of zero, 90 % the full one; of 65535
_FULL = const(1000)


class Driver:
    """Bound to one build. `driven`: the level that the toggled loops have now.

    drive(outputs)   writes every command, the ones a promise hangs on first. Heap: none.
    """

    def __init__(self, build, bus):
        self.bus = bus
        self.pins = 0  # that are written in every tick
        fast = [self._fast(place) for place in build.pins_out[:_FAST]]
        # The slow ones, by their place after the fast: a mask each, 0 where it lies on the other or is not there.
        self.pin, self.bit = [], []
        self.bits = self.pins_slow = 0
        for place in build.pins_out[_FAST:]:
            self._slow_place(place)
        self.drive_bit, self.drive_pin = self.bit.pop(), self.pin.pop()
        self.words = (bytearray(2), bytearray(2))  # what the registers get, by the level of the toggled loops
        self.pins_slow &= ~self.drive_pin
        self.duties = [self._duty(gpio) for gpio in build.pins_duty]
        self.driven = 0
        self.asked = self.slow = 0
        self.off()
        drives = self._drives(fast)
        next(drives)
        self.drive = drives.send

    def _fast(self, place):
        if place < 0:
            return 0
        Pin(place, Pin.OUT, value=0)
        self.pins |= 1 << place
        return 1 << place

    def _slow_place(self, place):
        on_register = place >= _SHIFT_OUT
        self.bit.append(1 << (place - _SHIFT_OUT) if on_register else 0)
        self.pin.append(0 if on_register or place < 0 else 1 << place)
        self.bits |= self.bit[-1]
        self.pins_slow |= self.pin[-1]
        if self.pin[-1]:
            Pin(place, Pin.OUT, value=0)

    def _duty(self, gpio):
        if gpio < 0:
            return None
        pwm = PWM(Pin(gpio))
        pwm.freq(_DUTY_HZ)
        pwm.duty_u16(0)
        return pwm

    def _drives(self, fast):
        # A generator, as that of the inputs.
        o = on = slow = driven = 0
        positive, negative, precharge, discharge, inverter_enable, lamp_stop, lamps_dark, heartbeat = fast
        pins, drive_pin, words = self.pins, self.drive_pin, self.words
        drive_permille = charge_permille = pump_permille = fan_permille = -1  # as they were told last
        write = latch = None
        if self.bits:
            write, latch = self.bus.spi.write, self.bus.latch
        registers, pins_off, pins_on = mem32, GPIO_OUT_CLR, GPIO_OUT_SET
        while True:
            o = yield
            on = 0 if o.lamp_hv else lamps_dark  # S5
            if o.positive:
                on |= positive
            if o.negative:
                on |= negative
            if o.precharge:
                on |= precharge
            if o.discharge:
                on |= discharge
            if o.inverter_enable:
                on |= inverter_enable
            if o.lamp_stop:
                on |= lamp_stop
            if o.heartbeat:
                on |= heartbeat  # S11: made by the loop, in each of its ticks
            registers[pins_off] = pins ^ on  # each of them is on or off
            registers[pins_on] = on
            # What no promise hangs on, and the toggled loops' level, which changes in every tick.
            slow = _OFTEN
            if not o.lamp_ready:
                slow ^= _READY
            if o.lamp_caution:
                slow |= _CAUTION
            if not o.hold:
                slow ^= _HOLD
            if not o.hv_loads_enable:
                slow ^= _LOADS
            if o.charger_enable:
                slow |= _CHARGER
            if o.chill_valve:
                slow |= _VALVE
            if o.heater:
                slow |= _HEATER
            if o.heat_share:
                slow |= _SHARE
            if o.chiller:
                slow |= _CHILLER
            if slow != self.asked:
                if self.asked < 0:  # all was off: what is at its old level is told again
                    drive_permille = charge_permille = pump_permille = fan_permille = -1
                self._place(slow)
            driven ^= 1
            self.driven = driven
            if drive_pin:
                registers[pins_on if driven else pins_off] = drive_pin
            if latch:
                write(words[driven])
                latch(0)
                latch(1)
            if o.drive_limit_permille != drive_permille:
                drive_permille = o.drive_limit_permille
                self._limit(0, drive_permille)
            if o.charge_limit_permille != charge_permille:
                charge_permille = o.charge_limit_permille
                self._limit(1, charge_permille)
            if o.pump_permille != pump_permille:
                pump_permille = o.pump_permille
                self._level(2, pump_permille)
            if o.fan_permille != fan_permille:
                fan_permille = o.fan_permille
                self._level(3, fan_permille)

    def _place(self, asked):
        # Only when something has changed: which bits and pins that means.
        self.asked = asked
        slow = pins = n = 0
        bit, pin = self.bit, self.pin
        while asked:
            if asked & 1:
                slow |= bit[n]
                pins |= pin[n]
            asked >>= 1
            n += 1
        self.slow = slow
        mem32[GPIO_OUT_CLR] = self.pins_slow & ~pins
        mem32[GPIO_OUT_SET] = pins
        self._words(slow)

    def _words(self, slow):
        low, high = self.words
        low[0], low[1] = slow >> 8, slow & 0xFF
        slow |= self.drive_bit
        high[0], high[1] = slow >> 8, slow & 0xFF

    def _limit(self, n, permille):
        if self.duties[n]:
            self.duties[n].duty_u16(_ZERO + (permille * _SPAN + _FULL // 2) // _FULL)

    def _level(self, n, permille):
        if self.duties[n]:
            self.duties[n].duty_u16(permille * 65535 // _FULL)

    def off(self):
        """Every command off, now; hold stays, the lamps go to what their wiring says (S11). Heap: none."""
        mem32[GPIO_OUT_CLR] = self.pins | self.pins_slow & ~self.pin[_HOLD_PLACE] | self.drive_pin
        for pwm in self.duties:
            if pwm:
                pwm.duty_u16(0)  # no duty at all means zero at the receiver
        self.asked = -1  # what was asked is no longer what is
        if self.bits:
            self._words(self.slow & self.bit[_HOLD_PLACE])
            self.bus.shift(self.words[0])
