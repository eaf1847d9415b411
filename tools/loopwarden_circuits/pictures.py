"""Every picture by the name of its file, with a title for readers that cannot see it."""

from collections.abc import Callable
from pathlib import Path

from loopwarden_circuits import coils, converters, inputs, loops, power, supply
from loopwarden_circuits.sheet import Sheet

FOLDER = Path(__file__).parents[2] / "hardware_notes" / "circuits"

PICTURES: dict[str, tuple[str, Callable[[], Sheet]]] = {
    "power_path": ("Power path with what is measured where", power.power_path),
    "loop_kinds": ("Hard, watched and permit loops", loops.loop_kinds),
    "loop_level": ("An interlock loop read as a level", loops.loop_level),
    "loop_toggled": ("An interlock loop driven with a changing level", loops.loop_toggled),
    "loop_resistor": ("An interlock loop closed by a resistor", loops.loop_resistor),
    "two_state_inputs": ("Two-state inputs and their pulls", inputs.two_state_inputs),
    "isolation_inputs": ("Inputs for isolation monitors", inputs.isolation_inputs),
    "bus_sense": ("Isolated sense of the bus voltage", inputs.bus_sense),
    "temperature": ("Temperature input with an NTC", inputs.temperature),
    "coil_supply": ("Coil supply, emergency stop and coil drivers", coils.coil_supply),
    "heartbeat_gate": ("Heartbeat gate", coils.heartbeat_gate),
    "service_switch": ("Service switch", coils.service_switch),
    "discharge": ("Discharge, closed by its coil or by itself", coils.discharge),
    "lamps": ("Lamps", supply.lamps),
    "hold_relay": ("Hold relay", supply.hold_relay),
    "supply": ("Supply and its supervisor", supply.supply),
    "converters_and_registers": ("Converters and registers on one bus", converters.converters_and_registers),
    "without_a_program": ("Interlock without a program", power.without_a_program),
}


def draw(name: str) -> str:
    """One picture as SVG. KeyError for a name that is not there."""
    title, circuit = PICTURES[name]
    return circuit().svg(title)
