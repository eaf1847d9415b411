"""Walks: a vehicle is driven up and down by a simple driver while readings, switches, contactors and memory go wrong.

What goes wrong is drawn by chance from a seed: which build with which changes, in which stage, after how many ticks,
for how long, and readings that lie at the edges of the build's levels: just below, at, just above. The vehicle is the
rig's ideal circuit, so a walk is the same on every machine. `python -m policy.walks`, with `tests` in PYTHONPATH,
writes `walks.txt`: a line for each walk, a checksum for each stretch of it over everything that the supervisor
decides. **This says nothing about right or wrong.** It makes any change of decisions visible in review, to a tick and
to a millivolt; whoever changes the policy on purpose runs it and says in the commit what the change is.
"""

import random
import struct
import sys
from operator import attrgetter
from pathlib import Path
from zlib import crc32

from loopwarden import signals as S
from loopwarden.policy import phases as P
from loopwarden.policy.supervisor import Supervisor

from .rig import Rig, device_build, device_values
from .tiny_plant import TinyPlant

KEPT = Path(__file__).with_name("walks.txt")
WALKS = 480
STRETCH = 200  # ticks
_MOST = 2400  # ticks of a walk
_QUIET = 150  # ticks at rest, with nothing to come, that end a walk
DRIVE, CHARGE, PARK = "drive", "charge", "park"
_BAD = (S.OPEN, S.SHORT, S.STALE, S.RANGE, S.DEVICE)
# What the supervisor commands and, by the names in the docstrings of its parts, what it says of itself.
_OF_OUTPUTS = attrgetter(*vars(S.Outputs()))
_SAID = """
    phases: stage phase t_ms charge refused solid wind_cap why_row emergency fresh_key hold_ms after_run
    faults: worst worst_row bits locks drive charge clock_ms marked
    switches: word edges key plugged reported unsure cut open coolant_asked
    electrics: pack_ok bus_ok dead_ms rest_mv low live closing
    motion: moving pulses quiet_ms last_mm_s seen granted idle_ms
    isolation: good settled watching
    thermal: hottest_dc coldest_dc inverter_dc motor_dc valid
    resistors: precharge_mj discharge_mj energy_mj
    limits: drive_goal charge_goal drive_since_ms charge_since_ms
    memory: mark new positive_proven negative_proven flats under_load precharge_mj discharge_mj
"""
_PARTS = [line.strip().split(": ") for line in _SAID.strip().splitlines()]
_OF_SUPERVISOR = attrgetter(*(f"{part}.{name}" for part, names in _PARTS for name in names.split()), "asked", "answer")
_NOTHING = object()

# Builds


_TWO_ZONES_EACH = {"zone_where": [0, 0, 1, 1, 2, 2], "zone_cover": [2, 1, 8, 4, 0, 0]}
_CHANGES = (
    {"discharge_kind": 1},
    {
        "discharge_kind": 2,
        "discharge_emergency_mj": 0,
        "discharge_budget_mj": 0,
        "bleed_tau_ms": 3000,
        "proof_max_ms": 3000,
    },
    {"feedback": 0},
    {"feedback": 1},
    {"current_fitted": 0, "current_threshold_ma": 0},
    {"speed_fitted": 0},
    {"speed_fitted": 0, "coast_ms": 2000},
    {"cool_kind": 0},
    {"cool_kind": 1},
    {"cool_kind": 2},
    {"cool_kind": 4},
    {"cool_kind": 4, "coolant_fitted": 0},
    {"reference_fitted": 0},
    {"hold_fitted": 0},
    {"iso_while_plugged": 0},
    {"loop_kind": [0, 1, 2, 3, 1, 0]},
    {"loop_kind": [1, 2]},
    dict(_TWO_ZONES_EACH),
    {"debounce": [[7, 500], [53, 200], [36, 0]]},
    {"crash_fitted": 0, "plug_fitted": 0},
    {"crawl_ms": 0},
    {"cool_full_dc": 600, "pack_warm_dc": 450},
    {"charge_end_mv": 424_000},
    {"dead_mv": 50_000, "discharge_stop_mv": 12_000},
    {"crawl_permille": 0},
    {"inspect_after": 1},
    {"precharge_budget_mj": 300_000},
    {"flat_ms": 100, "settle_max_ms": 400},
)
# Long waits made short, so that a walk sees what comes after them.
_SHORT = {
    "ramp_ms": 4000,
    "ramp_fast_ms": 1500,
    "crawl_ms": 1500,
    "fallback_ms": 3000,
    "creep_ms": 600,
    "hold_max_ms": 12_000,
}
_SHORT |= {"after_run_ms": 3000, "iso_settle_ms": 1500, "fall_check_ms": 2000, "discharge_window_ms": 2500}


