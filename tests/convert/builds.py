"""The two shipped builds as the integers that the board loads, and as the bytes that it loads them from."""

from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from loopwarden.build import Build
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_build.model import BuildFile
from loopwarden_build.pack import pack_bytes

ROOT = Path(__file__).parents[2]
NAMES = ("orchard_truck", "bench_cart")


@cache
def build_file(name: str) -> BuildFile:
    return read_build(ROOT / "host_sim" / "builds" / f"{name}.toml")


def build(name: str = "orchard_truck") -> Build:
    return Build(to_device(build_file(name)))


def packed(name: str) -> bytes:
    return pack_bytes(to_device(build_file(name)))


def changed(name: str = "orchard_truck", **changes: Any) -> Any:
    """The build's attributes with `changes`: shapes that no shipped build has."""
    return SimpleNamespace(**{**vars(build(name)), **changes})
