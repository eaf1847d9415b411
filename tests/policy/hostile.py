"""A rig that lets anything be read, at any step of time, and a judge that looks at every tick of it."""

import copy
from dataclasses import replace
from functools import cache
from math import exp

from loopwarden import signals as S
from loopwarden.policy import fault_table as T
from loopwarden.policy.supervisor import Supervisor
from loopwarden_build.load import read_build
from loopwarden_prove.edge_judge import EdgeJudge
from loopwarden_sim.promise_bounds import bounds_of

from .rig import BUILDS, NAME_OF, Rig, device_build

OUTPUTS = tuple(vars(S.Outputs()))
READINGS = ("pack_mv", "bus_mv", "current_ma", "supply_mv", "reference_mv", "isolation_ohm", "speed_mm_s")
NOT_KNOWN = (S.OPEN, S.SHORT, S.STALE, S.RANGE, S.DEVICE)
DEAD_BEFORE_CLEARING_MS = 10_000
ROWS = {row[T.ID]: row for row in T.TABLE}
COLUMNS = (T.OFF, T.STANDING, T.MOVING)


def state_of(reading):
    return reading.rsplit("_", 1)[0].replace("speed_mm", "speed") + "_state"


@cache
def bounds(name):
    return bounds_of(read_build(BUILDS / f"{name}.toml"))


class HeatOfReadings:
    """S12 from readings alone: the least heat that they tell of, in joule, cooled with the build's own time constants.

    It counts only from command plus travel time on, with readings that are valid, and none of a contactor's release
    time; so it is never more than what the resistors really took, if the readings are true. Source: P = U^2/R.
    """

    MARGIN = 1.02  # the policy's own cooling goes in steps of a second; a tick at either end

    def __init__(self, build):
        self.build = build
        self.precharge_j = self.discharge_j = 0.0
        self.precharge_ms = self.discharge_ms = 0  # commanded for so long

    def tick(self, i, before, dt):
        """before: the commands that were on in this tick."""
        b = self.build
        self.precharge_j *= exp(-dt / 1000 / b.precharge_cool_s)
        self.discharge_j *= exp(-dt / 1000 / b.discharge_cool_s)
        path = {"precharge", "negative"} <= before
        bus_v = i.bus_mv / 1000 if i.bus_mv is not None and not i.bus_state else None
        pack_v = i.pack_mv / 1000 if i.pack_mv is not None and not i.pack_state else None
        if path and self.precharge_ms >= b.close_ms and bus_v is not None and pack_v is not None:
            self.precharge_j += (pack_v - bus_v) ** 2 / (b.precharge_r_mohm / 1000) * dt / 1000
        if "discharge" in before and self.discharge_ms >= b.close_ms and bus_v is not None:
            self.discharge_j += bus_v**2 / (b.discharge_r_mohm / 1000) * dt / 1000
        self.precharge_ms = self.precharge_ms + dt if path else 0
        self.discharge_ms = self.discharge_ms + dt if "discharge" in before else 0

    def broken(self):
        b = self.build
        if self.precharge_j * 1000 > b.precharge_budget_mj * self.MARGIN:
            yield f"S12: precharge resistor at {self.precharge_j:.1f} J of {b.precharge_budget_mj / 1000} J"
        if b.discharge_kind == 0 and self.discharge_j * 1000 > b.discharge_budget_mj * self.MARGIN:
            yield f"S12: discharge resistor at {self.discharge_j:.1f} J of {b.discharge_budget_mj / 1000} J"