def build_of(draw):
    """A shipped build with a few changes, or none."""
    name = "bench_cart" if draw.random() < 0.12 else "orchard_truck"
    changes = {}
    for _ in range(draw.choice((0, 1, 1, 2, 3))):
        changes |= draw.choice(_CHANGES)
    if name == "bench_cart":
        changes = {key: value for key, value in changes.items() if not key.startswith(("zone_", "cool", "current"))}
    if draw.random() < 0.85:
        changes = {key: value for key, value in _SHORT.items() if draw.random() < 0.9} | changes
    build = device_build(name)
    for key, value in changes.items():
        assert hasattr(build, key), key
        setattr(build, key, value)  # lists of any length: nothing is converted here
    return build


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
_KINDS = {
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
_KINDS |= {"latch": 3, "late": 2, "cycle": 2, "clock": 2, "ask": 2, "heat": 3, "travel": 2}
_STAGES = dict.fromkeys(range(19), 2)
_STAGES |= {P.DRIVE: 22, P.WIND_DOWN: 6, P.READY: 5, P.CHARGE_BUS: 4, P.PROOF_PULSE: 4, P.DISCHARGE: 5, P.CREEP: 3}
_FOR_TICKS = (1, 1, 2, 3, 4, 5, 6, 9, 11, 15, 26, 27, 52, 60, 100, 110, 151, 160, 200, 255, 300, 400, 510)


def _one_of(draw, weights):
    return draw.choices(list(weights), list(weights.values()))[0]


class Trouble:
    """One thing that goes wrong: in a stage, so many ticks after it began, for so many ticks."""

    def __init__(self, draw, stage=None):
        self.draw = draw
        self.stage = _one_of(draw, _STAGES) if stage is None else stage
        self.after = draw.choice((0, 1, 1, 2, 3, 4, 6, 10, 30, 80, 200)) if stage is None else 0
        self.ticks = draw.choice(_FOR_TICKS)
        self.kind = _one_of(draw, _KINDS)
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
        state = draw.choice(_BAD)
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


class QuickPlant(TinyPlant):
    """Exact over a whole tick in one step where no contact moves in it."""

    def advance(self, outputs, ms):
        contacts = ((self.positive, outputs.positive), (self.negative, outputs.negative))
        contacts += ((self.precharge, outputs.precharge), (self.discharge, outputs.discharge))
        for contact, command in contacts:
            if contact.command != command or contact.moved != command:
                super().advance(outputs, ms)
                return
        for contact, _ in contacts:
            contact.since_ms += ms
        self._circuit_ms(bool(outputs.inverter_enable or outputs.charger_enable), ms)


class Later:
    """The same trouble again, some ticks later."""

    def __init__(self, trouble, ticks):
        self.trouble, self.ticks = trouble, ticks


class Walk(Rig):
    """One walk: `for stretch in Walk(seed).stretches()` gives a checksum for each."""

    def __init__(self, number):
        self.draw = draw = random.Random(number)
        super().__init__(build_of(draw))
        self.plant = QuickPlant(self.build, self.plant.pack_v)
        self.goals = draw.choice(([DRIVE], [DRIVE], [DRIVE, DRIVE], [CHARGE], [CHARGE, DRIVE]))
        self.goal = None
        self.patience = draw.choice((150, 400, 700))  # ticks live before the driver parks
        self.troubles = [Trouble(draw) for _ in range(draw.choice((2, 3, 5, 8, 12)))]
        self.later = []
        self.under_way = []  # (trouble, ticks left)
        self.pressed, self.warming, self.bad_zones = {}, {}, {}
        self.foot_a = self.wheel_mm_s = _NOTHING
        self.pedal_a = draw.choice((0.0, 8.0, 40.0, 80.0, -25.0))
        self.speed_goal = draw.choice((0, 2000, 8000, 15_000))
        if self.speed_goal == 0 and draw.random() < 0.7:
            self.pedal_a = draw.choice((0.0, 4.0))
        self.gap = draw.choice((40, 90, 200, 400, 100_000))  # mean ticks between troubles in any stage
        self.rolls_out = draw.random() < 0.7  # stands before the key is turned off
        warm_dc = draw.choice((250, 250, 310, 420, self.build.heat_dc + 10, self.build.cool_on_dc - 10))
        self.zones_dc = [warm_dc + z for z in range(len(self.build.zone_where))]
        if draw.random() < 0.15:
            self.dt = draw.choice((16, 32, 33))
        self.ticks = self.live_ticks = self.rest_ticks = self.stage_ticks = 0
        self.stage = -1
        self.true_mm_s = 0
        self.sum = 0
        self.last = None

    def power_up(self):
        """The supply is cut for a moment."""
        self.memory.begin()
        self.sup = Supervisor(self.build, self.memory)
        self.out = S.Outputs()

    def ask_now(self):
        """A link asks to clear one of the active rows, or one that is not active."""
        active = self.sup.faults.active_ids()
        self.sup.ask(self.draw.choice(active) if active else 44)

    def stretches(self):
        """Checksums, each over so many ticks, the last over the rest."""
        going = True
        while going:
            self.sum = 0
            for _ in range(STRETCH):
                going = going and self._go_on()
            self._note_records()
            yield self.sum

    def _go_on(self):
        if self.ticks >= _MOST or self.rest_ticks >= _QUIET:
            return False
        self.ticks += 1
        self._trouble()
        self._drive()
        for name, value in self.pressed.items():
            setattr(self, name, value)
        for z, step in self.warming.items():
            self.zones_dc[z] += step * (self.ticks % 2)
        self.tick()
        self._note()
        resting = self.sup.phase in (P.OFF, P.LOCKED) and not (self.goals or self.under_way or self.memory.mark)
        self.rest_ticks = self.rest_ticks + 1 if resting and self.goal is PARK else 0
        return True

    def fill(self):
        super().fill()
        for z, (state, dc) in self.bad_zones.items():
            self.inputs.zone_state[z] = state
            self.inputs.zone_dc[z] = dc

    def _trouble(self):
        stage = self.sup.phases.stage
        self.stage_ticks = self.stage_ticks + 1 if stage == self.stage else 0
        self.stage = stage
        for entry in self.under_way[:]:
            entry[1] -= 1
            if entry[1] < 0:
                self.under_way.remove(entry)
                if entry[0].undo:
                    entry[0].undo()
        for late in self.later[:]:
            late.ticks -= 1
            if late.ticks < 0:
                self.later.remove(late)
                if len(self.under_way) < 20 and self.draw.random() < 0.7:
                    late.trouble.begin(self)
                    self.under_way.append([late.trouble, late.trouble.ticks])
        if self.draw.random() * self.gap < 1 and stage != P.IDLE:
            self.troubles.append(Trouble(self.draw, stage))
        for trouble in self.troubles[:]:
            if trouble.stage == stage and self.stage_ticks >= trouble.after:
                self.troubles.remove(trouble)
                trouble.begin(self)
                self.under_way.append([trouble, trouble.ticks])

    def _drive(self):
        """The driver: up, some time live, down; an acknowledgement and another key-on where nothing goes."""
        p = self.sup.phases
        n = self.ticks
        self.start = self.ack = self.stop = self.crash = self.service = self.charged = self.coil_fault = 0
        self.lamp_fault, self.coolant = 0, 1
        if self.goal is None or (self.goal is PARK and p.phase in (P.OFF, P.LOCKED) and self.goals):
            self.goal = self.goals.pop(0)
            self.live_ticks = 0
            self.since = n
        live = p.phase in (P.LIVE, P.WINDING)
        self.live_ticks += live
        tired = self.live_ticks > self.patience or n - self.since > 1100
        if self.goal is not PARK and tired:
            if self.rolls_out and self.true_mm_s and n - self.since < 1400:
                self.speed_goal = 0
            else:
                self.goal = PARK
        self.key = 0 if self.goal is PARK else 1
        self.plug = 1 if self.goal is CHARGE else 0
        if p.stage == P.READY:
            wait = n % 40
            self.start = 1 if wait < 8 else 0
            if n - self.since > 330:
                # Nothing goes: another key-on, a request, the button.
                late = (n - self.since) % 300
                self.key = 0 if late < 3 else 1
                self.ack = 1 if 40 <= late < 50 else 0
                if late == 30:
                    self.ask_now()
        wheel = self.speed_goal if live and self.goal is DRIVE and p.phase == P.LIVE else 0
        self.true_mm_s += max(min(wheel - self.true_mm_s, 120), -160)
        self.speed_mm_s = self.true_mm_s if self.wheel_mm_s is _NOTHING else self.wheel_mm_s
        if not self.build.speed_fitted:
            self.speed_mm_s = 0
        granted = self.out.drive_limit_permille if self.goal is DRIVE else self.out.charge_limit_permille
        foot_a = self.pedal_a if self.goal is DRIVE else -abs(self.pedal_a)
        self.plant.load_a = (foot_a * granted / 1000) if self.foot_a is _NOTHING else self.foot_a

    def _note(self):
        sup = self.sup
        known = sup.switches.known
        values = (*_OF_OUTPUTS(self.out), *_OF_SUPERVISOR(sup), -1 if known is None else known)
        self.sum = crc32(struct.pack(f"<{len(values)}q", *values), self.sum)
        active = bytes(sup.faults.active)
        if active != self.last:
            self.last = active
            self._note_rows()

    def _note_rows(self):
        f = self.sup.faults
        told = [(row, f.places[row], f.measured[row], f.since_ms[row]) for row in f.active_ids()]
        self.sum = crc32(repr(told).encode(), self.sum)

    def _note_records(self):
        self._note_rows()
        records = [list(self.memory.records[row]) for row in sorted(self.memory.records)]
        self.sum = crc32(repr((records, sorted(self.memory.locked))).encode(), self.sum)


def walked(number):
    """A walk's checksums as text, one after the other."""
    return " ".join(f"{stretch:08x}" for stretch in Walk(number).stretches())


def kept():
    """What `walks.txt` holds: number of the walk -> checksums as text."""
    lines = KEPT.read_text(encoding="utf-8").splitlines()
    return {int(number): sums for number, sums in (line.split(": ") for line in lines)}


def main():
    lines = [f"{number}: {walked(number)}\n" for number in range(WALKS)]
    KEPT.write_text("".join(lines), encoding="utf-8")


if __name__ == "__main__":
    device_values("orchard_truck")
    sys.exit(main())
