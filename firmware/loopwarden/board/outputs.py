"""Driving: one tick's commands to pins, duty cycles and registers. Decides nothing.

Every output is born off. The pin of the high-voltage lamps holds them off, so it is the only one that is high for
"dark" (S5): a board in reset or at its prompt, whose heartbeat has stopped, shows them lit by their wiring.
"""

from machine import PWM, Pin, mem32
from micropython import const

from loopwarden.board.rp2040 import GPIO_OUT_CLR, GPIO_OUT_SET

_SHIFT_OUT = const(300)
_HOLD, _LOOP_DRIVE = const(12), const(17)  # places in pins_out
_OUTPUTS = const(18)
_DUTY_HZ = const(1000)
_ZERO, _SPAN = const(6554), const(52428)  # 10 % means a limit of zero, 90 % the full one; of 65535
_FULL = const(1000)


class Driver:
    """Bound to one build. `driven`: the level that the toggled loops have now."""

    def __init__(self, build, bus):
        self.bus = bus
        self.pin = [0] * _OUTPUTS  # masks; 0 for what lies on a register, or is not there
        self.bit = [0] * _OUTPUTS
        self.pins = self.bits = 0
        for n, place in enumerate(build.pins_out):
            if place >= _SHIFT_OUT:
                self.bit[n] = 1 << (place - _SHIFT_OUT)
                self.bits |= self.bit[n]
            elif place >= 0:
                Pin(place, Pin.OUT, value=0)
                self.pin[n] = 1 << place
                self.pins |= self.pin[n]
        self.duties = [self._duty(gpio) for gpio in build.pins_duty]
        self.told = [-1] * 4
        self.driven = 0
        self.fast = self.pin[:8]
        self.slow = 0  # the word for the registers, and the slow outputs that have pins
        self.slow_pins = 0
        self.off()

    def _duty(self, gpio):
        if gpio < 0:
            return None
        pwm = PWM(Pin(gpio))
        pwm.freq(_DUTY_HZ)
        pwm.duty_u16(0)
        return pwm

    def drive(self, o):
        """Write every command of `o`, the ones a promise hangs on first. Heap: none."""
        positive, negative, precharge, discharge, inverter, stop, dark, heartbeat = self.fast
        on = 0
        if o.positive:
            on |= positive
        if o.negative:
            on |= negative
        if o.precharge:
            on |= precharge
        if o.discharge:
            on |= discharge
        if o.inverter_enable:
            on |= inverter
        if o.lamp_stop:
            on |= stop
        if not o.lamp_hv:
            on |= dark  # S5
        if o.heartbeat:
            on |= heartbeat  # S11: made by the loop, in each of its ticks
        self._slow(o)
        on |= self.slow_pins
        mem32[GPIO_OUT_CLR] = self.pins & ~on
        mem32[GPIO_OUT_SET] = on
        if self.bits:
            self.bus.shift(self.slow)
        told = self.told
        if o.drive_limit_permille != told[0]:
            self._limit(0, o.drive_limit_permille)
        if o.charge_limit_permille != told[1]:
            self._limit(1, o.charge_limit_permille)
        if o.pump_permille != told[2]:
            self._level(2, o.pump_permille)
        if o.fan_permille != told[3]:
            self._level(3, o.fan_permille)

    def _slow(self, o):
        # What no promise hangs on, and the toggled loops' level, which changes in every tick.
        bit, pin = self.bit, self.pin
        word = pins = 0
        if o.lamp_ready:
            word |= bit[8]
            pins |= pin[8]
        if o.lamp_caution:
            word |= bit[9]
            pins |= pin[9]
        if o.charger_enable:
            word |= bit[10]
            pins |= pin[10]
        if o.hv_loads_enable:
            word |= bit[11]
            pins |= pin[11]
        if o.hold:
            word |= bit[_HOLD]
            pins |= pin[_HOLD]
        if o.heater:
            word |= bit[13]
            pins |= pin[13]
        if o.chiller:
            word |= bit[14]
            pins |= pin[14]
        if o.chill_valve:
            word |= bit[15]
            pins |= pin[15]
        if o.heat_share:
            word |= bit[16]
            pins |= pin[16]
        self.driven ^= 1
        if self.driven:
            word |= bit[_LOOP_DRIVE]
            pins |= pin[_LOOP_DRIVE]
        self.slow = word
        self.slow_pins = pins

    def _limit(self, n, permille):
        self.told[n] = permille
        if self.duties[n]:
            self.duties[n].duty_u16(_ZERO + (permille * _SPAN + _FULL // 2) // _FULL)

    def _level(self, n, permille):
        self.told[n] = permille
        if self.duties[n]:
            self.duties[n].duty_u16(permille * 65535 // _FULL)

    def off(self):
        """Every command off, now; hold stays, the lamps go to what their wiring says (S11). Heap: none."""
        mem32[GPIO_OUT_CLR] = self.pins & ~self.pin[_HOLD]
        for pwm in self.duties:
            if pwm:
                pwm.duty_u16(0)  # no duty at all means zero at the receiver
        self.told[0] = self.told[1] = self.told[2] = self.told[3] = -1
        if self.bits:
            self.bus.shift(self.slow & self.bit[_HOLD])
