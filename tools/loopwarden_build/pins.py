"""Which signal of a build lies on which pin of a Pico class board, and what may lie where.

Decides whether a pin plan can be wired. A signal lies on a pin of the board (`GP7`), on a channel of an external 12-bit
converter of the 3208 type (`converter 3`; the second converter begins at 8), on a bit of a chain of input registers
(`shift-in 4`) or of output registers (`shift-out 2`). Facts of the chip: RP2040 data sheet, table of GPIO functions.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from loopwarden_build.model import (
    BleedDischarge,
    BuildFile,
    CanMonitor,
    ChilledCooling,
    LevelLoop,
    PassiveCooling,
    PulseMotion,
    ResistorLoop,
    SharedCooling,
    ToggledLoop,
)

# The orders in which the board keeps them; loopwarden.board reads the lists by these places.
OUTPUTS = (
    "positive",
    "negative",
    "precharge",
    "discharge",
    "inverter_enable",
    "lamp_stop",
    "lamp_hv",
    "heartbeat",
    "lamp_ready",
    "lamp_caution",
    "charger_enable",
    "hv_loads_enable",
    "hold",
    "heater",
    "chiller",
    "chill_valve",
    "heat_share",
    "loop_drive",
)
DUTIES = ("drive_limit", "charge_limit", "pump", "fan")
INPUTS = (
    "key",
    "start",
    "ack",
    "plug",
    "service",
    "stop",
    "crash",
    "charger_done",
    "aux_positive",
    "aux_negative",
    "coolant",
    "coil_feedback",
    "lamp_feedback",
)
CHANNELS = ("pack_voltage", "bus_voltage", "current", "supply", "reference")
BUS = ("spi_clock", "spi_out", "spi_in", "converter_select", "converter2_select", "register_latch", "register_enable")

NOT_FITTED = -1
CONVERTER, SHIFT_IN, SHIFT_OUT = 100, 200, 300  # added to the number of the channel or bit
SHIFT_IN_BITS = 16  # of two registers of eight
SHIFT_IN_LOW, SHIFT_IN_HIGH = 0, 15  # tied low and high: so that a chain that does not answer is known (S10)
HELD_PIN = 15
SERVICE_PIN = 20  # boot.py reads it before any build is known
SUPPLY_PIN = 29
_ON_HEADER = frozenset((*range(23), 26, 27, 28))
_ANALOGUE = frozenset((26, 27, 28))
_WHY_NOT_ON_HEADER = {
    23: "switches the board's own regulator",
    24: "senses the USB supply on the board",
    25: "is the lamp on the board",
    29: "measures the board's own supply: only supply may be on it",
}
_SPI = {  # function: SPI number to pins
    "spi_in": {0: (0, 4, 16, 20), 1: (8, 12, 28)},
    "spi_clock": {0: (2, 6, 18, 22), 1: (10, 14, 26)},
    "spi_out": {0: (3, 7, 19), 1: (11, 27)},
}


@dataclass(frozen=True)
class Signal:
    """What a signal may lie on: any of `gpio`, `analogue`, `converter`, `shift-in`, `shift-out`, `none`.

    why     what follows if it lies elsewhere, for the error's text
    """

    on: tuple[str, ...]
    why: str
    duty: bool = False


@dataclass(frozen=True)
class Misfit:
    """One thing wrong with a plan: the signal, "" for the whole table, and what is allowed."""

    signal: str
    text: str


_DIRECT = Signal(("gpio",), "a promise depends on it, so it needs a pin that is off at reset, without a register")
_SLOW_OUT = Signal(("gpio", "shift-out"), "it is an output")
_OPTIONAL_OUT = Signal(("gpio", "shift-out", "none"), "it is an output")
_DUTY = Signal(("gpio",), "it is a duty cycle", duty=True)
_OPTIONAL_DUTY = Signal(("gpio", "none"), "it is a duty cycle", duty=True)
_LATCHED = Signal(("gpio",), "edges shorter than a tick are latched by the pin itself")
_IN = Signal(("gpio", "shift-in"), "it is a two-state input")
_CHANNEL = Signal(("analogue", "converter"), "it is analogue")
_BUS = Signal(("gpio",), "it belongs to the bus")


def signals_of(build: BuildFile) -> dict[str, Signal]:
    """Every signal that this build has, in the order in which a plan is read."""
    found = dict.fromkeys(("positive", "negative", "precharge"), _DIRECT)
    if not isinstance(build.discharge, BleedDischarge):
        found["discharge"] = _DIRECT
    found |= dict.fromkeys(("inverter_enable", "lamp_stop", "lamp_hv", "heartbeat"), _DIRECT)
    found |= dict.fromkeys(("lamp_ready", "lamp_caution"), _SLOW_OUT)
    if build.inputs.plug == "fitted":
        found["charger_enable"] = _SLOW_OUT
    found["hv_loads_enable"] = _OPTIONAL_OUT
    if build.build.hold_relay:
        found["hold"] = _SLOW_OUT
    if build.limit_line.kind == "duty":
        found |= dict.fromkeys(("drive_limit", "charge_limit"), _DUTY)
    found |= _cooling(build)
    found |= _inputs(build)
    found |= dict.fromkeys(CHANNELS[:2], _CHANNEL)
    if build.current_sense:
        found["current"] = _CHANNEL
    found["supply"] = Signal(("analogue", "converter", "supply"), "it is analogue")
    if build.reference_sense:
        found["reference"] = _CHANNEL
    return found | {f"zone {number + 1}": _CHANNEL for number in range(len(build.zone))}


def _cooling(build: BuildFile) -> dict[str, Signal]:
    found: dict[str, Signal] = {}
    cooling = build.cooling
    if isinstance(cooling, PassiveCooling):
        return found
    found["fan"] = _OPTIONAL_DUTY
    if cooling.kind != "air":
        found["pump"] = _OPTIONAL_DUTY
    if isinstance(cooling, ChilledCooling):
        found |= {"chiller": _SLOW_OUT, "chill_valve": _SLOW_OUT}
    if isinstance(cooling, SharedCooling):
        found["heat_share"] = _SLOW_OUT
    if isinstance(cooling, SharedCooling | ChilledCooling) and cooling.heat_below is not None:
        found["heater"] = _OPTIONAL_OUT
    return found


def _inputs(build: BuildFile) -> dict[str, Signal]:
    lines = build.inputs
    found = {"key": _IN, "start": _IN, "ack": _IN, "stop": _LATCHED}
    found["service"] = Signal(("gpio",), "it is read before anything else runs")
    if lines.plug == "fitted":
        found["plug"] = _IN
    if lines.crash is not None:
        found["crash"] = _LATCHED
    if build.contactor.feedback != "none":
        found |= {"aux_positive": _IN, "aux_negative": _IN}
    for name, fitted in (
        ("charger_done", lines.charger_done),
        ("coolant", lines.coolant_feedback),
        ("coil_feedback", lines.coil_feedback),
        ("lamp_feedback", lines.lamp_feedback),
    ):
        if fitted == "fitted":
            found[name] = _IN
    for number, loop in enumerate(build.loop):
        if isinstance(loop, LevelLoop):
            found[f"loop {number + 1}"] = _LATCHED
        else:
            found[f"loop {number + 1}"] = _CHANNEL if isinstance(loop, ResistorLoop) else _IN
    if any(isinstance(loop, ToggledLoop) for loop in build.loop):
        found["loop_drive"] = _SLOW_OUT
    if not isinstance(build.isolation, CanMonitor):
        found["isolation"] = _LATCHED
    if isinstance(build.motion, PulseMotion):
        found["speed"] = _LATCHED
    return found


def _needed_bus(pins: dict[str, str]) -> dict[str, Signal]:
    """The bus signals that the chosen places need."""
    found: dict[str, Signal] = {}
    channels = [int(pin.split()[1]) for pin in pins.values() if pin.startswith("converter")]
    registers = any(pin.startswith("shift") for pin in pins.values())
    if channels or registers:
        found |= dict.fromkeys(("spi_clock", "spi_out", "spi_in"), _BUS)
    if any(channel < 8 for channel in channels):
        found["converter_select"] = _BUS
    if any(channel >= 8 for channel in channels):
        found["converter2_select"] = _BUS
    if registers:
        found["register_latch"] = _BUS
    if any(pin.startswith("shift-out") for pin in pins.values()):
        found["register_enable"] = _BUS
    return found


def number_of(pin: str) -> int:
    """A place as one integer: the GPIO, or CONVERTER, SHIFT_IN, SHIFT_OUT plus its number; NOT_FITTED for "none"."""
    if pin == "none":
        return NOT_FITTED
    if pin.startswith("GP"):
        return int(pin[2:])
    kind, number = pin.split()
    return {"converter": CONVERTER, "shift-in": SHIFT_IN, "shift-out": SHIFT_OUT}[kind] + int(number)


def misfits(build: BuildFile) -> Iterator[Misfit]:
    """Everything about `build.pins` that cannot be wired; nothing for a build without pins, which only simulates."""
    pins = build.pins
    if not pins:
        return
    if build.pulls is None:
        yield Misfit("", "needs the table [pulls]: without external resistors a pin floats while nothing drives it")
    known = {**signals_of(build), **_needed_bus(pins)}
    for signal in pins:
        if signal not in known:
            yield Misfit(signal, f"is no signal of this build; it has {', '.join(known)}")
    missing = [signal for signal in known if signal not in pins]
    if missing:
        yield Misfit("", f"lacks {', '.join(missing)}: a plan names all signals or none")
    holders: dict[str, str] = {}
    for signal, pin in pins.items():
        if pin != "none" and pin in holders:
            yield Misfit(signal, f"is already used by {holders[pin]}")
        holders.setdefault(pin, signal)
        if signal in known:
            text = _place_error(known[signal], signal, pin)
            if text:
                yield Misfit(signal, text)
    if not missing:
        yield from _functions(known, pins)


def _place_error(signal: Signal, name: str, pin: str) -> str:
    if pin == "none":
        return "" if "none" in signal.on else f"must be on a pin: this build has it ({signal.why})"
    if not pin.startswith("GP"):
        kind, number = pin.split()
        if kind not in signal.on:
            return f"must be on {_places(signal)}: {signal.why}"
        if kind == "shift-in" and int(number) in (SHIFT_IN_LOW, SHIFT_IN_HIGH):
            return f"bits {SHIFT_IN_LOW} and {SHIFT_IN_HIGH} are tied low and high: they tell that the chain answers"
        return ""
    gpio = int(pin[2:])
    if gpio == HELD_PIN:
        return f"GP{HELD_PIN} is borrowed while USB starts: nothing of ours may be on it"
    if gpio == SUPPLY_PIN and name == "supply":
        return ""
    if (gpio == SERVICE_PIN) != (name == "service"):
        return f"GP{SERVICE_PIN} is the service switch's, on every board: it is read before a build is known"
    if gpio not in _ON_HEADER:
        return f"{pin} {_WHY_NOT_ON_HEADER[gpio]}"
    if "gpio" not in signal.on and gpio not in _ANALOGUE:
        return f"must be on {_places(signal)}: {signal.why}"
    if "gpio" in signal.on or "analogue" in signal.on:
        return ""
    return f"must be on {_places(signal)}: {signal.why}"


def _places(signal: Signal) -> str:
    words = {
        "gpio": "a pin (GP0 to GP22, GP26 to GP28)",
        "analogue": "an analogue pin (GP26 to GP28)",
        "supply": "GP29",
        "converter": "a converter channel (converter 0 to 15)",
        "shift-in": "an input register (shift-in 1 to 14)",
        "shift-out": "an output register (shift-out 0 to 15)",
    }
    return " or ".join(words[kind] for kind in signal.on if kind in words)


def _functions(known: dict[str, Signal], pins: dict[str, str]) -> Iterator[Misfit]:
    """Peripherals: the three SPI lines on one SPI, no two duty cycles on one channel."""
    if "spi_clock" in known:
        spi = _spi_of(pins)
        for signal, choice in _SPI.items():
            if spi < 0 or number_of(pins[signal]) not in choice[spi]:
                both = "; ".join(f"SPI{n} {', '.join(f'GP{g}' for g in gpios)}" for n, gpios in choice.items())
                yield Misfit(signal, f"can lie on {both}, all three lines on the same SPI")
    slices: dict[int, str] = {}
    for signal, pin in pins.items():
        if signal in known and known[signal].duty and pin.startswith("GP"):
            channel = int(pin[2:]) % 16
            if channel in slices:
                yield Misfit(signal, f"shares its duty cycle with {slices[channel]}: pins 16 apart are one channel")
            slices.setdefault(channel, signal)


def _spi_of(pins: dict[str, str]) -> int:
    clock = number_of(pins["spi_clock"])
    return next((spi for spi, gpios in _SPI["spi_clock"].items() if clock in gpios), -1)


def pull_of(build: BuildFile, signal: str) -> str:
    """The key of [pulls] that says which resistor belongs at a signal; "" where none does: analogue, or driven always.

    A register's input floats as a pin's does, and its outputs float until it is enabled. The echo of a toggled loop is
    pulled to the opposite of what is driven, by its own circuit: a second resistor would leave it half way.
    """
    place = build.pins[signal]
    if signal.startswith("loop ") and isinstance(build.loop[int(signal.split()[1]) - 1], ToggledLoop):
        return ""
    if place == "none":
        return ""
    if signal in ("converter_select", "converter2_select", "register_enable", "spi_in"):
        return "held_high"
    if signal in OUTPUTS or signal in DUTIES:
        return "drivers"
    analogue = place.startswith("converter") or signal in CHANNELS or signal.startswith("zone ")
    return "" if analogue or signal in BUS else "inputs"


def to_device(build: BuildFile) -> dict[str, list[int]]:
    """The plan as the board reads it: lists by the orders above; all empty for a build without pins."""
    pins = build.pins
    names = {
        "pins_out": OUTPUTS,
        "pins_duty": DUTIES,
        "pins_in": INPUTS,
        "pins_channel": CHANNELS,
        "pins_zone": tuple(f"zone {number + 1}" for number in range(len(build.zone))),
        "pins_loop": tuple(f"loop {number + 1}" for number in range(len(build.loop))),
        "pins_line": ("isolation", "speed"),
        "pins_bus": BUS,
    }
    if not pins:
        return {key: [] for key in names}
    found = {key: [number_of(pins.get(name, "none")) for name in order] for key, order in names.items()}
    found["pins_bus"].append(_spi_of(pins) if "spi_clock" in pins else NOT_FITTED)
    return found
