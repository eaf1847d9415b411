"""A hand-made drive, written from the sequences of the design: what a good supervisor shows the promise monitor.

`cycle` plays it stage by stage; a test changes one thing at one stage and says which promise that breaks. No policy and
no plant is involved.
"""

from collections.abc import Callable, Iterator
from math import exp
from types import SimpleNamespace
from typing import Any

from loopwarden import signals
from loopwarden.signals import ACK, AUX_NEGATIVE, AUX_POSITIVE, KEY, LOOP0, OK, PLUG, QUIET, START
from loopwarden_sim.promise_bounds import Bounds, ZoneBound
from loopwarden_sim.promise_monitor import PromiseMonitor

DT_MS = 20
PACK_V = 380.0
RC_MS = 50.0  # 50 ohm, 1000 uF
DRAIN_MS = 1000.0  # 1 kohm, 1000 uF
ALL_KNOWN = (1 << 22) - 1

# The demo truck's class, with round numbers; fraction times are 0.5 and 1.5 times 50 ms * ln(1/0.05) = 149.8 ms.
BOUNDS = Bounds(
    tick_ms=DT_MS,
    dead_mv=58_000,
    pack_low_mv=150_000,
    pack_high_mv=462_000,
    fraction_permille=950,
    half_rc_ms=40,
    fraction_min_ms=74,
    fraction_max_ms=225,
    settle_max_ms=375,
    close_ms=20,
    release_ms=40,
    start_heat_j=176.0,
    discharge_heat_j=88.0,
    precharge_budget_j=400.0,
    discharge_budget_j=300.0,
    discharge_kind="resistor",
    discharge_window_ms=5000,
    proof_pulse_ms=80,
    hard_loops=LOOP0,
    other_loops=LOOP0 << 1,
    drive_permits=LOOP0 << 2,
    charge_permits=LOOP0 << 3,
    crash_fitted=True,
    plug_fitted=True,
    feedback="normally_closed",
    current_fitted=True,
    current_threshold_ma=5_000,
    speed_fitted=True,
    isolation_fault_ohm=210_000,
    isolation_warn_ohm=420_000,
    isolation_settle_ms=2_000,
    isolation_lost_ms=3_000,
    isolation_while_plugged=True,
    supply_low_mv=9_500,
    supply_high_mv=15_500,
    zones=(ZoneBound("pack", 550, (1,)), ZoneBound("pack", 550, (0,)), ZoneBound("inverter", 900)),
    pack_hot_dc=520,
    pack_trip_dc=550,
    pack_cold_dc=0,
    rise_permille_s=250,
    ramp_ms=20_000,
    ramp_fast_ms=5_000,
    crawl_ms=60_000,
    fallback_ms=30_000,
    coast_ms=20_000,
)


