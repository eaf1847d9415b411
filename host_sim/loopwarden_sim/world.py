"""The world around one supervisor: plant and sensors as one, with every quantity, fault and truth by name.

A scenario talks to this and to nothing below it. Names are checked here, with their units and ranges.
"""

import copy
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from loopwarden.build import Build
from loopwarden.convert.edge import Edge
from loopwarden.signals import Inputs
from loopwarden_build.integer_build import to_device
from loopwarden_build.model import BuildFile
from loopwarden_sim.plant import Commands, Plant
from loopwarden_sim.plant_contactor import Contactor
from loopwarden_sim.plant_parameters import from_build
from loopwarden_sim.sensor_channel import Channel
from loopwarden_sim.sensor_frames import SpeedFrames
from loopwarden_sim.sensor_isolation import IsolationOutput
from loopwarden_sim.sensor_loops import Loops
from loopwarden_sim.sensor_speed import SpeedPulses
from loopwarden_sim.sensors import BUTTONS, WIRES, Sensors

_KMH = 3.6
_POSITIONS = ("run", "service", "test")  # of the service switch; in "service" alone the coils have no supply
_NONE_OHM = 1e12  # and more: no leak, no load


@dataclass(frozen=True)
class Quantity:
    """A number that may be set or given: unit ("" for a switch or a count), lowest, highest, meaning.

    words   the positions of a switch with more than two, from 0 on
    """

    unit: str
    low: float
    high: float
    meaning: str
    words: tuple[str, ...] = field(default=(), kw_only=True)


@dataclass(frozen=True)
class Argument(Quantity):
    """An argument of a fault; `default` None: it must be given."""

    default: float | None = None


@dataclass(frozen=True)
class Fault:
    """A way to fail. names: what it can strike ("loop", "zone", "" for nothing to choose); arguments by name."""

    meaning: str
    names: str
    arguments: Mapping[str, Argument]
    begin: Callable[["World", str, Mapping[str, float]], None]
    end: Callable[["World", str], None]


