"""Every state that the supervisor can reach in a coarse world, every input in each of them, every promise in each step.

The supervisor is the real one, with a coarse build: the shipped builds with short times, as far as the build's own
rules allow (coarse.py). What is coarse is the world: some values around each threshold, and a choice of them that stays
for a while. While a contactor moves, that is one step of 100 ms, the longest that the supervisor takes; else one round
of slow turns, 16 steps. Each round begins at the same place of the turns, so what is left out is how they lie in it by
a step or two. A model lists its choices; it is explored breadth first from power-up until nothing new comes: then it is
closed, and within it nothing else can happen. A state is all that decides its future (see `_Mind.canonical`).

It also looks for dead ends: from every state, with the key off, everything good and a bus that falls as it does when it
is discharged or bleeds, the supervisor comes to off (or locked out) with the bus proven dead, in a bounded time.
"""

import marshal
import time
from array import array
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from hashlib import blake2b
from math import inf
from operator import attrgetter
from typing import Any

from loopwarden import signals as S
from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy import fault_table, phases
from loopwarden.policy.monitors.thermal import _LOWEST_DC
from loopwarden.policy.supervisor import _ORDER, Supervisor
from loopwarden_build.integer_build import to_device
from loopwarden_prove.coarse import Model, Option, models
from loopwarden_prove.edge_judge import EdgeJudge
from loopwarden_sim.promise_bounds import bounds_of

STEP_MS = 100  # the longest step that the supervisor takes
_FINE_STEP_MS = 50  # the coarse builds' own tick: below the release time, so that it is seen whether that is waited for
_LEVEL_STEPS = 5  # in so many steps the bus goes from one level to the next
_ROUND = 16  # steps in which every slow subject has its turn
_REST_ROUNDS = 8  # 13 s
_PROVEN_MS = 10_000  # below the dead level throughout, discharge off, all commands off: the bus is proven dead
_LAMPS_MS = 1_000
_DEAD_END_CHOICES = 400  # a way to off that is longer counts as none: 400 rounds are more than ten minutes
_BLEEDS_EVERY = 3  # without a discharge the bus falls a level in so many choices
_NAMES = {row[fault_table.ID]: row[fault_table.NAME] for row in fault_table.TABLE}
# Stages in which each step is a choice of its own: a contactor moves, or the bus is being judged.
_FINE = frozenset(
    {phases.MARK, *range(phases.NEGATIVE_TEST, phases.DRIVE), *range(phases.POSITIVE_OPENS, phases.DISCHARGE)}
)
_ENDS_WELL = phases.IDLE


class _LeanMemory(RamMemory):
    """The fault memory without its records, which decide nothing; `marks` 0: no power mark comes through."""

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # device code carries no annotations
        self.marks = 1

    def _store(self, row: int, places: int, supervisor: Any) -> None:
        pass

    def work(self, supervisor: Any, room: bool = True) -> bool:
        if supervisor.faults.marked:
            self._take_marks(supervisor.faults, supervisor)  # type: ignore[no-untyped-call]
        if self.marks or self.want != 1:
            self.mark = self.want
        return False


@dataclass(frozen=True)
class Breach:
    """A promise that was broken, and the shortest way there: the choices from power-up on."""

    model: str
    promise: str
    seen: str
    way: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.model}: {self.promise}: {self.seen}, after {' / '.join(self.way)}"


@dataclass
class Explored:
    """What exploring one model showed. ways: pairs of stages of which one led to the other."""

    model: str
    states: int = 0
    transitions: int = 0
    steps: int = 0
    closed: bool = False
    breaches: list[Breach] = field(default_factory=list)
    dead_ends: list[Breach] = field(default_factory=list)
    ways: set[tuple[int, int]] = field(default_factory=set)
    longest_end: int = 0  # choices, on the longest way to off

    @property
    def stages(self) -> set[int]:
        return {stage for way in self.ways for stage in way}


