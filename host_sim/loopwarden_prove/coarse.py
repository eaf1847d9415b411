"""The coarse worlds that are explored: builds with short times, and what may be read in them.

Each model is a product: what the driver does, what the bus reads, and one other thing that is wrong in that choice or
none. Things that are wrong at the same time arise as choices follow each other, since the faults they raise stay.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Any

from loopwarden import signals as S
from loopwarden.policy import fault_table
from loopwarden_build import cross_checks
from loopwarden_build.model import BuildFile

_BUILDS = Path(__file__).resolve().parents[1] / "builds"
_KNOWN = 0x003F1FFF
_NONE: Any = object()


def coarse_build(name: str, changes: Mapping[str, Any]) -> BuildFile:
    """A shipped build file with other values ("timing.ramp": "2 s"; _NONE takes a key away), held to every rule.

    Errors: ValueError with what the build's own rules object to.
    """
    data = tomllib.loads((_BUILDS / f"{name}.toml").read_text(encoding="utf-8"))
    for key, value in changes.items():
        *path, last = key.split(".")
        table = data
        for step in path:
            table = table[step]
        if value is _NONE:
            del table[last]
        else:
            table[last] = value
    build = BuildFile.model_validate(data)
    objections = [finding.text for finding in cross_checks.findings(build)]
    if objections:
        raise ValueError(f"{name}: {'; '.join(objections)}")
    return build


# Set times above 100 ms, and so the times in which they heal: else how far each fault has come multiplies the states.
_SHORT = {str(row[fault_table.NAME]): "100 ms" for row in fault_table.TABLE if int(row[fault_table.SET_MS]) > 100}
_TIMES = {
    "build.tick": "50 ms",
    "contactor.close_time": "50 ms",
    "contactor.release_time": "60 ms",
    "contactor.inspect_after": 1,
    "timing.ramp": "2 s",
    "timing.ramp_fast": "1 s",
    "timing.crawl": "0 s",
    "timing.fallback": "5 s",
    "timing.coast": "2 s",
    "timing.limit_rise": "100 %/s",
    "timing.creep": "10 s",
    "timing.after_run": "0 s",
    "discharge.window": "3 s",
    "isolation.settle": "1 s",
    "debounce": _SHORT,
}


def coarse_truck() -> BuildFile:
    """The truck with one temperature zone, passive cooling and short times."""
    changes: dict[str, Any] = {
        **_TIMES,
        "build.hold_relay": False,
        "build.supply_through_key": False,
        "precharge.resistance": "200 ohm",
        "precharge.tolerance": "1 %",
        "precharge.pulse_energy": "900 J",
        "bus.bleed": "8 kohm",
        "cooling": {"kind": "passive"},
        "inputs.coolant_feedback": "none",
        "limits.inverter": "none",
        "limits.motor": "none",
    }
    for pin in (
        "fan",
        "pump",
        "hold",
        "heater",
        "chiller",
        "chill_valve",
        "coolant",
        *(f"zone {n}" for n in range(2, 6)),
    ):
        changes[f"pins.{pin}"] = _NONE
    zones = tomllib.loads((_BUILDS / "orchard_truck.toml").read_text(encoding="utf-8"))["zone"]
    changes["zone"] = [zones[0] | {"covered_by": []}]
    return coarse_build("orchard_truck", changes)


def coarse_cart(*, bleed: bool = False) -> BuildFile:
    """The bench cart with short times; with a bleed only where asked for."""
    changes: dict[str, Any] = {
        **_TIMES,
        "precharge.resistance": "94 ohm",
        "precharge.tolerance": "1 %",
        "bus.bleed": "4 kohm",
    }
    if bleed:
        del changes["discharge.window"]
        changes |= {
            "discharge": {"kind": "bleed", "window": "60 s"},
            "pins.discharge": _NONE,
            "timing.proof_max": "5 s",
        }
    return coarse_build("bench_cart", changes)


@dataclass(frozen=True)
class Option:
    """Part of a choice, or a whole one: what it makes of the readings.

    bits, clear   set and cleared in `bits`; latch: set in each step; pulse: latched in the first step only
    lies          feedback contacts that report the contrary
    brief         of `bits`, those that last two steps only: a press
    hot           both resistors at their budget
    bus           1: it sets the bus reading
    ask           row that a link asks to clear
    """

    label: str
    bits: int = 0
    clear: int = 0
    brief: int = 0
    latch: int = 0
    pulse: int = 0
    lies: int = 0
    hot: int = 0
    bus: int = 0
    ask: int = 0
    readings: Mapping[str, Any] = field(default_factory=dict)
    memory: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True)
class Model:
    """One closed world. follows: the bus follows the commands where a choice does not set it.

    rested          from 13 s after a power-up with the key off and everything good, else from power-up
    press_most_ms   from the start press to the first contactor
    presses_always  start may be pressed while contactors move as well, when nothing looks at it
    calm   labels of the healthy choices with the key off, one for each level of `bus_mv`, or one where it follows
    """

    name: str
    build: BuildFile
    bus_mv: tuple[int, ...]
    parts: tuple[tuple[Option, ...], ...]
    calm: tuple[str, ...]
    follows: bool = False
    rested: bool = True
    press_most_ms: int = 100
    presses_always: bool = False

    def choices(self) -> list[Option]:
        """The product of the parts, each over a world in which everything is good."""
        return [self._join(options) for options in product(*self.parts)]

    def _join(self, options: Sequence[Option]) -> Option:
        good = _good(self.build)
        bits = good.bits
        readings = dict(good.readings)
        memory = dict(good.memory)
        for option in options:
            bits = (bits | option.bits) & ~option.clear
            readings |= option.readings
            memory |= dict(option.memory)
        return Option(
            " ".join(option.label for option in options if option.label) or "-",
            bits=bits,
            brief=_any(option.brief for option in options),
            latch=_any(option.latch for option in options),
            pulse=_any(option.pulse for option in options),
            lies=_any(option.lies for option in options),
            hot=_any(option.hot for option in options),
            bus=_any(option.bus for option in options),
            ask=_any(option.ask for option in options),
            readings=readings,
            memory=tuple(memory.items()),
        )


def _any(values: Any) -> int:
    result = 0
    for value in values:
        result |= value
    return result


def _good(build: BuildFile) -> Option:
    loops = sum(S.LOOP0 << n for n in range(len(build.loop)))
    middle = round((build.pack.low + build.pack.charge_end) * 500)
    zones = len(build.zone)
    readings = {
        "known": _KNOWN,
        "pack_mv": middle,
        "pack_state": S.OK,
        "bus_mv": 0,
        "bus_state": S.OK,
        "current_ma": 0 if build.current_sense is not None else None,
        "current_state": S.OK if build.current_sense is not None else S.STALE,
        "supply_mv": round((build.supply.low + build.supply.high) * 500),
        "supply_state": S.OK,
        "reference_mv": 1500 if build.reference_sense is not None else None,
        "reference_state": S.OK if build.reference_sense is not None else S.STALE,
        "isolation_ohm": 4_000_000,
        "isolation_state": S.OK,
        "isolation_age_ms": 0,
        "speed_mm_s": None,
        "speed_state": S.QUIET,
        "speed_pulses": 0,
        "zone_dc": [250] * zones + [None] * (S.ZONES_MAX - zones),
        "zone_state": [S.OK] * zones + [S.STALE] * (S.ZONES_MAX - zones),
    }
    memory = (("marks", 1), ("ready", True), ("failed", False))
    return Option("good", bits=loops, readings=readings, memory=memory)


DRIVER = (Option("off"), Option("key", bits=S.KEY), Option("start", bits=S.KEY | S.START, brief=S.START))
FINE = Option("")
PLUG = Option("plug", bits=S.PLUG)
PLUG_CHARGED = Option("plug charged", bits=S.PLUG | S.CHARGED)
PLUG_NO_PERMIT = Option("plug no permit", bits=S.PLUG, clear=S.LOOP0 << 2)


def _levels(build: BuildFile) -> dict[str, int]:
    """Voltages of the bus, in mV: dead, half of pack, pack."""
    middle = round((build.pack.low + build.pack.charge_end) * 500)
    return {"dead": 0, "half": middle // 2, "pack": middle}


def _reads(label: str, **readings: Any) -> Option:
    return Option(label, readings=readings)


STOP = Option("stop", bits=S.STOP, latch=S.STOP)
PACK_UNREAD = _reads("pack unread", pack_mv=None, pack_state=S.OPEN)
MOVING = _reads("moving", speed_mm_s=3_000, speed_state=S.OK, speed_pulses=3)
SPEED_LOST = _reads("speed lost", speed_mm_s=None, speed_state=S.STALE, speed_pulses=None)
CURRENT = _reads("current", current_ma=60_000)
HOT = Option("resistors hot", hot=1)
NO_MARK = Option("no mark", memory=(("marks", 0),))
NOT_READY = Option("memory not ready", memory=(("ready", False),))
LIES = Option("contact lies", lies=S.AUX_POSITIVE)
ISOLATION_BAD = _reads("isolation bad", isolation_ohm=0)
ISOLATION_LOST = _reads("isolation lost", isolation_ohm=None, isolation_state=S.STALE)
SUPPLY_FAILS = _reads("supply fails", supply_mv=1_000)
TRIP = _reads("at trip", zone_dc=[800] + [None] * 9)
UNREAD_ZONE = _reads("zone unread", zone_dc=[None] * 10, zone_state=[S.OPEN] + [S.STALE] * 9)
PLUG_FULL = Option("plug full", bits=S.PLUG, readings={"pack_mv": 416_000})
PLUG_COLD = Option("plug cold", bits=S.PLUG, readings={"zone_dc": [-30] + [None] * 9})


def _free(name: str, build: BuildFile, *levels: str) -> Model:
    """A model in which the bus reads any of these levels at any time."""
    volts = {level: _levels(build)[level] for level in levels}
    bus = tuple(Option(level, bus=1, readings={"bus_mv": mv}) for level, mv in volts.items())
    return Model(name, build, tuple(volts.values()), (DRIVER, bus), tuple(f"off {level}" for level in levels))


def _bound(name: str, build: BuildFile, *wrong: Option, **more: Any) -> Model:
    """A model in which the bus follows the commands."""
    levels = tuple(_levels(build).values())
    return Model(name, build, levels, (DRIVER, (FINE, *wrong)), ("off",), follows=True, **more)


def models() -> list[Model]:
    """All of them, each closed by itself; together they lead through every stage, each abnormal input comes in one."""
    cart, truck = coarse_cart(), coarse_truck()
    return [
        _free("cart, bus dead or at pack voltage", cart, "dead", "pack"),
        _free("cart, bus dead or half way", cart, "dead", "half"),
        _bound("cart, stop", cart, STOP),
        _bound("cart, heat and mark", cart, HOT, NO_MARK, press_most_ms=1200),
        _bound("cart, isolation bad", cart, ISOLATION_BAD),
        _bound("cart, isolation lost", cart, ISOLATION_LOST),
        _bound("truck, wheel", truck, MOVING),
        _bound("truck, speed lost", truck, SPEED_LOST),
        _bound("truck, current", truck, CURRENT),
        _bound("truck, contact", truck, LIES),
        _bound("truck, pack", truck, PACK_UNREAD),
        _bound("truck, supply", truck, SUPPLY_FAILS),
        _bound("truck, zone too hot", truck, TRIP),
        _bound("truck, zone unread", truck, UNREAD_ZONE),
        _bound("truck, charge", truck, PLUG, PLUG_CHARGED, PLUG_FULL),
        _bound("truck, charge when cold", truck, PLUG, PLUG_COLD),
        _bound("truck, charge without permit", truck, PLUG, PLUG_NO_PERMIT),
    ]


def small_models() -> list[Model]:
    """For the test suite: those that are closed in seconds."""
    return [_bound("cart, driver from power-up", coarse_cart(), rested=False, presses_always=True)]