class World:
    """One build's surroundings.

    step(outputs, dt_ms)   physics of one tick under these commands, then the sensors sample
    fill(inputs)           the board's own conversion writes the inputs from what was sampled
    set, strike, heal      by name; ValueError names what is wrong and what would be right
    TRUTH                  name to getter: what really is, for traces and expectations
    """

    SETTABLE: dict[str, Quantity]
    FAULTS: Mapping[str, Fault]
    TRUTH: Mapping[str, Callable[["World"], float]]

    def __init__(self, build: BuildFile, seed: int) -> None:
        self.build = build
        self.parameters = from_build(build)
        self.plant = Plant(self.parameters)
        self._device = Build(to_device(build))
        self.edge = Edge(self._device)
        self.sensors = Sensors(build, self.plant, self.edge.raw, seed)
        self.active: dict[tuple[str, str], None] = {}  # faults present, with what they struck
        self.late_ms = 0
        self.heap_free = 1 << 20
        self.store_failed = self.journal_nearly_full = self.record_damaged = self.isolation_drifting = False
        self.openings_under_load = 0
        self._dt_ms = 0
        self._hold = 0

    def __deepcopy__(self, memo: dict[int, Any]) -> "World":
        # The edge goes on in generators, of which there are no copies: in this one they begin anew from what it keeps.
        other = type(self).__new__(type(self))
        memo[id(self)] = other
        other.__dict__.update(copy.deepcopy(self.__dict__, memo))
        if other.edge.inputs is not None:
            other.edge.bind(other.edge.inputs)
        return other

    def step(self, outputs: Commands, dt_ms: int) -> None:
        """Let `dt_ms` pass under `outputs`."""
        self._dt_ms = dt_ms
        self._hold = outputs.hold
        dt_s = dt_ms * 0.001
        self.plant.coil_broken = self.sensors.coils_broken()
        self.plant.step(outputs, dt_s)
        self.sensors.sample(dt_s)

    def fill(self, inputs: Inputs) -> None:
        """Write the readings of the last step into `inputs`."""
        self.edge.fill(inputs, self._dt_ms)
        inputs.late_ms = self.late_ms
        inputs.heap_free = self.heap_free

    def restart_board(self) -> None:
        """The board was reset: its conversions begin anew and remember nothing."""
        self.edge = Edge(self._device)
        self.sensors.connect(self.edge.raw)

    def read(self, name: str) -> float:
        """The truth called `name`; a yes or no is 1 or 0."""
        if name not in self.TRUTH:
            raise ValueError(f"{name}: not a truth of the world")
        return self.TRUTH[name](self)

    def set(self, name: str, value: float) -> None:
        """Set a quantity of SETTABLE, in its unit."""
        known = self.SETTABLE.get(name)
        if known is None:
            raise ValueError(f"{name}: not a quantity of the world")
        if not known.low <= value <= known.high:
            raise ValueError(f"{name} = {value:g}: allowed {known.low:g} to {known.high:g} {known.unit}".rstrip())
        _SETTERS[name](self, value)
        self.plant.refresh()

    def strike(self, fault: str, name: str = "", **arguments: float) -> None:
        """Let a fault of FAULTS happen; `name` says which loop or zone where there is a choice."""
        kind = self._fault(fault, name)
        values: dict[str, float] = {}
        for key, argument in kind.arguments.items():
            given = arguments.pop(key, argument.default)
            if given is None:
                raise ValueError(f"{fault}: needs {key} in {argument.unit}")
            if not argument.low <= given <= argument.high:
                limits = f"{argument.low:g} to {argument.high:g} {argument.unit}"
                raise ValueError(f"{fault}: {key} = {given:g}: allowed {limits}")
            values[key] = given
        if arguments:
            known = ", ".join(kind.arguments) or "none"
            raise ValueError(f"{fault}: has no argument {next(iter(arguments))}; known: {known}")
        kind.begin(self, name, values)
        self.active[fault, name] = None
        self.plant.refresh()

    def heal(self, fault: str, name: str = "") -> None:
        """End a fault that is present."""
        kind = self._fault(fault, name)
        if (fault, name) not in self.active:
            raise ValueError(f"{fault}: is not present")
        del self.active[fault, name]
        kind.end(self, name)
        self.plant.refresh()

    def names_of(self, fault: str) -> list[str]:
        """What `fault` can strike in this build: loop or zone names; empty where there is nothing to choose."""
        names = self.FAULTS[fault].names
        if names == "loop":
            return self.sensors.loops.names
        if names == "zone":
            return self.sensors.zone_names
        return self.plant.heat.names if names == "pack zone" else []

    def _fault(self, fault: str, name: str) -> Fault:
        kind = self.FAULTS.get(fault)
        if kind is None:
            raise ValueError(f"{fault}: not a fault of the world")
        known = self.names_of(fault)
        if kind.names and name not in known:
            raise ValueError(f"{fault}: no {kind.names} is called {name!r}; known: {', '.join(known)}")
        if name and not kind.names:
            raise ValueError(f"{fault}: strikes one thing only, so it takes no name")
        if fault not in self.possible():
            raise ValueError(f"{fault}: this build has nothing that could fail so")
        return kind

    def possible(self) -> frozenset[str]:
        """Faults that this build has the parts for."""
        faults = set(self.FAULTS)
        sensors, build = self.sensors, self.build
        for channel in ("current", "reference"):
            if channel not in sensors.channels:
                faults -= {f"{channel}_{kind}" for kind in Channel.FAULTS}
        if sensors.speed is None:
            faults -= {f"speed_{kind}" for kind in SpeedFrames.FAULTS}
        if isinstance(sensors.speed, SpeedPulses):
            faults -= {f"speed_{kind}" for kind in SpeedFrames.FAULTS if kind not in SpeedPulses.FAULTS}
        if build.discharge.kind == "bleed":
            faults -= {f"discharge_{kind}" for kind in ("welded", "stuck_open", "slow", "bouncing")}
            faults -= {f"discharge_resistor_{kind}" for kind in ("open", "short", "drift")}
        if "current" not in sensors.channels:
            faults.discard("current_reversed")
        if build.contactor.feedback == "none":
            faults -= {"contacts_swapped", *(name for name in WIRES if name.startswith("aux_"))}
        if len(build.zone) < 2:
            faults.discard("zone_swapped")
        if not sensors.isolation.reports_faults:
            faults.discard("isolation_device")
        for fault, fitted in (
            ("coolant_wire_open", build.inputs.coolant_feedback),
            ("coil_driver_fault", build.inputs.coil_feedback),
            ("lamp_driver_fault", build.inputs.lamp_feedback),
        ):
            if fitted != "fitted":
                faults.discard(fault)
        return frozenset(faults)


