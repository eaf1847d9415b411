"""Pack and bus voltage, current, contactors while they are closed. Judges, never acts."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy.part import Part

_SLOTS = ((35, 0), (36, 0), (37, 0), (38, 0), (52, 0), (52, 1), (53, 0), (53, 1), (39, 0), (39, 1), (50, 0), (51, 0))
_PACK_BAD, _BUS_BAD, _DISAGREE, _CURRENT_BAD, _PACK_OVER, _BUS_OVER = [1 << n for n in range(6)]
_PACK_UNDER, _BUS_UNDER, _DRIVE_OVER, _CHARGE_OVER, _FEEDBACK, _DROPPED = [1 << n for n in range(6, 12)]
_UNKNOWN = const(15)
_APART = const(10000)  # pack and bus agree within 10 V, or within 5 %
_PROVEN_MS = const(10000)
_CURRENT_GONE_MS = const(200)  # for so long "current 0 right after being above threshold" stays a sign


class Electrics(Part):
    """Attributes: pack_ok, bus_ok, dead_ms (bus validly below the dead level, up to 10 s), rest_mv (pack unloaded).

    Set by the phases: live (both mains closed, their travel time over), closing (a contactor moves, feedback is not
    judged).
    """

    uses = ("switches",)

    def __init__(self, build, faults):
        super().__init__(build, faults)
        self.live = self.closing = self.pack_ok = self.bus_ok = self.dead_ms = self.gone_ms = self.steady = 0
        self.last_bus_mv = self.last_current_ma = self.rest_mv = 0
        faults.default_ms[39] = build.over_current_ms
        self.group = faults.add(_SLOTS)
        self.calm = 0
        self.low_mv, self.high_mv = build.pack_under_mv, build.pack_over_mv
        self.fitted, self.threshold_ma = build.current_fitted, build.current_threshold_ma
        self.drive_ma, self.charge_ma = build.drive_current_ma, build.charge_current_ma
        self.aux = S.AUX_POSITIVE | S.AUX_NEGATIVE if build.feedback else 0

    def step(self):
        """Judge one tick; a live tick like the one before, with everything in order, takes the short way."""
        i = self.inputs
        pack = i.pack_mv
        bus = i.bus_mv
        if self.calm and not (i.pack_state or i.bus_state) and pack is not None and bus is not None:
            if self.low_mv < pack < self.high_mv and self.low_mv < bus < self.high_mv and -_APART < pack - bus < _APART:
                if self.switches.word & self.aux == self.aux and self._flows(i, pack):
                    self.last_bus_mv = bus
                    return
        bad = self._look(i, pack)
        if bad != self.steady:
            self.steady = self.faults.update(self.group, bad)
        self.calm = self.live and not self.steady and self.pack_ok and self.bus_ok and not self.gone_ms

    def _flows(self, i, pack):
        # Within the limits, and not gone to nothing at once.
        now = i.current_ma
        if now is None or i.current_state:
            return not self.fitted
        if self.threshold_ma <= now <= self.drive_ma:
            self.last_current_ma = now
            return 1
        if not -self.charge_ma <= now < self.threshold_ma or self.last_current_ma > 4 * self.threshold_ma:
            return 0
        if -self.threshold_ma < now and pack * 4 >= self.rest_mv * 3:  # one that fell far is no new rest voltage
            self.rest_mv = pack
        self.last_current_ma = now
        return 1

    def _look(self, i, pack):
        b = self.build
        bad = 0
        if i.pack_state or pack is None or pack < b.pack_low_mv or pack > b.pack_high_mv:
            self.pack_ok = 0
            bad = _PACK_BAD | (_PACK_OVER | _PACK_UNDER | _DISAGREE) << _UNKNOWN
        else:
            self.pack_ok = 1
            if pack >= b.pack_over_mv:
                bad = _PACK_OVER
            elif pack <= b.pack_under_mv:
                bad = _PACK_UNDER
        bad |= self._bus(i, b)
        if self.fitted:
            bad |= self._current(i.current_ma, i.current_state)
        if b.feedback and not self.closing:
            if self.reported() != self.outputs.positive | self.outputs.negative << 1:
                bad |= _FEEDBACK
        return bad

    def _bus(self, i, b):
        bus = i.bus_mv
        fell = bus is not None and bus < b.dead_mv and self.last_bus_mv > 3 * b.dead_mv
        if fell or i.bus_state or bus is None or not -b.noise_mv <= bus <= b.bus_max_mv:
            # From high to dead within a tick no capacitor falls: that is no reading either (S10), until it could have.
            self._could_fall(b)
            self.bus_ok = self.dead_ms = 0
            return _BUS_BAD | (_BUS_OVER | _BUS_UNDER | _DISAGREE) << _UNKNOWN
        self.bus_ok = 1
        self.dead_ms = min(self.dead_ms + self.faults.dt, _PROVEN_MS) if bus < b.dead_mv else 0
        bad = _BUS_OVER if bus >= b.pack_over_mv else 0
        if self.live:
            bad |= self._live(i.pack_mv, bus)
        self.last_bus_mv = bus
        return bad

    def _could_fall(self, b):
        last = self.last_bus_mv
        if self.outputs.discharge:
            self.last_bus_mv = last - last * 2 * self.faults.dt // b.discharge_window_ms
        elif not self.live:
            self.last_bus_mv = last - last * self.faults.dt // b.bleed_tau_ms

    def _live(self, pack, bus):
        bad = _BUS_UNDER if bus <= self.build.pack_under_mv else 0
        if self.pack_ok and abs(pack - bus) > _APART and abs(pack - bus) * 20 > pack:
            bad |= _DISAGREE
        if self._signs(bad & _DISAGREE) >= 2:
            bad |= _DROPPED
        return bad

    def _signs(self, apart):
        # Contactor dropped out needs two independent signs; one alone is a sensor or a contact that lies.
        n = 1 if apart and self.inputs.bus_mv < self.last_bus_mv + self.build.noise_mv else 0
        return n + (self.gone_ms > 0) + (self.aux > 0 and self.reported() != 3 and not self.faults.slots_on[50])

    def reported(self):
        """Mains that the feedback contacts report closed: 1 positive, 2 negative."""
        word = self.switches.word
        return (1 if word & S.AUX_POSITIVE else 0) | (2 if word & S.AUX_NEGATIVE else 0)

    def _current(self, now, state):
        if state != S.OK or now is None:
            self.gone_ms = 0
            return _CURRENT_BAD | (_DRIVE_OVER | _CHARGE_OVER) << _UNKNOWN
        limit = self.threshold_ma
        bad = 0
        if -limit < now < limit:
            if self.last_current_ma > 4 * limit and self.live and self.outputs.drive_limit_permille:
                self.gone_ms = _CURRENT_GONE_MS
            elif self.gone_ms:
                self.gone_ms = max(self.gone_ms - self.faults.dt, 0)
            if self.pack_ok and self.inputs.pack_mv * 4 >= self.rest_mv * 3:
                self.rest_mv = self.inputs.pack_mv
        else:
            self.gone_ms = 0
            if now > self.drive_ma:
                bad = _DRIVE_OVER
            elif -now > self.charge_ma:
                bad = _CHARGE_OVER
            o = self.outputs
            if not (o.negative or o.positive or o.precharge or self.closing):
                bad |= _CURRENT_BAD
        self.last_current_ma = now
        return bad

    def sagged(self):
        """1 when the pack fell by more than a quarter of its rest voltage with no load on it."""
        return self.pack_ok and self.inputs.pack_mv * 4 < self.rest_mv * 3 and not self.inverter_load()

    def inverter_load(self):
        """1 while the pack is connected, unless the current is known to be below its threshold."""
        now = self.inputs.current_ma
        return self.live and (now is None or abs(now) >= self.threshold_ma)