class _Mind:
    """The supervisor, its memory, the judge and the bus level as one state: saved, put back, told in canonical form."""

    # Only told, or set anew before they are read:
    # - clocks (`since_ms`, `clock_ms`, `now` but for differences to it), measured values, reasons, answers
    # - the heartbeat's level, which side of a toggle `judged` is on
    # - heat: the world says in each choice whether the resistors are cold or hot, so no state needs to remember it
    # - how long a sensor did not move under load: held at 0, so none counts as stuck in these models
    LISTS = ("counts", "floor", "owed")

    def __init__(self, model: Model) -> None:
        self.model = model
        self.build = Build(to_device(model.build))
        self.bounds = bounds_of(model.build)
        self.memory = _LeanMemory()
        self.memory.begin()  # type: ignore[no-untyped-call]
        self.sup = Supervisor(self.build, self.memory)
        self.inputs, self.outputs = S.Inputs(), S.Outputs()
        self.sup.bind(self.inputs, self.outputs)
        self.judge = EdgeJudge(self.bounds, self.inputs, self.outputs, press_most_ms=model.press_most_ms)
        self.level = 0  # of the bus, where it follows the commands
        self.dead_ms = 0  # the bus validly dead, discharge off, nothing commanded, up to 10 s
        self.asks = any(choice.ask for choice in model.choices())
        self.names: dict[bytes, frozenset[str]] = {}
        s = self.sup
        self.faults, self.phases = s.faults, s.phases
        parts = [s, s.faults, s.switches, s.electrics, s.motion, s.isolation, s.thermal, *s.thermal.zones, s.health]
        parts += [s.phases, s.limits, s.cooling, s.resistors, self.outputs, self.memory, self.judge]
        self.scalars: list[tuple[dict[str, Any], tuple[str, ...], attrgetter[Any]]] = []
        for part in parts:
            names = [name for name, value in vars(part).items() if type(value) in (int, bool, str, tuple)]
            names = [name for name in names if not isinstance(vars(part)[name], tuple) or part is self.judge]
            self.scalars.append((vars(part), tuple(names), attrgetter(*names)))
        self.parts = parts
        f = s.faults
        self.lists: list[Any] = [f.counts, f.floor, f.owed, f.places, f.on, f.active, f.marks, self.memory.locked]
        self.lists += [s.limits.drive, s.limits.charge, s.thermal.highs, s.thermal.lows, s.slow_at]

    def save(self) -> bytes:
        scalars = [get(part) for (_, _, get), part in zip(self.scalars, self.parts, strict=True)]
        lists = [bytes(one) if isinstance(one, bytearray) else one for one in self.lists]
        much = bytes(self.faults.much)
        return marshal.dumps((self.level, self.dead_ms, scalars, lists, much))

    def put_back(self, saved: bytes) -> None:
        self.level, self.dead_ms, scalars, lists, much = marshal.loads(saved)
        for (attributes, names, _), values in zip(self.scalars, scalars, strict=True):
            attributes.update(zip(names, values, strict=True))
        for mine, other in zip(self.lists, lists, strict=True):
            mine[:] = other
        self.faults.much[:] = much
        self.faults.asked = self.faults.asks[self.faults.column]

    def canonical(self) -> bytes:
        """All that decides the future, and nothing else, as a digest of 16 bytes.

        A time stops at the longest one it is compared with; what a stage writes before it reads it is left out.
        """
        s, f, p, e, m, z = self.sup, self.faults, self.phases, self.sup.electrics, self.memory, self.sup.isolation
        w, q, o, n = s.switches, s.motion, self.outputs, s.limits
        stage = p.stage
        now = f.now
        b = self.build
        t = p.t_ms
        if stage in (phases.IDLE, phases.WIND_DOWN):
            t = 0
        elif stage in _STOPS:
            t = min(t, _STOPS[stage])
        elif stage == phases.DRIVE:
            t = 0 if p.solid else min(t, 10_000)
        elif stage == phases.DISCHARGE:
            t = min(t, p.wait_ms + b.discharge_window_ms)
        elif stage == phases.CREEP:
            t = min(t, b.creep_ms)
        part = min(p.part_ms, b.crawl_ms) if stage == phases.WIND_DOWN else p.part_ms
        moves = (
            phases.NEGATIVE_TEST <= stage <= phases.CHARGE_BUS or phases.POSITIVE_OPENS <= stage <= phases.PROOF_PULSE
        )
        off = stage <= phases.READY
        drives = stage == phases.DRIVE
        winds = stage == phases.WIND_DOWN
        j = self.judge
        last = e.last_bus_mv
        # Before the watch, dead time matters to the lamps only; in it, what it will have come to at its end as well.
        dead, proven = (e.dead_ms, 0) if off and self.asks else (min(e.dead_ms, _LAMPS_MS), 0)
        if stage == phases.PROVE_DEAD:
            dead, proven = e.dead_ms, self.dead_ms
        elif stage == phases.CREEP:
            left = max(b.creep_ms - p.t_ms, 0)
            proven = min(e.dead_ms + left, _PROVEN_MS) << 14 | min(self.dead_ms + left, _PROVEN_MS)
        # Looked at anew in the next step, or else as they were.
        looked = (0,) if w.busy else (w.bits, w.known, w.word, w.edges, w.cut, w.plugged, w.reported, w.open)
        fell = j.fell_ms if j.tests_only else min(j.fell_ms, b.release_ms)
        fed = off and f.places[34]  # already known: nothing more can come of how the bus moves
        waits = f.places[33]  # says only that the bus falls; a bus that is not dead refuses by itself
        places, on = f.places, f.on
        if waits:
            places, on = list(places), bytearray(on)
            places[33] = on[f.event[33]] = 0
        state = (
            self.level, proven, stage, p.phase, t, p.wait_ms, 0 if fed else part,
            p.charge, p.calm, p.solid if drives or winds else 0, p.solid_ms if drives and not p.solid else 0,
            p.full_ms if drives else 0, p.lost_ms if drives else 0,
            min(p.restarts, 2) if stage >= phases.DISCHARGE else 0,
            p.reached if moves else 0, p.wind_cap, p.wind_acc if winds else 0, p.finish if winds else 0,
            p.why_row > 0 if winds else 0, p.emergency, p.doubt, p.start_mv if moves else 0,
            p.ref_mv if moves or (off and p.part_ms and not fed) else 0,
            p.half_mv if stage == phases.PROOF_PULSE else 0,
            p.half_ms if stage == phases.PROOF_PULSE else 0, p.fresh_key, p.refused == 19,
            tuple(f.counts), bytes(on), tuple(f.owed), bytes(f.much), bytes(f.marks), tuple(places), f.turn, f.acked,
            f.changed, f.stale, f.column, f.judged ^ s.judged,
            e.live, e.closing, e.pack_ok, e.bus_ok, dead, e.gone_ms,
            e.steady, last if e.live or last > 3 * b.dead_mv else 0, e.last_current_ma,
            e.rest_mv, e.calm, e.low,
            w.seen_low, w.key, w.busy > 0, w.steady, w.short_steady, *looked,
            w.driving, w.charging, w.unsure, w.was_open, w.flickers,
            now - w.flicker_at if w.flickers else 0, w.start_ms,
            q.moving, q.quiet_ms, min(q.idle_ms, b.fallback_ms), q.undriven_ms, q.last_mm_s, q.steep, q.pulses, q.seen,
            q.granted, q.steady,
            z.good, z.settled, z.watching, z.steady, 0 if z.settled else z.closed_ms,
            s.thermal.steady, s.thermal.turn, s.thermal.round_ms, s.thermal.valid, s.thermal.hottest_dc,
            s.thermal.coldest_dc, tuple(s.thermal.highs), tuple(s.thermal.lows),
            tuple((k.dc, k.held, k.steady, k.seen, k.moved, k.trend, k.ref_dc, k.window_ms, now - k.at)
                  for k in s.thermal.zones),
            s.health.steady, s.turn, tuple(now - at for at in s.slow_at), s.asked, s.ask_ms if s.asked else 0,
            tuple(n.drive), tuple(n.charge), n.drive_goal, n.charge_goal, n.rise_acc, n.busy, n.turned,
            o.positive, o.negative, o.precharge, o.discharge, o.inverter_enable, o.charger_enable, o.hv_loads_enable,
            o.drive_limit_permille, o.charge_limit_permille, o.lamp_hv,
            m.mark, m.want, m.positive_proven, m.flats, min(m.under_load, b.inspect_after), tuple(sorted(m.locked)),
            j.stopped, j.start_low, j.press_ms, j.plug_in, j.dead_ms, fell, j.tests_only, j.live,
            j.held_ms, j.closed_ms, j.isolation_read, j.quiet_ms, j.zero_ms, j.down_ms, j.pulses, j.pulse_ms,
            j.above_ms, j.path, j.granted, j.window, j.window_ms, j.rise,
        )  # fmt: skip
        return blake2b(marshal.dumps(state, 2), digest_size=16).digest()

    def align(self) -> None:
        """Every round begins at the same place: the turns, what each had waited for then, no half round of zones."""
        s, f = self.sup, self.faults
        s.turn = f.turn = 0
        for k, waited in enumerate(_WAITED):
            s.slow_at[k] = f.now - waited
        z = s.thermal
        z.turn = z.round_ms = 0
        z.highs[:], z.lows[:] = [_LOWEST_DC] * 3, [-_LOWEST_DC] * 3
        for zone in z.zones:
            zone.at = f.now - 2 * STEP_MS
            zone.window_ms = zone.moved = zone.still_ms = 0
            zone.ref_dc = zone.dc

    def active(self) -> frozenset[str]:
        key = bytes(self.faults.active)
        if key not in self.names:
            self.names[key] = frozenset(str(_NAMES[row]) for row in key if row)
        return self.names[key]