def _switch(bit: int) -> Callable[[World, float], None]:
    def setter(world: World, value: float) -> None:
        sensors = world.sensors
        sensors.pressed = sensors.pressed | bit if value else sensors.pressed & ~bit
        world.plant.plugged = bool(sensors.pressed & BUTTONS["plug"])

    return setter


def _service(world: World, value: float) -> None:
    _switch(BUTTONS["service"])(world, value)
    world.sensors.coil_supply_off = int(value) == _POSITIONS.index("service")


def _attribute(path: str, scale: float = 1) -> Callable[[World, float], None]:
    """A setter of the attribute at `path` below the world; `scale` turns the unit of the name into the plant's."""
    *way, last = path.split(".")

    def setter(world: World, value: float) -> None:
        target: object = world
        for step in way:
            target = getattr(target, step)
        setattr(target, last, value * scale)

    return setter


def _flag(path: str) -> Callable[[World, float], None]:
    setter = _attribute(path)
    return lambda world, value: setter(world, bool(value))


def _ohms(path: str) -> Callable[[World, float], None]:
    setter = _attribute(path)
    return lambda world, value: setter(world, math.inf if value >= _NONE_OHM else value)


def _pack_degc(world: World, value: float) -> None:
    world.plant.heat.pack = [value] * len(world.plant.heat.pack)


def _following(world: World, value: float) -> None:
    world.plant.vehicle.following = bool(value)


def _ambient(world: World, value: float) -> None:
    world.plant.heat.ambient = value


def _all_degc(world: World, value: float) -> None:
    """Everything has taken the temperature of the place, as after a night."""
    heat = world.plant.heat
    heat.ambient = heat.coolant = heat.inverter = heat.motor = value
    _pack_degc(world, value)


def _whole(path: str) -> Callable[[World, float], None]:
    setter = _attribute(path)
    return lambda world, value: setter(world, int(value))


