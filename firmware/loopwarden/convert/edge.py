"""The edge: one tick's raw values to the inputs of the policy. The same code on the board and in the simulator.

Judges whether a reading can be believed; what a believed reading means is the policy's business.
"""

from micropython import const

from loopwarden.convert.isolation import Isolation
from loopwarden.convert.linear import COUNTS_MAX, NO_LOWEST, RAIL_HIGH, RAIL_LOW, Linear
from loopwarden.convert.loops import Loops
from loopwarden.convert.raw import ALL, ZONE, Raw
from loopwarden.convert.speed import Speed
from loopwarden.convert.zones import Zones
from loopwarden.signals import (
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
_CLOSED_WHEN_LOW = const(2)  # build.feedback: contacts that are closed while the main contact is open


class Edge:
    """Bound to one build. Write `raw`, then call `fill`.

    raw   the Raw that the board or the simulator writes in place
    """

    def __init__(self, build):
        self.raw = Raw()
        lowest_mv = -2 * build.noise_mv - build.convert_bus_full_mv // build.convert_bus_full_counts
        self.pack = Linear(
            build.convert_pack_zero_counts,
            build.convert_pack_full_counts,
            build.convert_pack_full_mv,
            build.convert_pack_low_counts,
            build.convert_pack_high_counts,
            lowest_mv,
        )
        self.bus = Linear(
            build.convert_bus_zero_counts,
            build.convert_bus_full_counts,
            build.convert_bus_full_mv,
            build.convert_bus_low_counts,
            build.convert_bus_high_counts,
            lowest_mv,
        )
        self.current = None
        if build.current_fitted:
            self.current = Linear(
                build.convert_current_zero_counts,
                build.convert_current_full_counts,
                build.convert_current_full_ma,
                build.convert_current_low_counts,
                build.convert_current_high_counts,
                NO_LOWEST,
            )
        self.supply = Linear(0, build.convert_supply_full_counts, build.convert_supply_full_mv, RAIL_LOW, RAIL_HIGH, 0)
        self.reference = None
        if build.reference_fitted:
            self.reference = Linear(0, COUNTS_MAX, build.convert_reference_full_mv, RAIL_LOW, RAIL_HIGH, 0)
        self.zones = Zones(build)
        self.loops = Loops(build)
        self.isolation = Isolation(build)
        self.speed = None
        if build.speed_fitted:
            self.speed = Speed(build)
        if len(build.can) > 2:
            from loopwarden.convert.frames import fit  # here, so that it takes no heap where there is no bus

            fit(self, build)
        self.crash_us = build.convert_crash_pulse_ms * 1000
        self.invert = _HIGH_IS_HEALTHY
        if build.feedback == _CLOSED_WHEN_LOW:
            self.invert |= AUX_POSITIVE | AUX_NEGATIVE
        self.absent = 0  # inputs that the build does not have: always known, always "nothing to report"
        if not build.coil_feedback_fitted:
            self.absent |= COIL_FAULT
        if not build.lamp_feedback_fitted:
            self.absent |= LAMP_FAULT
        self.known = -1  # of the last tick; -1 after one in which something was latched
        self.bus_line, self.pack_line = self.bus.line, self.pack.line
        self.current_line = self.current and self.current.line
        self.edge_loops = self.loops.level << _LOOP_SHIFT  # an opening shorter than a tick is latched

    def fill(self, inputs, dt_ms):
        """Write every reading of `inputs`, the same object at every call, from `raw`, `dt_ms` after the last one.

        Heap: none; errors: none.
        """
        raw = self.raw
        if self.loops.step(raw) or raw.latched or raw.crash_us or raw.known != self.known:
            self._levels(raw, inputs)
        # What is good in every tick is reckoned here, without a call; all else is judged by `read`.
        counts, line = raw.bus_counts, self.bus_line
        if counts and line[0] <= counts <= line[1] and not inputs.bus_state:
            inputs.bus_mv = (counts - line[2]) * line[3] >> line[4]
        else:
            inputs.bus_mv = self.bus.read(counts)
            inputs.bus_state = self.bus.state
        counts, line = raw.pack_counts, self.pack_line
        if counts and line[0] <= counts <= line[1] and not inputs.pack_state:
            inputs.pack_mv = (counts - line[2]) * line[3] >> line[4]
        else:
            inputs.pack_mv = self.pack.read(counts)
            inputs.pack_state = self.pack.state
        if self.current:
            counts, line = raw.current_counts, self.current_line
            if counts and line[0] <= counts <= line[1] and not inputs.current_state:
                inputs.current_ma = (counts - line[2]) * line[3] >> line[4]
            else:
                inputs.current_ma = self.current.read(counts)
                inputs.current_state = self.current.state
        if raw.turn & ZONE:
            raw.zone = self.zones.step(raw.zone_counts16, inputs)
        elif raw.turn:
            self._supply(raw, inputs)
        raw.turn = (raw.turn + 1) & 3
        age_ms = self.isolation.age_ms + dt_ms
        if raw.isolation_fresh or age_ms > self.isolation.quick_ms:
            self._isolation(inputs, dt_ms)
        else:
            self.isolation.age_ms = inputs.isolation_age_ms = age_ms
        if self.speed and self.speed.step(raw, dt_ms):
            self._speed(self.speed, inputs)

    def _isolation(self, inputs, dt_ms):
        isolation = self.isolation
        isolation.step(self.raw, dt_ms)
        inputs.isolation_ohm = isolation.ohm
        inputs.isolation_state = isolation.state
        inputs.isolation_age_ms = isolation.age_ms

    def _speed(self, speed, inputs):
        inputs.speed_mm_s = speed.mm_s
        inputs.speed_state = speed.state
        inputs.speed_pulses = speed.pulses

    def _supply(self, raw, inputs):
        if raw.turn == ALL:
            raw.zone = self.zones.step(raw.zone_counts16, inputs)
        inputs.supply_mv = self.supply.read(raw.supply_counts)
        inputs.supply_state = self.supply.state
        if self.reference:
            inputs.reference_mv = self.reference.read(raw.reference_counts)
            inputs.reference_state = self.reference.state

    def _levels(self, raw, inputs):
        loops = self.loops
        bits = (raw.levels ^ self.invert) & ~(LOOPS | CRASH | self.absent)
        latch = raw.latched & (STOP | self.edge_loops)
        if raw.crash_us and raw.crash_us >= self.crash_us:
            bits |= CRASH
            latch |= CRASH
        inputs.bits = bits | loops.closed << _LOOP_SHIFT
        inputs.known = (raw.known | self.absent) & ~(loops.unread << _LOOP_SHIFT)
        inputs.latch = latch
        self.known = -1 if latch else raw.known
        inputs.loop_low = loops.low
        inputs.loop_high = loops.high