# Steps since its last turn, of each slow subject in the order of Supervisor.slow, where a round is over.
_WAITED = tuple(
    STEP_MS * (_ROUND - 1 - max(n for n in range(_ROUND) if _ORDER[(n + 1) % _ROUND] == k)) for k in range(6)
)
_STOPS = {phases.READY: 2000, phases.WAIT_CURRENT: 2000, phases.PROVE_DEAD: 20_000}


class Explorer:
    """Explores one model."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.mind = _Mind(model)
        self.found = Explored(model.name)
        self.choices = model.choices()
        self.labels = [choice.label for choice in self.choices]
        self.parents = array("l", [-1])
        self.taken = array("h", [-1])
        self.next: list[array[int]] = []
        self.ended = bytearray()
        self.restful = bytearray()  # what the bus does in this state: 0 bleeds, 1 is discharged, 2 is fed
        self.levels = bytearray()
        self.seen: set[tuple[str, str]] = set()

    def run(self, most: int = 10_000_000, until: str = "", seconds: float = inf) -> Explored:
        """Go on until the model is closed; `closed` says so.

        most      states at the most
        until     stop at the first breach of this promise
        seconds   no state is begun later
        """
        end_s = time.monotonic() + seconds
        mind, found = self.mind, self.found
        if self.model.rested:
            for _ in range(_REST_ROUNDS):
                self._go(self.choices[0])
        start = mind.save()
        visited = {mind.canonical(): 0}
        queue: deque[tuple[int, bytes]] = deque([(0, start)])
        self._note()
        while queue:
            if time.monotonic() > end_s:
                found.states = len(visited)
                return found
            number, saved = queue.popleft()
            after = array("l")
            for k, choice in enumerate(self.choices):
                mind.put_back(saved)
                for promise, seen in self._go(choice):
                    if (promise, seen) not in self.seen:
                        self.seen.add((promise, seen))
                        way = (*self._way(number), self.labels[k])
                        found.breaches.append(Breach(self.model.name, promise, seen, way))
                        if promise == until:
                            return found
                key = mind.canonical()
                other = visited.get(key)
                if other is None:
                    other = visited[key] = len(self.parents)
                    self.parents.append(number)
                    self.taken.append(k)
                    self._note()
                    queue.append((other, mind.save()))
                    if other >= most:
                        found.states = len(visited)
                        return found
                after.append(other)
            found.transitions += len(self.choices)
            self.next.append(after)
        found.states = len(visited)
        found.closed = True
        self._find_dead_ends()
        return found

    def _way(self, number: int) -> list[str]:
        way: list[str] = []
        while number > 0:
            way.append(self.labels[self.taken[number]])
            number = self.parents[number]
        return way[::-1]

    def _note(self) -> None:
        """What the search for dead ends needs to know of a new state."""
        mind = self.mind
        o = mind.outputs
        well = mind.phases.stage == _ENDS_WELL and mind.judge.dead_ms >= _LAMPS_MS and not mind.memory.mark
        self.ended.append(1 if well and not mind.sup.switches.key else 0)
        self.restful.append(2 if o.negative and (o.positive or o.precharge) else 1 if o.discharge else 0)
        self.levels.append(mind.level)

    def _go(self, choice: Option) -> list[tuple[str, str]]:
        """One choice: a step, or a round of them."""
        mind = self.mind
        sup, i, o, p, r = mind.sup, mind.inputs, mind.outputs, mind.phases, mind.sup.resistors
        memory, judge, found = mind.memory, mind.judge, self.found
        broken: list[tuple[str, str]] = []
        i.__dict__.update(choice.readings)
        for name, value in choice.memory:
            setattr(memory, name, value)
        if choice.ask and not sup.asked:
            sup.ask(choice.ask)
        zone = sup.thermal.zones
        feedback = mind.build.feedback
        for step in range(_ROUND):
            if self.model.follows and not choice.bus:
                self._follow(i, o)
            contacts = (o.positive << 8 | o.negative << 9) ^ choice.lies if feedback else 0
            i.bits = choice.bits | contacts
            if p.stage in _FINE and (not self.model.presses_always or mind.sup.switches.bits & choice.brief):
                i.bits &= ~choice.brief  # a press lasts a step there
            if step > 1:
                i.bits &= ~choice.brief
            i.latch = choice.latch | (choice.pulse if step == 0 else 0)
            r.precharge_mj = mind.build.precharge_budget_mj if choice.hot else 0
            r.discharge_mj = mind.build.discharge_budget_mj if choice.hot else 0
            r.energy_mj = r.doubt_mj = r.cool_ms = 0
            for one in zone:
                one.still_ms = 0
            was = p.stage
            dt = _FINE_STEP_MS if was in _FINE else STEP_MS
            sup.step(i, o, dt)
            if p.stage != was:
                found.ways.add((was, p.stage))
            found.steps += 1
            broken += judge.tick(dt, mind.active())
            dead = i.bus_mv is not None and not i.bus_state and i.bus_mv < mind.bounds.dead_mv
            off = not (o.positive or o.negative or o.precharge or o.discharge)
            mind.dead_ms = min(mind.dead_ms + dt, _PROVEN_MS) if dead and off else 0
            if memory.mark and not memory.want and mind.dead_ms < _PROVEN_MS:
                broken.append(("S9", "the bus counts as proven dead before it was for 10 s"))
            memory.work(sup)
            if p.stage in _FINE or (was >= phases.ALL_OPEN and (p.stage > was or p.stage == phases.IDLE)):
                break
        if p.stage not in _FINE:
            mind.align()
        return broken

    def _follow(self, i: Any, o: Any) -> None:
        """The bus goes part of a level up or down in a step, as the commands make it; undischarged, in a round."""
        mind = self.mind
        top = _LEVEL_STEPS * (len(self.model.bus_mv) - 1)
        if o.negative and o.positive:
            mind.level = top
        elif o.negative and o.precharge:
            mind.level = min(mind.level + 1, top)
        elif o.discharge or mind.sup.turn == 0:
            mind.level = max(mind.level - 1, 0)
        i.bus_mv = self.model.bus_mv[-(-mind.level // _LEVEL_STEPS)]

    # Dead ends

    def _find_dead_ends(self) -> None:
        """From every state and every level of the bus, along the edges that were explored, to off and proven dead."""
        top = len(self.model.bus_mv) - 1
        calm = [self.labels.index(label) for label in self.model.calm]  # the healthy choice at each level of the bus
        known: dict[tuple[int, int, int], int] = {}  # choices to the end; -1: there is none
        for number in range(len(self.next)):
            levels = (0,) if len(calm) == 1 else range(top + 1)
            for level in levels:
                way: list[tuple[int, int, int]] = []
                node = (number, level, 0)
                on_way: set[tuple[int, int, int]] = set()
                while node not in known and node not in on_way and not self.ended[node[0]]:
                    on_way.add(node)
                    way.append(node)
                    node = self._next_node(node, calm, top)
                left = 0 if self.ended[node[0]] else known.get(node, -1)
                if left < 0 and way:
                    left = -1
                for passed in reversed(way):
                    left = left + 1 if left >= 0 else -1
                    known[passed] = left
                longest = known.get((number, level, 0), 0)
                self.found.longest_end = max(self.found.longest_end, longest)
                if longest < 0 or longest > _DEAD_END_CHOICES:
                    if not self.found.dead_ends:
                        way_in = tuple(self._way(number))
                        seen = f"no way to off and dead with the bus at level {level}"
                        self.found.dead_ends.append(Breach(self.model.name, "dead end", seen, way_in))
                    break

    def _next_node(self, node: tuple[int, int, int], calm: list[int], top: int) -> tuple[int, int, int]:
        number, level, waited = node
        if len(calm) == 1:  # the bus follows the commands by itself
            return self.next[number][calm[0]], 0, 0
        what = self.restful[number]
        if what == 2:
            level, waited = top, 0
        elif what == 1 or waited + 1 >= _BLEEDS_EVERY:
            level, waited = max(level - 1, 0), 0
        else:
            waited += 1
        return self.next[number][calm[level]], level, waited


def explore(which: Iterable[Model] | None = None, most: int = 10_000_000) -> list[Explored]:
    """Explore these models, or all of them, one after the other."""
    return [Explorer(model).run(most) for model in (models() if which is None else which)]


def explored_states(found: Iterable[Explored]) -> int:
    """Reachable states, all models together."""
    return sum(one.states for one in found)


def explored_transitions(found: Iterable[Explored]) -> int:
    """Choices taken, in every state, all models together."""
    return sum(one.transitions for one in found)


def exploration_breaches(found: Iterable[Explored]) -> int:
    """Broken promises and dead ends, all models together; a model that was not closed counts as one."""
    return sum(len(one.breaches) + len(one.dead_ends) + (not one.closed) for one in found)