class Bench:
    """Inputs, outputs and truth in hand, and the monitor that watches them."""

    def __init__(self, bounds: Bounds = BOUNDS) -> None:
        self.i: Any = signals.Inputs()
        self.o: Any = signals.Outputs()
        self.w = SimpleNamespace(
            bus_v=0.0,
            pack_v=PACK_V,
            speed_kmh=0.0,
            positive_closed=False,
            negative_closed=False,
            estop=False,
            crash=False,
            hard_loop_open=False,
            precharge_heat_j=0.0,
            discharge_heat_j=0.0,
        )
        self.names: set[str] = set()
        self.answers: Callable[[str], str] = lambda subject: f"{subject}: 12 V of 14 V"
        self.monitor = PromiseMonitor(
            bounds, self.i, self.o, self.w, active=lambda: self.names, why=lambda subject: self.answers(subject)
        )
        self.contacts = (False, False)
        self.dead_ms = 0
        self.keep_lamp = False
        i = self.i
        i.bits = LOOP0 | LOOP0 << 1 | LOOP0 << 2 | LOOP0 << 3
        i.known = ALL_KNOWN
        i.pack_mv, i.pack_state = int(1000 * PACK_V), OK
        i.current_ma, i.current_state = 0, OK
        i.supply_mv, i.supply_state = 13_800, OK
        i.isolation_ohm, i.isolation_state = 2_000_000, OK
        i.speed_state, i.speed_pulses = QUIET, 0
        for zone in range(3):
            i.zone_dc[zone], i.zone_state[zone] = 250, OK
        self.bus(0.0)

    def bus(self, volts: float) -> None:
        """The bus at `volts`, and read so."""
        self.w.bus_v = volts
        self.i.bus_mv, self.i.bus_state = int(1000 * volts), OK

    def speed(self, kmh: float) -> None:
        """Moving at `kmh`, and read so."""
        self.w.speed_kmh = kmh
        self.i.speed_mm_s, self.i.speed_state = (int(kmh / 0.0036), OK) if kmh else (None, QUIET)

    def limits(self, drive: int, charge: int) -> None:
        """Run until both limits are there, upwards along the permitted rise, downwards at once."""
        o = self.o
        while o.drive_limit_permille != drive or o.charge_limit_permille != charge:
            o.drive_limit_permille = min(o.drive_limit_permille + 5, drive)
            o.charge_limit_permille = min(o.charge_limit_permille + 5, charge)
            self.run(DT_MS)

    def off(self) -> None:
        """Everything off, as for an emergency."""
        self.o.off()

    def run(self, ms: int) -> None:
        """Let so much time pass, a tick at a time, with lamps and feedback contacts as they should be."""
        for _ in range(ms // DT_MS):
            i, o, w = self.i, self.o, self.w
            w.positive_closed, w.negative_closed = self.contacts  # the world obeys the last tick's commands
            i.bits &= ~(AUX_POSITIVE | AUX_NEGATIVE)
            i.bits |= (AUX_POSITIVE if w.positive_closed else 0) | (AUX_NEGATIVE if w.negative_closed else 0)
            closed = o.positive or o.negative or o.precharge or i.bits & (AUX_POSITIVE | AUX_NEGATIVE)
            self.dead_ms = 0 if closed or i.bus_mv is None or i.bus_mv >= 58_000 else self.dead_ms + DT_MS
            if not self.keep_lamp:
                o.lamp_hv = int(self.dead_ms < 1000)
            o.heartbeat ^= 1
            self.monitor.tick()
            self.contacts = bool(o.positive), bool(o.negative)

    def press(self, bit: int, on: bool = True) -> None:
        """Set or clear a two-state input."""
        self.i.bits = self.i.bits | bit if on else self.i.bits & ~bit

    def broken(self) -> set[str]:
        """The promises broken so far."""
        return {breach.promise for breach in self.monitor.breaches}

    def seen(self) -> str:
        """All breaches as text, for a failing test."""
        return "\n".join(str(breach) for breach in self.monitor.breaches)


def rising_v(ms: float, rc_ms: float = RC_MS) -> float:
    """A bus filling through its resistor. Source: V = V0*(1 - exp(-t/(R*C)))."""
    return PACK_V * (1 - exp(-ms / rc_ms))


def cycle(b: Bench, *, charge: bool = False, fill_ms: int = 260, rc_ms: float = RC_MS) -> Iterator[str]:
    """One whole drive (or charge); yields the name of each stage just before it begins."""
    o = b.o
    b.press(KEY)
    b.press(PLUG, charge)
    b.run(1200)
    b.press(START)
    b.run(DT_MS)
    yield "asked"
    o.precharge = 1
    b.run(60)
    yield "first proof"
    o.precharge = 0
    b.run(40)
    yield "between the proofs"
    o.negative = 1
    b.run(60)
    b.press(START, False)
    yield "filling"
    o.precharge = 1
    b.run(DT_MS)  # the contact's travel
    for ms in range(DT_MS, fill_ms, DT_MS):
        b.bus(rising_v(ms, rc_ms))
        b.run(DT_MS)
    b.bus(rising_v(fill_ms, rc_ms))
    yield "full"
    o.positive = 1
    o.precharge = 0
    b.run(DT_MS)
    b.bus(PACK_V)
    o.hv_loads_enable = 1
    yield "live"
    if charge:
        b.run(1020)
        o.charger_enable = 1
        b.limits(0, 1000)
        yield "charging"
        b.run(2000)
        b.limits(0, 0)
        o.charger_enable = 0
    else:
        o.inverter_enable = 1
        b.limits(50, 0)
        b.run(1000)
        b.limits(200, 200)
        b.run(1000)
        b.limits(1000, 1000)
        b.speed(40.0)
        yield "driving"
        b.run(4000)
        b.speed(0.0)
        b.run(2000)
        yield "standing"
        b.limits(0, 0)
        o.inverter_enable = 0
    o.hv_loads_enable = 0
    b.run(200)
    yield "opening"
    o.positive = 0
    b.run(40)
    yield "pulse"
    o.discharge = 1
    for _ in range(4):
        b.bus(b.w.bus_v * exp(-DT_MS / DRAIN_MS))
        b.run(DT_MS)
    yield "after the pulse"
    o.discharge = 0
    o.negative = 0
    b.run(40)
    yield "discharging"
    o.discharge = 1
    while b.w.bus_v > 20.0:
        b.bus(b.w.bus_v * exp(-DT_MS / DRAIN_MS))
        b.run(DT_MS)
    yield "discharged"
    o.discharge = 0
    b.run(10_000)
    b.press(KEY, False)
    b.run(200)
    yield "dead"


def play(b: Bench, stage: str = "", change: Callable[[Bench], None] = lambda b: None, **how: Any) -> Bench:
    """Play the whole cycle with one change, made when `stage` is about to begin."""
    met = stage == ""
    for now in cycle(b, **how):
        if now == stage:
            change(b)
            met = True
    assert met, f"no stage {stage}"
    return b


__all__ = ["ACK", "BOUNDS", "DT_MS", "PACK_V", "Bench", "cycle", "play", "rising_v"]
