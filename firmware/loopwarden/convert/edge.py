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
        self.inputs = None
        self.edge_loops = self.loops.level << _LOOP_SHIFT  # an opening shorter than a tick is latched

    def bind(self, inputs):
        """Take the object that is filled from now on; returns `fill` for it, which then wants dt_ms only.

        A copy of this object has to be bound before it is used: generators are not copied.
        """
        self.loops.begin()
        self.zones.bind(inputs, self.raw.zone)
        if self.inputs:
            self.isolation.age_ms = self.inputs.isolation_age_ms
        fills = self._fills(self.raw, inputs)
        next(fills)
        self.inputs, self.fill_bound = inputs, fills.send
        return fills.send

    def fill(self, inputs, dt_ms):
        """Write every reading of `inputs`, the same object at every call, from `raw`, `dt_ms` after the last one.

        Heap: none after the first call; errors: none.
        """
        if inputs is not self.inputs:
            self.bind(inputs)
        self.fill_bound(dt_ms)

    def _fills(self, raw, i):
        # A generator, as in loops.py. What is good in every tick is reckoned here, all else is judged by the parts.
        counts = ms = turn = age_ms = bus_state = pack_state = 0
        bus, pack, current, supply, reference = self.bus, self.pack, self.current, self.supply, self.reference
        bus_first, bus_high, bus_zero, bus_slope, bus_shift = bus.line
        pack_first, pack_high, pack_zero, pack_slope, pack_shift = pack.line
        first = high = zero = slope = shift = 0
        is_current, is_reference = current is not None, reference is not None
        if is_current:
            first, high, zero, slope, shift = current.line
        loops_step, zones_step, isolation = self.loops.step, self.zones.step, self.isolation
        speed_step = None if self.speed is None else self.speed.bind(raw, i)
        bus_state = pack_state = current_state = -1  # of the last reading, 0 where it was good
        age_ms, quick_ms = isolation.age_ms, isolation.quick_ms
        turn = raw.turn
        known = -1  # of the last tick; -1 after one in which something was latched
        while True:
            ms = yield
            if loops_step(raw) or raw.latched or raw.crash_us or raw.known != known:
                known = self._levels(raw, i)
            counts = raw.bus_counts
            if counts and bus_first <= counts <= bus_high and not bus_state:
                i.bus_mv = (counts - bus_zero) * bus_slope >> bus_shift
            else:
                i.bus_mv = bus.read(counts)
                i.bus_state = bus_state = bus.state
            counts = raw.pack_counts
            if counts and pack_first <= counts <= pack_high and not pack_state:
                i.pack_mv = (counts - pack_zero) * pack_slope >> pack_shift
            else:
                i.pack_mv = pack.read(counts)
                i.pack_state = pack_state = pack.state
            if is_current:
                counts = raw.current_counts
                if counts and first <= counts <= high and not current_state:
                    i.current_ma = (counts - zero) * slope >> shift
                else:
                    i.current_ma = current.read(counts)
                    i.current_state = current_state = current.state
            if turn & ZONE:
                raw.zone = zones_step(raw.zone_counts16)
            elif turn:
                if turn == ALL:
                    raw.zone = zones_step(raw.zone_counts16)
                i.supply_mv = supply.read(raw.supply_counts)
                i.supply_state = supply.state
                if is_reference:
                    i.reference_mv = reference.read(raw.reference_counts)
                    i.reference_state = reference.state
            raw.turn = turn = turn + 1 & 3
            if raw.isolation_fresh or age_ms + ms > quick_ms:
                isolation.age_ms = age_ms
                isolation.step(raw, ms)
                age_ms = isolation.age_ms
                i.isolation_ohm = isolation.ohm
                i.isolation_state = isolation.state
            else:
                age_ms += ms
            i.isolation_age_ms = age_ms
            if speed_step:
                speed_step(ms)

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
        inputs.loop_low = loops.low
        inputs.loop_high = loops.high
        return -1 if latch else raw.known