_SWITCH = ("", 0, 1)
_Row = tuple[str, float, float, str, Callable[[World, float], None]]
_QUANTITIES: dict[str, _Row] = {
    **{name: (*_SWITCH, f"{name} on or off", _switch(bit)) for name, bit in BUTTONS.items()},
    "service": ("", 0, 2, "service switch: run, service (the coils have no supply) or test", _service),
    "stop": (*_SWITCH, "emergency stop button pressed", _flag("sensors.stop")),
    "crash": (*_SWITCH, "crash signal present", _flag("sensors.crash")),
    "stop_pulse_ms": ("ms", 0, 10_000, "one emergency stop pulse from now", _attribute("sensors.stop_pulse_s", 1e-3)),
    "crash_pulse_ms": ("ms", 0, 10_000, "one crash pulse from now", _attribute("sensors.crash_pulse_s", 1e-3)),
    "throttle": ("", 0, 1, "pedal, while no trace is followed", _attribute("plant.vehicle.throttle")),
    "brake": ("", 0, 1, "pedal, while no trace is followed", _attribute("plant.vehicle.brake")),
    "trace": (*_SWITCH, "the driver follows the speed trace", _following),
    "trace_s": ("s", 0, 1800, "where in the trace", _attribute("plant.vehicle.trace_s")),
    "trace_scale": ("", 0.05, 1, "factor on the trace's speed", _attribute("plant.vehicle.trace_scale")),
    "speed_kmh": ("km/h", 0, 200, "speed now", _attribute("plant.vehicle.speed_m_s", 1 / _KMH)),
    "slope_percent": ("%", -30, 30, "rise of the road; below 0 downhill", _attribute("plant.vehicle.slope", 0.01)),
    "mass_kg": ("kg", 20, 40_000, "mass of the vehicle with its load", _attribute("plant.vehicle.mass_kg")),
    "emf_v_per_kmh": ("V", 0, 50, "an unpowered motor feeds the bus", _attribute("plant.emf_v_per_m_s", _KMH)),
    "ambient_degc": ("degC", -40, 60, "air around", _ambient),
    "soaked_degc": ("degC", -40, 60, "air, pack, motor, inverter and coolant, after a night", _all_degc),
    "pack_degc": ("degC", -40, 100, "all pack zones now", _pack_degc),
    "inverter_degc": ("degC", -40, 200, "inverter now", _attribute("plant.heat.inverter")),
    "motor_degc": ("degC", -40, 250, "motor now", _attribute("plant.heat.motor")),
    "coolant_degc": ("degC", -40, 120, "coolant now", _attribute("plant.heat.coolant")),
    "pack_heat_w": ("W", -1e5, 1e6, "further heat in the pack", _attribute("plant.heat.extra_pack_w")),
    "inverter_heat_w": ("W", -1e5, 1e6, "further heat in the inverter", _attribute("plant.heat.extra_inverter_w")),
    "motor_heat_w": ("W", -1e5, 1e6, "further heat in the motor", _attribute("plant.heat.extra_motor_w")),
    "wetness_percent": ("%", 0, 100, "water on all insulation", _attribute("plant.leakage.wetness", 0.01)),
    "leak_positive_ohm": ("ohm", 1, math.inf, "pack positive to chassis", _ohms("plant.leakage.pack_positive_ohm")),
    "leak_negative_ohm": ("ohm", 1, math.inf, "pack negative to chassis", _ohms("plant.leakage.pack_negative_ohm")),
    "leak_middle_ohm": ("ohm", 1, math.inf, "middle of the pack to chassis", _ohms("plant.leakage.middle_ohm")),
    "leak_bus_positive_ohm": ("ohm", 1, math.inf, "bus positive to chassis", _ohms("plant.leakage.bus_positive_ohm")),
    "leak_bus_negative_ohm": ("ohm", 1, math.inf, "bus negative to chassis", _ohms("plant.leakage.bus_negative_ohm")),
    "supply_v": ("V", 0, 60, "low-voltage supply", _attribute("plant.supply_v")),
    "soc_percent": ("%", 0, 100, "charge of the pack", _attribute("plant.circuit.charge", 0.01)),
    "bus_v": ("V", 0, 1500, "bus voltage now", _attribute("plant.circuit.bus_v")),
    "bus_source_v": ("V", 0, 60, "a bench source at the bus terminals", _attribute("plant.circuit.emf_v")),
    "pack_connected": (*_SWITCH, "the pack lies on its side of the contactors", _flag("plant.circuit.pack_connected")),
    "pack_source_v": (
        "V",
        0,
        60,
        "a bench source where the pack is not connected",
        _attribute("plant.circuit.source_v"),
    ),
    "loads_w": ("W", 0, 1e5, "high-voltage loads beside the inverter", _attribute("plant.loads_w")),
    "charger_a": ("A", 0, 1000, "most that the charger gives", _attribute("plant.charger_max_a")),
    "charger_end_v": ("V", 5, 1500, "end voltage of the charger itself", _attribute("plant.charger_end_v")),
    "precharge_heat_j": ("J", 0, 1e6, "heat in the precharge resistor", _attribute("plant.precharge_heat_j")),
    "discharge_heat_j": ("J", 0, 1e6, "heat in the discharge resistor", _attribute("plant.discharge_heat_j")),
    "late_ms": ("ms", 0, 10_000, "by how much each tick misses its deadline", _whole("late_ms")),
    "heap_free": ("B", 0, 1 << 20, "free heap of the board", _whole("heap_free")),
    "store_failed": (*_SWITCH, "the fault memory cannot be written", _flag("store_failed")),
    "journal_nearly_full": (*_SWITCH, "the fault memory's journal is nearly full", _flag("journal_nearly_full")),
    "record_damaged": (*_SWITCH, "the fault memory finds a damaged record at start", _flag("record_damaged")),
    "isolation_drifting": (*_SWITCH, "the last drives' isolation halved", _flag("isolation_drifting")),
    "openings_under_load": ("", 0, 1000, "counted in the fault memory so far", _whole("openings_under_load")),
}
_SETTERS = {name: row[4] for name, row in _QUANTITIES.items()}
World.SETTABLE = {name: Quantity(*row[:4]) for name, row in _QUANTITIES.items()}
World.SETTABLE["service"] = replace(World.SETTABLE["service"], words=_POSITIONS)


