"""The pin plan as something to wire from: the board's header with its signals, then converters and registers.

Decides nothing; pins.py says what may lie where. Header: the board's own data sheet (Pico and Pico 2 are alike).
"""

import textwrap
from typing import Any

from loopwarden_build import pins as P
from loopwarden_build.model import BuildFile
from loopwarden_build.units import show

# Pins 1 to 20 down the one side, 40 to 21 down the other.
_LEFT = ["GP0", "GP1", "GND", "GP2", "GP3", "GP4", "GP5", "GND", "GP6", "GP7"]
_LEFT += ["GP8", "GP9", "GND", "GP10", "GP11", "GP12", "GP13", "GND", "GP14", "GP15"]
_RIGHT = ["VBUS", "VSYS", "GND", "3V3_EN", "3V3", "ADC_VREF", "GP28", "AGND", "GP27", "GP26"]
_RIGHT += ["RUN", "GP22", "GND", "GP21", "GP20", "GP19", "GP18", "GND", "GP17", "GP16"]
HEADER = {n + 1: name for n, name in enumerate(_LEFT)} | {40 - n: name for n, name in enumerate(_RIGHT)}
_RESERVED = {
    "GP15": "leave open",
    "VSYS": "5 V supply",
    "3V3": "3.3 V out",
    "ADC_VREF": "reference",
    "RUN": "supply supervisor",
}
_WIDTH = 79


def facts(build: BuildFile) -> dict[str, Any]:
    """The plan as data: a list of places with signal, header pin (null where none), direction, resistor."""
    rows = []
    numbers = {name: n for n, name in HEADER.items()}
    pulls = build.pulls
    for signal, place in build.pins.items():
        key = P.pull_of(build, signal)
        rows.append(
            {
                "signal": signal,
                "place": place,
                "header_pin": numbers.get(place),
                "direction": _direction(signal, place),
                "meaning": _meaning(build, signal),
                "resistor_ohm": getattr(pulls, key) if pulls and key else None,
                "resistor_to": None if not key else "3.3 V" if key == "held_high" else "ground",
            }
        )
    return {"build": build.build.name, "chip": build.build.chip, "pins": rows}


def _direction(signal: str, place: str) -> str:
    if place == "none":
        return "none"
    if signal in P.OUTPUTS or signal in P.DUTIES or (signal in P.BUS and signal != "spi_in"):
        return "out"
    return "analogue" if signal in P.CHANNELS or signal.startswith("zone ") or place.startswith("converter") else "in"


def _meaning(build: BuildFile, signal: str) -> str:
    """What a high level, or the reading, means."""
    if signal.startswith("zone "):
        zone = build.zone[int(signal.split()[1]) - 1]
        return f"{zone.name}, of the {zone.where}"
    if signal.startswith("loop "):
        loop = build.loop[int(signal.split()[1]) - 1]
        return f"{_SENSE[loop.sense]}: {loop.name} ({loop.kind.replace('_', ' ')})"
    if signal == "isolation":
        return {"line": "high: good", "duty": "duty cycle"}.get(build.isolation.output, "frequency")
    if signal in ("aux_positive", "aux_negative"):
        return "high: main contact " + ("open" if build.contactor.feedback == "normally_closed" else "closed")
    return _HIGH.get(signal, "")


