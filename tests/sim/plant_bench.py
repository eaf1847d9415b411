"""A world on the bench: the two shipped builds, commands by hand, no supervisor."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from loopwarden.signals import Inputs, Outputs
from loopwarden_build.load import read_build
from loopwarden_build.model import BuildFile
from loopwarden_sim.plant_parameters import PlantParameters, from_build
from loopwarden_sim.world import World

BUILDS = Path(__file__).parents[2] / "host_sim" / "builds"
TICK_MS = 20


@cache
def build(name: str = "orchard_truck") -> BuildFile:
    return read_build(BUILDS / f"{name}.toml")


def parameters(**changes: Any) -> PlantParameters:
    """The truck's plant with a stiff pack and ideal capacitors, and `changes`."""
    return replace(from_build(build()), **{"pack_ohm": 1e-6, "contact_ohm": 1e-9, "absorption": 0.0, **changes})


class Bench:
    """`world` under commands set by hand in `outputs`; `inputs` as the board would read them."""

    def __init__(self, name: str = "orchard_truck", seed: int = 1) -> None:
        self.world = World(build(name), seed)
        self.inputs = Inputs()
        self.outputs = Outputs()
        self.beats = 1  # 0: no heartbeat edge any more

    def run(self, ms: int) -> None:
        for _ in range(ms // TICK_MS):
            self.outputs.heartbeat ^= self.beats
            self.world.step(self.outputs, TICK_MS)
            self.world.fill(self.inputs)

    def go_live(self) -> None:
        """Key on, precharge, both main contactors closed, everything granted."""
        self.world.set("key", 1)
        self.outputs.negative = 1
        self.run(100)
        self.outputs.precharge = 1
        self.run(1500)
        self.outputs.positive = 1
        self.run(200)
        self.outputs.precharge = 0
        self.run(100)
        self.outputs.inverter_enable = self.outputs.hv_loads_enable = 1
        self.outputs.drive_limit_permille = self.outputs.charge_limit_permille = 1000

    def open_all(self) -> None:
        self.outputs.off()