def _contactor(place: str) -> dict[str, Fault]:
    def of(world: World) -> Contactor:
        found = getattr(world.plant.circuit, place)
        assert isinstance(found, Contactor)
        return found

    def fault(
        meaning: str, attribute: str, on: Callable[[Mapping[str, float]], object], off: object, **arguments: Argument
    ) -> Fault:
        def begin(world: World, _name: str, values: Mapping[str, float]) -> None:
            setattr(of(world), attribute, on(values))
            of(world).settle()

        def end(world: World, _name: str) -> None:
            setattr(of(world), attribute, off)
            of(world).settle()

        return Fault(meaning, "", arguments, begin, end)

    slow = Argument("", 1, 100, "factor on both travel times", 5.0)
    bounces = Argument("", 1, 50, "openings after the first touch", 10.0)
    return {
        f"{place}_welded": fault(f"{place} contactor stays closed", "welded", lambda _: True, False),
        f"{place}_stuck_open": fault(f"{place} contactor is open and stays so", "stuck_open", lambda _: True, False),
        f"{place}_slow": fault(f"{place} contactor is slow", "slow", lambda v: v["factor"], 1.0, factor=slow),
        f"{place}_bouncing": fault(
            f"{place} contactor bounces", "bounces", lambda v: int(v["bounces"]), 1, bounces=bounces
        ),
    }


def _simple(
    meaning: str,
    begin: Callable[[World, Mapping[str, float]], None],
    end: Callable[[World], None],
    **arguments: Argument,
) -> Fault:
    return Fault(meaning, "", arguments, lambda w, _n, v: begin(w, v), lambda w, _n: end(w))


def _put(path: str, key: str, off: float, meaning: str, argument: Argument) -> Fault:
    """A fault that is one number of the plant."""
    setter = _attribute(path)
    return _simple(meaning, lambda w, v: setter(w, v[key]), lambda w: setter(w, off), **{key: argument})


def _resistor(place: str) -> dict[str, Fault]:
    setter = _attribute(f"plant.circuit.{place}_ohm")

    def healthy(world: World) -> float:
        value = getattr(world.parameters, f"{place}_ohm")
        assert isinstance(value, float)
        return value

    def fault(meaning: str, ohm: Callable[[World, Mapping[str, float]], float], **arguments: Argument) -> Fault:
        return _simple(
            f"{place} resistor {meaning}",
            lambda w, v: setter(w, ohm(w, v)),
            lambda w: setter(w, healthy(w)),
            **arguments,
        )

    factor = Argument("", 0.01, 100, "factor on its resistance", 2.0)
    return {
        f"{place}_resistor_open": fault("is broken", lambda _w, _v: _NONE_OHM),
        f"{place}_resistor_short": fault("is bridged", lambda _w, _v: 0.01),
        f"{place}_resistor_drift": fault("has drifted", lambda w, v: healthy(w) * v["factor"], factor=factor),
    }


_CHANNEL_UNITS = {
    "pack_voltage": "V",
    "bus_voltage": "V",
    "supply_sense": "V",
    "current": "A",
    "reference": "V",
    "zone": "K",
}


def _channel(channel: str) -> dict[str, Fault]:
    unit = _CHANNEL_UNITS[channel]

    def of(world: World, name: str) -> Channel:
        sensors = world.sensors
        return sensors.zones[sensors.zone_names.index(name)] if channel == "zone" else sensors.channels[channel]

    def fault(kind: str) -> Fault:
        arguments: dict[str, Argument] = {}
        if kind in ("offset", "noisy"):
            what = "added to the truth" if kind == "offset" else "standard deviation"
            arguments["amount"] = Argument(unit, -2000, 2000, what)
        elif kind == "late":
            arguments["ticks"] = Argument("ticks", 1, 500, "how far the value lags")

        def begin(world: World, name: str, values: Mapping[str, float]) -> None:
            of(world, name).strike(kind, values.get("amount", 0.0), int(values.get("ticks", 0)))

        return Fault(
            f"{channel} {kind}",
            "zone" if channel == "zone" else "",
            arguments,
            begin,
            lambda world, name: of(world, name).strike(""),
        )

    # A reference is the same at any time, so it cannot be late.
    kinds = [kind for kind in Channel.FAULTS if (channel, kind) != ("reference", "late")]
    return {f"{channel}_{kind}": fault(kind) for kind in kinds}