class Hostile(Rig):
    """One vehicle whose readings may be anything. `broken`: what was not kept in the last tick, as texts.

    A second supervisor, the twin, gets the same valid readings, and other garbage where none is valid: beside a state
    that is not OK, and in bits that are not known. It must decide the same.
    """

    def __init__(self, name="orchard_truck", release_ms=None, **judged):
        """release_ms: of every contactor, in place of the build's own."""
        changes = {} if release_ms is None else {"release_ms": release_ms}
        super().__init__(device_build(name, **changes))
        self.name = name
        self.judge = EdgeJudge(replace(bounds(name), **changes), self.inputs, self.out, **judged)
        self.broken = []
        self.heat = HeatOfReadings(self.build)
        self.twin_memory = copy.deepcopy(self.memory)
        self.twin_inputs, self.twin_out = S.Inputs(), S.Outputs()
        self.twin = Supervisor(self.build, self.twin_memory)
        self.locked = frozenset()
        self.dead_ms = 0

    def tick(self):
        self.plant.advance(self.out, self.dt)
        self.t_ms += self.dt
        self.fill()
        before = self.sup.asked
        self.heat.tick(self.inputs, self.commanded, self.dt)
        self.sup.step(self.inputs, self.out, self.dt)
        self.broken = [f"{promise}: {seen}" for promise, seen in self.judge.tick(self.dt, self.faults)]
        self.broken.extend(self.heat.broken())
        self.locks_hold(before)
        self.memory.work(self.sup)
        self.all_recorded()
        self.twin_decides_the_same()

    def locks_hold(self, asked):
        """S9, S15: a lock that is active stays, unless it was asked for, acknowledged, and the bus proven dead."""
        bus, dead = self.inputs.bus_mv, not self.inputs.bus_state
        dead = dead and bus is not None and bus < self.build.dead_mv and not self.commanded
        self.dead_ms = min(self.dead_ms + self.dt, DEAD_BEFORE_CLEARING_MS) if dead else 0
        locked = frozenset(i for i in self.sup.faults.active_ids() if ROWS[i][T.ENDS] in (T.LOCK, T.ACKED))
        for row in self.locked - locked:
            pressed = (self.inputs.bits or 0) & (self.inputs.known or 0) & S.ACK
            if row != asked or not pressed or self.dead_ms < DEAD_BEFORE_CLEARING_MS:
                self.broken.append(f"S9: {NAME_OF[row]} ended by itself")
        self.locked = locked

    def all_recorded(self):
        """S8: what is active and more than a note has its record, with its freeze frame, when the tick is over."""
        for row in self.sup.faults.active_ids():
            reaction = max(ROWS[row][column] for column in COLUMNS)
            if ROWS[row][T.CODE] and reaction >= T.CAUTION and row not in self.memory.records:
                self.broken.append(f"S8: {NAME_OF[row]} is active without a record")

    def twin_decides_the_same(self):
        """S10, S14: equal valid readings, equal commands; what stands where nothing is known is not looked at."""
        mine, other = self.inputs, self.twin_inputs
        other.__dict__.update(mine.__dict__)
        other.zone_dc = [None if state else dc for dc, state in zip(mine.zone_dc, mine.zone_state, strict=True)]
        for reading in READINGS:
            if getattr(mine, state_of(reading)):
                setattr(other, reading, None)
        if mine.bits is not None and mine.known is not None:
            other.bits = mine.bits ^ (0x003F1FFF & ~mine.known)
        self.twin.step(other, self.twin_out, self.dt)
        self.twin_memory.work(self.twin)
        for name in OUTPUTS:
            if getattr(self.out, name) != getattr(self.twin_out, name):
                self.broken.append(f"S14: {name} differs from that of a twin with the same valid readings")

    def ask(self, row):
        self.sup.ask(row)
        self.twin.ask(row)

    def remember(self, **changes):
        """The fault memory says this of itself, in both."""
        for memory in (self.memory, self.twin_memory):
            memory.__dict__.update(changes)

    def power_cycle(self):
        """The board loses its supply for a moment and comes back; contactors and bus are as they are."""
        for memory in (self.memory, self.twin_memory):
            memory.begin()
        self.sup, self.twin = Supervisor(self.build, self.memory), Supervisor(self.build, self.twin_memory)
        for old, new in ((self.out, S.Outputs()), (self.twin_out, S.Outputs())):
            old.__dict__.update(new.__dict__)
        kept = self.locked
        self.locked = frozenset(i for i in self.sup.faults.active_ids() if ROWS[i][T.ENDS] in (T.LOCK, T.ACKED))
        self.judge.power_off()
        return kept - self.locked  # S9: what did not survive
