"""Pack and bus voltage, current, contactors while they are closed. Judges, never acts."""

from micropython import const

from loopwarden.policy.part import Part

# The hardest first: where much is confirmed at once it becomes active first.
_SLOTS = ((51, 0), (35, 0), (36, 0), (37, 0), (38, 0), (52, 0), (52, 1), (53, 0), (53, 1), (39, 0), (39, 1), (50, 0))
_DROPPED, _PACK_BAD, _BUS_BAD, _DISAGREE, _CURRENT_BAD, _PACK_OVER = [1 << n for n in range(6)]
_BUS_OVER, _PACK_UNDER, _BUS_UNDER, _DRIVE_OVER, _CHARGE_OVER, _FEEDBACK = [1 << n for n in range(6, 12)]
_NO_PACK = _PACK_BAD | (_PACK_OVER | _PACK_UNDER | _DISAGREE) << 15  # with what cannot be judged then
_NO_BUS = _BUS_BAD | (_BUS_OVER | _BUS_UNDER | _DISAGREE) << 15
_NO_CURRENT = _CURRENT_BAD | (_DRIVE_OVER | _CHARGE_OVER) << 15
_APART = const(10000)  # pack and bus agree within 10 V, or within 5 %
_PROVEN_MS = const(10000)
_CURRENT_GONE_MS = const(220)  # for so long "current 0 right after being above threshold" stays a sign


class Electrics(Part):
    """Attributes: pack_ok, bus_ok, dead_ms (bus validly below the dead level, up to 10 s), rest_mv (pack unloaded).

    low: 1 when the current is known to be below its threshold, 0 when it is known not to be, -1 unknown.

    Set by the phases: live (both mains closed, their travel time over), closing (a contactor moves, feedback is not
    judged).
    """

    uses = ("switches",)

    def __init__(self, build, faults):
        self.live = self.closing = self.pack_ok = self.bus_ok = self.dead_ms = self.gone_ms = self.steady = 0
        self.last_bus_mv = self.last_current_ma = self.rest_mv = self.calm = 0
        self.low = -1
        faults.set_ms[39] = build.over_current_ms
        self.group = faults.add(_SLOTS)
        self.low_mv, self.high_mv, self.aux = build.pack_under_mv, build.pack_over_mv, 3 if build.feedback else 0
        self.can_be_mv, self.can_be_to_mv = build.pack_low_mv, build.pack_high_mv
        self.fitted, self.threshold_ma = build.current_fitted, build.current_threshold_ma
        self.drive_ma, self.charge_ma = build.drive_current_ma, build.charge_current_ma

    def step(self):
        """Judge one tick; a live one like the one before, with everything in order, takes the short way."""
        i = self.inputs
        pack = i.pack_mv
        bus = i.bus_mv
        if i.pack_state or pack is None or not self.can_be_mv <= pack <= self.can_be_to_mv:
            self.pack_ok = 0
            bad = _NO_PACK
        else:
            self.pack_ok = 1
            bad = _PACK_OVER if pack >= self.high_mv else _PACK_UNDER if pack <= self.low_mv else 0
        if self.fitted:
            bad |= self._current(i.current_ma, i.current_state)
        if self.calm and not (bad or i.bus_state or bus is None) and self.low_mv < bus < self.high_mv:
            if -_APART < pack - bus < _APART and self.switches.reported == self.aux:
                self.last_bus_mv = bus
                return
        bad |= self._bus(bus, pack, self.build)
        if (
            not self.closing
            and self.switches.reported != (self.outputs.positive | self.outputs.negative << 1) & self.aux
        ):
            bad |= _FEEDBACK
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad, bad & _DROPPED)
        self.calm = self.live and not (self.steady or self.gone_ms)

    def _bus(self, bus, pack, b):
        bad = bus is not None and bus < b.dead_mv and self.last_bus_mv > 3 * b.dead_mv
        if bad or self.inputs.bus_state or bus is None or not -b.noise_mv <= bus <= b.bus_max_mv:
            # From high to dead within a tick no capacitor falls: that is no reading either (S10), until it could have.
            self.bus_ok = self.dead_ms = 0
            bad = b.discharge_window_ms // 2 if self.outputs.discharge else b.bleed_tau_ms
            if self.outputs.discharge or not self.live:
                self.last_bus_mv -= self.last_bus_mv * self.faults.dt // bad
            return _NO_BUS
        self.bus_ok = 1
        self.dead_ms = min(self.dead_ms + self.faults.dt, _PROVEN_MS) if bus < b.dead_mv else 0
        bad = _BUS_OVER if bus >= b.pack_over_mv else 0
        if self.live:
            bad |= _BUS_UNDER if bus <= self.low_mv else 0
            apart = self.pack_ok and abs(pack - bus)
            bad |= _DISAGREE if apart > _APART and apart * 20 > pack else 0
            # Contactor dropped out needs two independent signs; one alone is a sensor or a contact that lies.
            signs = (1 if bad & _DISAGREE and bus < self.last_bus_mv + b.noise_mv else 0) + (1 if self.gone_ms else 0)
            signs += 1 if self.switches.reported != self.aux and not self.faults.places[50] else 0
            bad |= _DROPPED if signs > 1 else 0
        self.last_bus_mv = bus
        return bad

    def _current(self, now, state):
        if state or now is None:
            self.gone_ms = 0
            self.low = -1
            return _NO_CURRENT
        limit = self.threshold_ma
        o = self.outputs
        if -limit < now < limit:
            if self.last_current_ma > 4 * limit and self.live and o.drive_limit_permille:
                self.gone_ms = _CURRENT_GONE_MS
                self.calm = 0
            elif self.gone_ms:
                self.gone_ms = max(self.gone_ms - self.faults.dt, 0)
            if self.pack_ok and self.inputs.pack_mv * 4 >= self.rest_mv * 3:  # one that fell far is no new rest voltage
                self.rest_mv = self.inputs.pack_mv
            self.last_current_ma = now
            self.low = 1
            return 0
        self.gone_ms = self.low = 0
        self.last_current_ma = now
        limit = _DRIVE_OVER if now > self.drive_ma else _CHARGE_OVER if -now > self.charge_ma else 0
        if o.negative or o.positive or o.precharge or self.closing:
            return limit
        self.low = -1  # a current that cannot be is no reading
        return limit | _CURRENT_BAD

    def sagged(self):
        """1 when the pack fell by more than a quarter of its rest voltage with no load on it."""
        return self.pack_ok and self.inputs.pack_mv * 4 < self.rest_mv * 3 and not self.inverter_load()

    def inverter_load(self):
        """1 while the pack is connected, unless the current is known to be below its threshold."""
        now = self.inputs.current_ma
        return self.live and (now is None or abs(now) >= self.threshold_ma)