def _loop(kind: str) -> Fault:
    arguments: dict[str, Argument] = {}
    if kind == "flicker":
        arguments["open_ms"] = Argument("ms", 0.01, 1e6, "length of one opening", 5.0)
        arguments["every_ms"] = Argument("ms", 20, 1e6, "from one opening to the next", 1000.0)

    def begin(world: World, name: str, values: Mapping[str, float]) -> None:
        open_s, every_s = values.get("open_ms", 0.0) * 1e-3, values.get("every_ms", 1000.0) * 1e-3
        world.sensors.loops.strike(name, kind, open_s, every_s)

    return Fault(
        f"loop {kind.replace('_', ' ')}",
        "loop",
        arguments,
        begin,
        lambda world, name: world.sensors.loops.strike(name, ""),
    )


def _wire(fault: str) -> Fault:
    def begin(world: World, _values: Mapping[str, float]) -> None:
        world.sensors.wires[fault] = WIRES[fault]

    def end(world: World) -> None:
        world.sensors.wires.pop(fault, None)

    return _simple(fault.replace("_", " "), begin, end)


def _swap(attribute: str, meaning: str) -> Fault:
    setter = _flag(f"sensors.{attribute}")
    return _simple(meaning, lambda w, _v: setter(w, 1), lambda w: setter(w, 0))


def _reverse_current(world: World) -> None:
    assert world.sensors.current is not None
    world.sensors.current.gain = -world.sensors.current.gain


def _swap_zone(world: World, name: str) -> None:
    """The plug of a zone and that of the next one change places; done again, it is as before."""
    names, wired = world.sensors.zone_names, world.sensors.wired
    here = names.index(name)
    there = (here + 1) % len(names)
    wired[here], wired[there] = wired[there], wired[here]


def _isolation(kind: str) -> Fault:
    def put(world: World, value: str) -> None:
        world.sensors.isolation.fault = value

    return _simple(f"isolation monitor {kind}", lambda w, _v: put(w, kind), lambda w: put(w, ""))


def _speed(kind: str) -> Fault:
    def put(world: World, value: str) -> None:
        assert world.sensors.speed is not None
        world.sensors.speed.fault = value

    return _simple(f"speed {kind.replace('_', ' ')}", lambda w, _v: put(w, kind), lambda w: put(w, ""))


def _stopped(part: str) -> Fault:
    setter = _flag(f"plant.heat.{part}_works")
    return _simple(f"{part} stopped", lambda w, _v: setter(w, 0), lambda w: setter(w, 1))


def _runaway(world: World, name: str, rate: float) -> None:
    world.plant.heat.runaway_k_s[world.plant.heat.names.index(name)] = rate


def _bleed_open() -> Fault:
    setter = _attribute("plant.circuit.bleed_ohm")
    return _simple("bleed broken", lambda w, _v: setter(w, _NONE_OHM), lambda w: setter(w, w.parameters.bleed_ohm))


