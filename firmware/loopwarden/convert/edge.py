"""The edge: one tick's raw values to the inputs of the policy. The same code on the board and in the simulator.

Judges whether a reading can be believed; what a believed reading means is the policy's business.
"""

from micropython import const

from loopwarden.convert.isolation import Isolation
from loopwarden.convert.linear import RAIL_LOW, Linear
from loopwarden.convert.loops import LEVEL, Loops
from loopwarden.convert.raw import Raw
from loopwarden.convert.speed import Speed
from loopwarden.convert.zones import Zones
from loopwarden.policy.signals import (
    AUX_NEGATIVE,
    AUX_POSITIVE,
    COIL_FAULT,
    CRASH,
    LAMP_FAULT,
    LOOPS,
    STOP,
)

# Wired so that the healthy level is high: a broken wire reads as the bad news (S3, S10).
_HIGH_IS_HEALTHY = const((1 << 5) | (1 << 11) | (1 << 12))  # STOP, COIL_FAULT, LAMP_FAULT
_LOOP_SHIFT = const(16)  # of LOOP0
_BELOW_ANY = const(-(1 << 29))
_CLOSED_WHEN_LOW = const(2)  # build.feedback: contacts that are closed while the main contact is open


class Edge:
    """Bound to one build. Write `raw`, then call `fill`.

    raw   the Raw that the board or the simulator writes in place
    """

    def __init__(self, build):
        self.raw = Raw()
        self.pack = _voltage(build.convert_pack)
        self.bus = _voltage(build.convert_bus)
        self.current = None
        if build.convert_current:
            self.current = Linear(build.convert_current[0], build.convert_current[1], RAIL_LOW, _BELOW_ANY)
        self.supply = Linear(0, build.convert_supply_slope, RAIL_LOW, 0)
        self.reference = None
        if build.convert_reference_slope:
            self.reference = Linear(0, build.convert_reference_slope, RAIL_LOW, 0)
        self.zones = Zones(build)
        self.loops = Loops(build)
        self.isolation = Isolation(build)
        self.speed = None
        if build.convert_speed_um:
            self.speed = Speed(build)
        self.crash_us = build.convert_crash_us
        self.invert = _HIGH_IS_HEALTHY
        if build.feedback == _CLOSED_WHEN_LOW:
            self.invert |= AUX_POSITIVE | AUX_NEGATIVE
        self.absent = 0  # inputs that the build does not have: always known, always "nothing to report"
        if not build.convert_coil_feedback:
            self.absent |= COIL_FAULT
        if not build.convert_lamp_feedback:
            self.absent |= LAMP_FAULT
        self.edge_loops = 0  # level loops: an opening shorter than a tick is latched
        for loop in range(self.loops.count):
            if build.convert_loop_sense[loop] == LEVEL:
                self.edge_loops |= 1 << (_LOOP_SHIFT + loop)

    def fill(self, inputs, dt_ms):
        """Write every reading of `inputs` from `raw`, `dt_ms` after the last call. Heap: none; errors: none."""
        raw = self.raw
        self._levels(raw, inputs)
        inputs.bus_mv = self.bus.read(raw.bus_counts)
        inputs.bus_state = self.bus.state
        inputs.pack_mv = self.pack.read(raw.pack_counts)
        inputs.pack_state = self.pack.state
        if self.current:
            inputs.current_ma = self.current.read(raw.current_counts)
            inputs.current_state = self.current.state
        inputs.supply_mv = self.supply.read(raw.supply_counts)
        inputs.supply_state = self.supply.state
        if self.reference:
            inputs.reference_mv = self.reference.read(raw.reference_counts)
            inputs.reference_state = self.reference.state
        if self.zones.count:
            self.zones.step(raw.zone_counts, inputs)
        self._isolation(raw, inputs, dt_ms)
        if self.speed:
            self._speed(raw, inputs, dt_ms)

    def _levels(self, raw, inputs):
        loops = self.loops
        loops.step(raw)
        bits = (raw.levels ^ self.invert) & ~(LOOPS | CRASH | self.absent)
        latch = raw.latched & (STOP | self.edge_loops)
        if raw.crash_us and raw.crash_us >= self.crash_us:
            bits |= CRASH
            latch |= CRASH
        inputs.bits = bits | loops.closed << _LOOP_SHIFT
        inputs.known = (raw.known | self.absent) & ~(loops.unread << _LOOP_SHIFT)
        inputs.latch = latch
        inputs.loop_low = loops.low
        inputs.loop_high = loops.high

    def _isolation(self, raw, inputs, dt_ms):
        isolation = self.isolation
        isolation.step(raw, dt_ms)
        inputs.isolation_ohm = isolation.ohm
        inputs.isolation_state = isolation.state
        inputs.isolation_age_ms = isolation.age_ms

    def _speed(self, raw, inputs, dt_ms):
        speed = self.speed
        speed.step(raw.speed_pulses, raw.speed_period_us, dt_ms)
        inputs.speed_mm_s = speed.mm_s
        inputs.speed_state = speed.state
        inputs.speed_pulses = speed.pulses


def _voltage(settings):
    return Linear(settings[0], settings[1], settings[2], settings[3])
