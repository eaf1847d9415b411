"""The shipped truck with a monitor and a speed that arrive as CAN frames, as tests/frames.dbc describes them."""

import re
from pathlib import Path

from loopwarden_build.load import parse_build
from loopwarden_build.model import BuildFile

TRUCK = Path(__file__).parents[1] / "host_sim" / "builds" / "orchard_truck.toml"
DBC = Path(__file__).with_name("frames.dbc")
MONITOR = """output = "can"
dbc = "frames.dbc"
message = "Insulation"
signal = "Resistance"
counter = "Alive"
fault_signal = "DeviceFault"
period = "100 ms"
"""
MOTION = """[motion]
output = "can"
dbc = "frames.dbc"
message = "Wheels"
signal = "Speed"
counter = "Counter"
period = "20 ms"
max_speed = "160 km/h"
"""


def can_truck_text(monitor: str | None = MONITOR, motion: str | None = MOTION) -> str:
    """The truck's build file with these lines of [isolation], and this [motion]; None leaves what it has."""
    text = TRUCK.read_text(encoding="utf-8")
    if monitor is not None:
        text = _once(r'output = "duty"\n', "", text)
        text = _once(r'period = "100 ms"\ntable = \[\n.*?\n\]\nfault_duty = .*?\n', monitor, text)
        text = _once(r"\nisolation = .*?(?=\n)", "", text)
    if motion is not None:
        text = _once(r"\[motion\]\n.*?\n(?=\n)", motion, text)
        text = _once(r"\nspeed = .*?(?=\n)", "", text)
    return text


def can_truck(
    monitor: str | None = MONITOR, motion: str | None = MOTION, dbc: str = DBC.read_text(encoding="utf-8")
) -> BuildFile:
    """The same as a checked build. Errors: BuildError."""
    return parse_build(can_truck_text(monitor, motion), "truck.toml", {"frames.dbc": dbc})


def _once(pattern: str, by: str, text: str) -> str:
    text, count = re.subn(pattern, lambda _: by, text, flags=re.DOTALL)
    assert count == 1, f"{pattern}: found {count} times"
    return text