_SHORT = Argument("ohm", 0.001, 1e6, "across the bus")
World.FAULTS = {
    **_contactor("positive"),
    **_contactor("negative"),
    **_contactor("precharge"),
    **_contactor("discharge"),
    **_resistor("precharge"),
    **_resistor("discharge"),
    "bleed_open": _bleed_open(),
    "heartbeat_gate_slow": _simple(
        "the coil drive holds for too long without a heartbeat",
        lambda w, v: setattr(w.plant.parameters, "heartbeat_hold_s", w.build.build.heartbeat_hold * v["factor"]),
        lambda w: setattr(w.plant.parameters, "heartbeat_hold_s", w.build.build.heartbeat_hold),
        factor=Argument("", 1, 100, "factor on its hold time", 3.0),
    ),
    "bus_short": _put("plant.circuit.extra_ohm", "ohm", math.inf, "short or load across the bus", _SHORT),
    "pack_voltage_drop": _put(
        "plant.circuit.ocv_factor",
        "factor",
        1.0,
        "cells have failed",
        Argument("", 0.01, 1, "of the rest voltage that is left", 0.7),
    ),
    "cell_runaway": Fault(
        "a zone warms whatever the cooling",
        "pack zone",
        {"k_per_s": Argument("K/s", 0.01, 50, "rate", 1.5)},
        lambda w, n, v: _runaway(w, n, v["k_per_s"]),
        lambda w, n: _runaway(w, n, 0.0),
    ),
    "isolation_offset": _put(
        "sensors.isolation.factor",
        "factor",
        1.0,
        "isolation monitor reads wrong",
        Argument("", 0.001, 1000, "factor on its reading"),
    ),
    **{f"isolation_{kind}": _isolation(kind) for kind in IsolationOutput.FAULTS},
    **{f"speed_{kind}": _speed(kind) for kind in SpeedFrames.FAULTS},
    **{f"{part}_stopped": _stopped(part) for part in ("pump", "fan", "chiller")},
    **{f"loop_{kind}": _loop(kind) for kind in Loops.FAULTS},
    "voltages_swapped": _swap("voltages_swapped", "the plugs of pack and bus voltage change places"),
    "contacts_swapped": _swap("contacts_swapped", "the plugs of both feedback contacts change places"),
    "current_reversed": _simple("current sensor turned round", lambda w, _v: _reverse_current(w), _reverse_current),
    "zone_swapped": Fault(
        "the plugs of this zone and of the next change places",
        "zone",
        {},
        lambda w, n, _v: _swap_zone(w, n),
        _swap_zone,
    ),
    **{fault: _wire(fault) for fault in WIRES},
    **{name: fault for channel in _CHANNEL_UNITS for name, fault in _channel(channel).items()},
}

World.TRUTH = {
    "world_bus_v": lambda w: w.plant.circuit.bus_v,
    "world_pack_v": lambda w: w.plant.circuit.pack_v,
    "world_pack_a": lambda w: w.plant.circuit.pack_a,
    "world_speed_kmh": lambda w: w.plant.vehicle.speed_m_s * _KMH,
    "world_distance_m": lambda w: w.plant.vehicle.distance_m,
    "world_motor_kw": lambda w: w.plant.circuit.motor_w * 1e-3,
    "world_charger_a": lambda w: w.plant.circuit.charger_a,
    "world_soc_percent": lambda w: w.plant.circuit.charge * 100.0,
    "world_isolation_parallel_ohm": lambda w: w.plant.leakage.parallel_ohm,
    "world_isolation_worse_pole_ohm": lambda w: w.plant.leakage.worse_pole_ohm,
    "world_negative_to_chassis_v": lambda w: w.plant.leakage.negative_v,
    "world_positive_to_chassis_v": lambda w: w.plant.leakage.positive_v,
    "world_pack_hottest_degc": lambda w: w.plant.heat.hottest,
    "world_pack_coldest_degc": lambda w: w.plant.heat.coldest,
    "world_inverter_degc": lambda w: w.plant.heat.inverter,
    "world_motor_degc": lambda w: w.plant.heat.motor,
    "world_coolant_degc": lambda w: w.plant.heat.coolant,
    "world_ambient_degc": lambda w: w.plant.heat.ambient,
    "world_supply_v": lambda w: w.plant.supply_v,
    "world_coil_power": lambda w: int(w.plant.coil_power),
    "world_positive_closed": lambda w: w.plant.circuit.positive.closed,
    "world_negative_closed": lambda w: w.plant.circuit.negative.closed,
    "world_precharge_closed": lambda w: w.plant.circuit.precharge.closed,
    "world_discharge_closed": lambda w: w.plant.circuit.discharge.closed,
    "world_precharge_heat_j": lambda w: w.plant.precharge_heat_j,
    "world_discharge_heat_j": lambda w: w.plant.discharge_heat_j,
    "world_key": lambda w: int(bool(w.sensors.pressed & BUTTONS["key"])),
    "world_plug": lambda w: int(w.plant.plugged),
    "world_estop": lambda w: int(w.sensors.estop),
    "world_crash": lambda w: int(w.sensors.crashed),
    "world_hard_loop_open": lambda w: int(w.sensors.loops.hard_open),
    "world_board_powered": lambda w: int(bool(w.sensors.pressed & BUTTONS["key"]) or bool(w._hold)),
}
