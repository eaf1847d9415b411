"""A supervisor wired to the tiny plant: what the policy's tests step, hold and ask."""

from functools import cache
from pathlib import Path

from loopwarden import signals as S
from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy import fault_table as T
from loopwarden.policy import phases
from loopwarden.policy.supervisor import Supervisor
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build

from .tiny_plant import TinyPlant

BUILDS = Path(__file__).parents[2] / "host_sim" / "builds"
ID_OF = {row[T.NAME]: row[T.ID] for row in T.TABLE}
NAME_OF = {row[T.ID]: row[T.NAME] for row in T.TABLE}
PULSE_MM = 250  # wheel travel between two speed pulses
COMMANDS = ("positive", "negative", "precharge", "discharge")


@cache
def device_values(name):
    """The values of a shipped build file's integer build."""
    return to_device(read_build(BUILDS / f"{name}.toml"))


def device_build(name="orchard_truck", **changes):
    """The integer build of a shipped build file, with some of its values changed."""
    values = dict(device_values(name))
    assert set(changes) <= set(values), f"no such value in a build: {sorted(set(changes) - set(values))}"
    return Build(values | changes)


class Rig:
    """One vehicle: world, driver and supervisor. Attributes are set from outside between ticks.

    key, start, ack, plug, service, stop, crash, charged, coolant, coil_fault, lamp_fault   levels of two-state inputs
    loops          mask of closed loops
    speed_mm_s     true speed; None: the speed channel is dead
    held           dict: attribute of Inputs -> value that overrides what the world would give
    """

    def __init__(self, build=None, memory=None, pack_v=None, **plant):
        self.build = build or device_build()
        self.memory = memory or RamMemory()
        self.memory.begin()
        self.sup = Supervisor(self.build, self.memory)
        self.inputs = S.Inputs()
        self.out = self._outputs()
        middle_v = (self.build.pack_derate_mv + self.build.charge_end_mv) / 2000
        self.plant = TinyPlant(self.build, middle_v if pack_v is None else pack_v)
        for name, value in plant.items():
            assert hasattr(self.plant, name), name
            setattr(self.plant, name, value)
        self.dt = self.build.tick_ms
        self.t_ms = 0
        self.key = self.start = self.ack = self.plug = self.service = self.stop = self.crash = self.charged = 0
        self.coolant = 1
        self.coil_fault = self.lamp_fault = 0
        self.loops = (1 << len(self.build.loop_kind)) - 1
        self.latch = 0  # for one tick
        self.unreadable = 0  # mask of two-state inputs that cannot be read
        self.speed_mm_s = 0
        self.travel_mm = 0.0
        self.zones_dc = [250] * len(self.build.zone_where)
        self.isolation_ohm = 4_000_000
        self.held = {}
        self.recorder = None
        self.heat_seen = 0

    def _outputs(self):
        return S.Outputs()

    def fill(self):
        """World to inputs, in exact units: conversion is not under test here."""
        i, p, b = self.inputs, self.plant, self.build
        bits = self.loops << 16
        levels = (
            (self.key, S.KEY),
            (self.start, S.START),
            (self.ack, S.ACK),
            (self.plug, S.PLUG),
            (self.service, S.SERVICE),
            (self.stop, S.STOP),
            (self.crash, S.CRASH),
            (self.charged, S.CHARGED),
            (self.coolant, S.COOLANT),
            (self.coil_fault, S.COIL_FAULT),
            (self.lamp_fault, S.LAMP_FAULT),
            (b.feedback and p.positive.closed, S.AUX_POSITIVE),
            (b.feedback and p.negative.closed, S.AUX_NEGATIVE),
        )
        for level, bit in levels:
            if level:
                bits |= bit
        known = 0x003F1FFF & ~self.unreadable
        i.bits = bits & known
        i.known = known
        i.latch = self.latch | (~self.loops << 16 & (1 << 16 + len(b.loop_kind)) - 1 & ~0xFFFF)
        if self.stop:
            i.latch |= S.STOP
        if self.crash:
            i.latch |= S.CRASH
        self.latch = 0
        i.pack_mv, i.pack_state = round(p.pack_terminal_v * 1000), S.OK
        i.bus_mv, i.bus_state = round(p.bus_v * 1000), S.OK
        if b.current_fitted:
            i.current_ma, i.current_state = round(p.current_a * 1000), S.OK
        i.supply_mv, i.supply_state = (b.supply_low_mv + b.supply_high_mv) // 2, S.OK
        if b.reference_fitted:
            i.reference_mv, i.reference_state = b.reference_mv, S.OK
        i.isolation_ohm, i.isolation_state, i.isolation_age_ms = self.isolation_ohm, S.OK, 100
        for z, dc in enumerate(self.zones_dc):
            i.zone_dc[z], i.zone_state[z] = dc, S.OK
        self._speed(i)
        i.late_ms = 0
        i.heap_free = 1 << 17
        for name, value in self.held.items():
            assert hasattr(i, name), name
            setattr(i, name, list(value) if isinstance(value, list) else value)

    def _speed(self, i):
        if not self.build.speed_fitted:
            return
        if self.speed_mm_s is None:
            i.speed_mm_s, i.speed_state, i.speed_pulses = None, S.STALE, None
            return
        self.travel_mm += self.speed_mm_s * self.dt / 1000
        pulses = int(self.travel_mm // PULSE_MM)
        self.travel_mm -= pulses * PULSE_MM
        i.speed_pulses = pulses
        if pulses:
            i.speed_mm_s, i.speed_state = round(self.speed_mm_s), S.OK
        elif not self.speed_mm_s:
            i.speed_mm_s, i.speed_state = None, S.QUIET

    def tick(self):
        """One tick: the plant under the old commands, the readings, the decision, the memory."""
        self.plant.advance(self.out, self.dt)
        self.t_ms += self.dt
        self.fill()
        self.sup.step(self.inputs, self.out, self.dt)
        if self.recorder is not None:
            self.recorder(self)
        self.memory.work(self.sup)

    def cut_power(self):
        """The board loses its supply for a moment and comes back; contactors and bus are as they are."""
        self.memory.begin()
        self.sup = Supervisor(self.build, self.memory)
        self.out.__dict__.update(S.Outputs().__dict__)

    def run(self, ms):
        """Whole ticks that cover `ms`; returns the rig."""
        for _ in range(-(-ms // self.dt)):
            self.tick()
        return self

    def until(self, met, within_ms):
        """Tick until met(rig); the milliseconds it took. Fails when it takes longer than within_ms."""
        begin = self.t_ms
        while not met(self):
            assert self.t_ms - begin < within_ms, f"not met within {within_ms} ms: {self.story()}"
            self.tick()
        return self.t_ms - begin

    @property
    def phase(self):
        return phases.NAMES[self.sup.phase]

    @property
    def faults(self):
        """Names of the active rows."""
        return {NAME_OF[row] for row in self.sup.faults.active_ids()}

    @property
    def stored(self):
        """Names of the stored codes."""
        return {NAME_OF[record["row"]] for record in self.memory.codes()}

    @property
    def commanded(self):
        """Names of the coils that are on."""
        return {name for name in COMMANDS if getattr(self.out, name)}

    def story(self):
        return (
            f"t={self.t_ms} phase={self.phase} stage={self.sup.phases.stage} on={sorted(self.commanded)} "
            f"refused={self.sup.phases.refused} faults={sorted(self.faults)} bus={self.plant.bus_v:.1f} V"
        )

    # What a driver does

    def turn_key(self):
        """Key on, and the lamp test over."""
        self.key = 1
        return self.run(2_600)

    def press_start(self):
        """A start press of 200 ms."""
        self.start = 1
        self.run(200)
        self.start = 0
        return self.run(self.dt)

    def wake(self):
        """Power-up until the bus has been dead for a while."""
        return self.run(400)

    def go_live(self):
        """From power-up to live with everything granted that this build grants."""
        self.wake().turn_key().press_start()
        self.until(lambda r: r.phase == "live", 5_000)
        self.run(1_500)
        assert self.sup.phases.solid, self.story()
        return self

    def drive(self, speed_mm_s=10_000, load_a=60.0):
        """Live and rolling, isolation settled, limits up."""
        self.go_live()
        self.speed_mm_s = speed_mm_s if self.build.speed_fitted else 0
        self.plant.load_a = load_a
        return self.run(max(self.build.iso_settle_ms, 10_000) + 6_000)

    def stand(self):
        """Let go of the pedal, roll out and stand."""
        self.plant.load_a = 0.0
        while self.speed_mm_s:
            self.speed_mm_s = max(self.speed_mm_s - 2 * self.dt, 0)
            self.tick()
        return self.run(2_500)
