"""What goes wrong on a walk: drawn by chance, readings at the edges of the build's levels among it; see walks.py."""

from loopwarden import signals as S
from loopwarden.policy import phases as P

BAD = (S.OPEN, S.SHORT, S.STALE, S.RANGE, S.DEVICE)

# Edges: by reading, the levels at which the build, or a published rule, changes its mind.


def _edges(b, reading, i):
    pack, bus = i.pack_mv or b.pack_derate_mv, i.bus_mv or 0
    return {
        "pack_mv": (
            b.pack_low_mv,
            b.pack_high_mv,
            b.pack_over_mv,
            b.pack_under_mv,
            b.pack_derate_mv,
            b.charge_end_mv,
            b.pack_under_mv + (b.pack_derate_mv - b.pack_under_mv) // 2,
            bus + 10000,
            bus - 10000,
            bus * 20 // 19,
            bus * 20 // 21,
            bus * 100 // 97,
            b.charge_end_mv - 3000,
            pack * 3 // 4,
            pack * 3 // 4 - 5000,
        ),
        "bus_mv": (
            b.dead_mv,
            b.dead_mv + b.noise_mv,
            b.discharge_stop_mv,
            -b.noise_mv,
            b.bus_max_mv,
            b.pack_over_mv,
            b.pack_under_mv,
            3 * b.dead_mv,
            pack + 10000,
            pack - 10000,
            pack * 19 // 20,
            pack * 97 // 100,
            pack // 20,
            pack * 9 // 10,
            pack // 10,
            bus + pack // 10,
            2 * b.noise_mv,
            pack // 1000 * b.fraction_permille,
            0,
            bus,
            bus - 10000,
            bus - bus // 1000 * b.proof_fall_permille,
            bus + b.noise_mv,
            bus // 2,
            bus + pack // 100,
        ),
        "current_ma": (
            b.current_threshold_ma,
            -b.current_threshold_ma,
            4 * b.current_threshold_ma,
            b.drive_current_ma,
            -b.charge_current_ma,
            b.break_ma,
            -b.break_ma,
            0,
            2 * b.drive_current_ma,
            -2 * b.charge_current_ma,
        ),
        "supply_mv": (b.supply_low_mv, b.supply_fail_mv, b.supply_high_mv),
        "reference_mv": (b.reference_mv - b.reference_tol_mv, b.reference_mv + b.reference_tol_mv),
        "isolation_ohm": (b.iso_warn_ohm, b.iso_warn_clear_ohm, b.iso_fault_ohm, b.iso_fault_ohm // 2, 0),
        "isolation_age_ms": (0, 100, b.iso_settle_ms, -1, b.iso_settle_ms // 2),
        "heap_free": (24 * 1024,),
        "speed_mm_s": (1389, 0, 5000, 200, 20_000),
    }[reading]


def _zone_edges(b, where):
    if where:
        hot, trip = ((b.inverter_hot_dc, b.inverter_trip_dc), (b.motor_hot_dc, b.motor_trip_dc))[where - 1]
        return hot, trip, hot - 50, b.drive_cool_dc, (hot + trip) // 2, trip + 200
    return (
        *(b.pack_warm_dc, b.pack_warm_dc - 20, b.pack_hot_dc, b.pack_trip_dc, b.pack_clear_dc, b.pack_cold_dc),
        *(b.pack_cold_dc + 20, b.cool_on_dc, b.cool_on_dc - 20, b.cool_full_dc, b.chill_dc, b.chill_dc - 20, b.heat_dc),
        *(b.heat_dc + 20, 250 + b.pack_spread_dc, 300, (b.pack_hot_dc + b.pack_trip_dc) // 2, b.pack_trip_dc + 100),
        *((b.cool_on_dc + b.cool_full_dc) // 2, -300),
    )


_LEVELS = ("pack_mv", "bus_mv", "current_ma", "supply_mv", "reference_mv", "isolation_ohm", "isolation_age_ms")
_LEVELS += ("heap_free", "speed_mm_s")
_STATES = ("pack", "pack", "bus", "bus", "bus", "current", "current", "supply", "reference", "isolation", "isolation")
_STATES += ("speed", "speed", "zone", "zone")
_SWITCHES = (
    "key",
    "start",
    "ack",
    "plug",
    "service",
    "stop",
    "crash",
    "charged",
    "coolant",
    "coil_fault",
    "lamp_fault",
)
_MILD = tuple(name for name in _SWITCHES if name not in ("stop", "crash", "key"))
# How often each thing goes wrong, and in which stages: the short stages of the way up and down more than their share.
KINDS = {
    "level": 24,
    "zone": 9,
    "state": 8,
    "switch": 9,
    "unreadable": 4,
    "loops": 5,
    "contact": 6,
    "plant": 7,
    "speed": 6,
    "memory": 4,
}
KINDS |= {"latch": 3, "late": 2, "cycle": 2, "clock": 2, "ask": 2, "heat": 3, "travel": 2}
_STAGES = dict.fromkeys(range(19), 2)
_STAGES |= {P.DRIVE: 22, P.WIND_DOWN: 6, P.READY: 5, P.CHARGE_BUS: 4, P.PROOF_PULSE: 4, P.DISCHARGE: 5, P.CREEP: 3}
_FOR_TICKS = (1, 1, 2, 3, 4, 5, 6, 9, 11, 15, 26, 27, 52, 60, 100, 110, 151, 160, 200, 255, 300, 400, 510)


def _one_of(draw, weights):
    return draw.choices(list(weights), list(weights.values()))[0]


class Trouble:
    """One thing that goes wrong: in a stage, so many ticks after it began, for so many ticks."""

    def __init__(self, draw, stage=None, kinds=KINDS):
        self.draw = draw
        self.stage = _one_of(draw, _STAGES) if stage is None else stage
        self.after = draw.choice((0, 1, 1, 2, 3, 4, 6, 10, 30, 80, 200)) if stage is None else 0
        self.ticks = draw.choice(_FOR_TICKS)
        self.kind = _one_of(draw, kinds)
        self.undo = None

    def begin(self, walk):
        self.undo = getattr(self, "_" + self.kind)(walk)

    def _hold(self, walk, **values):
        walk.held |= values
        return lambda: [walk.held.pop(name, None) for name in values]

    def _put(self, owner, **values):
        before = {name: getattr(owner, name) for name in values}
        for name, value in values.items():
            setattr(owner, name, value)
        return lambda: [setattr(owner, name, value) for name, value in before.items()]

    def _level(self, walk):
        draw = self.draw
        reading = draw.choice(_LEVELS[:3] if draw.random() < 0.6 else _LEVELS)
        value = draw.choice(_edges(walk.build, reading, walk.inputs)) + draw.choice((-1, 0, 0, 1, 1, -1, 700, -700))
        if reading == "pack_mv" and draw.random() < 0.5:  # the pack itself, so that the bus follows
            return self._put(walk.plant, pack_v=value / 1000)
        return self._hold(walk, **{reading: value})

    def _zone(self, walk):
        draw = self.draw
        where = walk.build.zone_where
        kind = draw.choice(where)
        value = draw.choice(_zone_edges(walk.build, kind)) + draw.choice((-1, 0, 1, 5, -5))
        zones = [z for z in range(len(where)) if where[z] == kind]
        if draw.random() < 0.6:
            zones = [draw.choice(zones)]
        before = list(walk.zones_dc)
        if draw.random() < 0.35:
            walk.warming = {z: draw.choice((-1, 1, 1, 1, 2)) for z in zones}  # 0.1 K a tick and more
        else:
            for z in zones:
                walk.zones_dc[z] = value
        self.ticks *= draw.choice((1, 3))

        def undo():
            walk.warming = {}
            walk.zones_dc = before

        return undo

    def _state(self, walk):
        draw = self.draw
        name = draw.choice(_STATES)
        state = draw.choice(BAD)
        if name == "zone":
            zones = [z for z in range(S.ZONES_MAX) if draw.random() < draw.choice((0.2, 0.9))]
            how = {z: (state, draw.choice((None, 250))) if draw.random() < 0.8 else (S.OK, None) for z in zones}
            return self._put(walk, bad_zones=how)
        if draw.random() < 0.15:
            reading = {"current": "current_ma", "isolation": "isolation_ohm", "speed": "speed_mm_s"}.get(
                name, f"{name}_mv"
            )
            return self._hold(walk, **{reading: None})
        if name == "speed" and draw.random() < 0.5:
            return self._hold(walk, speed_state=state, speed_pulses=None)
        return self._hold(walk, **{f"{name}_state": state})

    def _switch(self, walk):
        name = self.draw.choice(_SWITCHES if self.draw.random() < 0.3 else _MILD)
        return self._put(walk, pressed=walk.pressed | {name: 1 - getattr(walk, name)})

    def _unreadable(self, walk):
        bits = self.draw.sample([1 << n for n in (*range(13), 16, 17, 18)], self.draw.choice((1, 1, 2, 16)))
        return self._put(walk, unreadable=sum(bits))

    def _loops(self, walk):
        draw = self.draw
        kinds = walk.build.loop_kind
        mild = [n for n in range(len(kinds)) if kinds[n]]
        loop = 1 << draw.choice(mild if mild and draw.random() < 0.8 else range(len(kinds)))
        shorted = draw.choice(("", "", "loop_low", "loop_high"))
        undo = self._put(walk, loops=walk.loops & ~(loop if draw.random() < 0.95 else 63))
        other = self._hold(walk, **{shorted: loop}) if shorted else None
        return lambda: (undo(), other and other())

    def _latch(self, walk):
        walk.latch = self.draw.choice((S.STOP, S.CRASH, S.LOOP0, *(S.LOOP0 << 1, S.LOOP0 << 2) * 4))
        if self.draw.random() < 0.6 and self.ticks < 100:
            walk.later.append(Later(self, self.draw.choice((1, 3, 60, 100))))

    def _contact(self, walk):
        contact = getattr(walk.plant, self.draw.choice(("positive", "negative", "precharge", "discharge")))
        return self._put(contact, **{self.draw.choice(("welded", "stuck")): True})

    def _plant(self, walk):
        draw = self.draw
        what = draw.choice(("load", "leak", "feed", "dead", "over", "over", "pedal", "bounce"))
        p, b = walk.plant, walk.build
        if what == "leak":
            return self._put(p, leak_ohm=draw.choice((5.0, 20.0, 100.0, 1000.0)))
        if what == "feed":
            return self._put(p, feed_v=draw.choice((b.dead_mv, 2 * b.dead_mv, b.dead_mv + b.noise_mv, 90_000)) / 1000)
        if what == "dead":
            return self._put(p, discharge_dead=True)
        if what == "bounce":
            p.bus_v = draw.choice((p.bus_v / 2, p.bus_v * 0.9, p.bus_v + 5, p.bus_v + 60))
            return None
        amperes = {
            "load": draw.choice((b.current_threshold_ma, 4 * b.current_threshold_ma, 0, b.break_ma)) / 1000,
            "over": draw.choice((b.drive_current_ma * 1.1, -b.charge_current_ma * 1.2)) / 1000,
            "pedal": draw.choice((5.5, 21.0, 60.0, -30.0)),
        }
        return self._put(walk, foot_a=amperes[what])

    def _speed(self, walk):
        return self._put(walk, wheel_mm_s=self.draw.choice((None, 0, 0, 200, 1388, 1390, 3000, 15_000)))

    def _memory(self, walk):
        draw = self.draw
        name, value = draw.choice(
            (
                *(("failed", True), ("nearly_full", True), ("new", True), ("ready", False), ("damaged", True)),
                *(("positive_proven", False), ("positive_proven", True), ("flats", 2), ("drifting", True)),
                *(("under_load", walk.build.inspect_after - 1), ("under_load", walk.build.inspect_after)),
            )
        )
        setattr(walk.memory, name, value)
        return lambda: setattr(walk.memory, name, value if name in ("under_load", "flats") else False)

    def _late(self, walk):
        undo = self._hold(walk, late_ms=self.draw.choice((1, 25)))
        self.ticks = self.draw.choice((1, 2, 3, 4))
        walk.later.append(Later(self, self.draw.choice((1, 250, 499, 500, 501))))
        return undo

    def _cycle(self, walk):
        walk.power_up()

    def _clock(self, walk):
        return self._put(walk, dt=self.draw.choice((1, 7, 33, 50, 100)))

    def _ask(self, walk):
        walk.ask_now()

    def _heat(self, walk):
        r, b, draw = walk.sup.resistors, walk.build, self.draw
        if draw.random() < 0.5:
            room = draw.choice((b.precharge_start_mj, 1000, -50_000))
            r.precharge_mj = max(b.precharge_budget_mj - room + draw.choice((-1, 0, 1, 2000, -2000)), 0)
        else:
            room = draw.choice((b.discharge_emergency_mj, r.one_mj(b.pack_derate_mv), 2000))
            r.discharge_mj = max(b.discharge_budget_mj - room + draw.choice((-1, 0, 1, 2000, -2000)), 0)

    def _travel(self, walk):
        """Contactors that take longer than they may."""
        contacts = [walk.plant.positive, walk.plant.negative, walk.plant.precharge, walk.plant.discharge]
        contact = self.draw.choice(contacts)
        return self._put(contact, close_ms=self.draw.choice((60, 200)), release_ms=self.draw.choice((60, 200)))


class Later:
    """The same trouble again, some ticks later."""

    def __init__(self, trouble, ticks):
        self.trouble, self.ticks = trouble, ticks