_SENSE = {"level": "high while closed", "toggled": "repeats loop_drive while closed", "resistor": "by its resistors"}
_HIGH = {
    "positive": "high: coil on, behind the heartbeat gate",
    "negative": "high: coil on, behind the heartbeat gate",
    "precharge": "high: coil on, behind the heartbeat gate",
    "discharge": "high: discharge on, behind the heartbeat gate",
    "inverter_enable": "high: enabled, behind the heartbeat gate",
    "lamp_stop": "high: lit",
    "lamp_hv": "high: held dark, behind the heartbeat gate",
    "heartbeat": "an edge every tick: the gate's",
    "lamp_ready": "high: lit",
    "lamp_caution": "high: lit",
    "charger_enable": "high: enabled",
    "hv_loads_enable": "high: enabled",
    "hold": "high: keeps the board supplied",
    "heater": "high: on",
    "chiller": "high: on",
    "chill_valve": "high: through the chiller",
    "heat_share": "high: motor heat to the pack",
    "loop_drive": "level into the toggled loops",
    "drive_limit": "duty 10 % (none) to 90 % (all)",
    "charge_limit": "duty 10 % (none) to 90 % (all)",
    "pump": "duty",
    "fan": "duty",
    "key": "high: on",
    "start": "high: pressed",
    "ack": "high: pressed",
    "plug": "high: plugged in",
    "service": "high: SERVICE or TEST",
    "stop": "high: NOT pressed, a broken wire is a stop",
    "crash": "high pulse: crash",
    "charger_done": "high: done",
    "coolant": "high: flows",
    "coil_feedback": "high: drivers sound",
    "lamp_feedback": "high: drivers sound",
    "speed": "rising edges",
    "register_enable": "low: registers drive",
    "register_latch": "rising edge latches",
}


def page(build: BuildFile) -> str:
    """The plan for people, 79 columns."""
    by_place = {place: signal for signal, place in build.pins.items()}
    lines = [f"{build.build.name}: pins, {build.build.chip.upper()} board seen from above, USB up", ""]
    for row in range(20):
        left, right = row + 1, 40 - row
        lines.append(
            f"{_label(by_place, HEADER[left]):>26} {HEADER[left]:>5} {left:>2} |"
            f"        | {right:<2} {HEADER[right]:<9}{_label(by_place, HEADER[right])}".rstrip()
        )
    if "GP29" in by_place:
        lines += ["", f"On the board: {by_place['GP29']} on GP29, through the board's own divider of VSYS by 3."]
    for head, kind, count in (
        ("Converter 1 (8 channels, 12 bits, SPI, behind converter_select)", "converter", range(8)),
        ("Converter 2 (behind converter2_select)", "converter", range(8, 16)),
        ("Input registers, bit by bit", "shift-in", range(P.SHIFT_IN_BITS)),
        ("Output registers, bit by bit", "shift-out", range(16)),
    ):
        used = [n for n in count if f"{kind} {n}" in by_place]
        if used:
            lines += ["", head]
            lines += [f"  {n:>2}  {_label(by_place, f'{kind} {n}')}" for n in range(count.start, max(used) + 1)]
            if kind == "shift-in":
                lines += [f"  Tie bit {P.SHIFT_IN_LOW} low and bit {P.SHIFT_IN_HIGH} high: they tell that it answers."]
    lines += ["", "What the levels mean"]
    for signal in build.pins:
        if meaning := _meaning(build, signal):
            lines += textwrap.wrap(f"  {signal:<18}{meaning}", _WIDTH, subsequent_indent=" " * 22)
    lines += ["", *_resistors(build)]
    absent = [signal for signal, place in build.pins.items() if place == "none"]
    if absent:
        lines += ["", f"Not wired: {', '.join(absent)}."]
    return "\n".join(lines)


def _label(by_place: dict[str, str], place: str) -> str:
    if place in by_place:
        return by_place[place]
    return _RESERVED.get(place, "-" if place.startswith(("GP", "converter", "shift")) else "")


def _resistors(build: BuildFile) -> list[str]:
    lines = ["Resistors, one at each line: what nobody drives must stay where it is safe"]
    assert build.pulls is not None
    for key, what in (
        ("inputs", "to ground"),
        ("drivers", "to ground, at the driver's input"),
        ("held_high", "to 3.3 V"),
    ):
        signals = [signal for signal in build.pins if P.pull_of(build, signal) == key]
        if signals:
            text = f"{show(getattr(build.pulls, key), 'ohm')} {what}: {', '.join(signals)}"
            lines += textwrap.wrap(text, _WIDTH, initial_indent="  ", subsequent_indent="    ")
    text = (
        "The heartbeat gate, the emergency stop and the coil supply are circuits of their own:"
        " hardware_notes/circuits.md. Check every line with a meter before the board is plugged in."
    )
    return [*lines, "", *textwrap.wrap(text, _WIDTH)]
