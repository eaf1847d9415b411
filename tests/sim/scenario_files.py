"""Scenario files for the tests: a small one for the shipped truck, and a way to change a line of it."""

from pathlib import Path

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
TRUCK = BUILDS / "orchard_truck.toml"
CART = BUILDS / "bench_cart.toml"

# Nobody turns the key: a second or two of a truck that stands there, so it is quick, and all of it can be known.
PARKED = f"""\
title = "a parked truck"
build = "{TRUCK}"
seed = 3
run = "2 s"
start = {{ soaked_degc = "18 degC" }}

[[at]]
t = "1 s"
name = "knock"
set = {{ ack = true }}

[[expect]]
from = "0 s"
phase = "unpowered"
"""


def write(folder: Path, text: str = PARKED, name: str = "scenario_parked.toml") -> Path:
    """Write a scenario and return its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def parked(expect: str, events: str = "", head: str = "") -> str:
    """The parked truck with other expectations and further events."""
    top, rest = PARKED.split("\n\n", 1)
    event = rest.partition("\n\n")[0]
    return f"{top}\n{head}\n\n{event}\n\n{events}\n\n{expect}\n"
