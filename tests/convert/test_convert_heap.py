"""The conversions on the board's own runtimes: no heap in a tick, no heap frames, every number below 2**30."""

import ast
import random
from pathlib import Path
from typing import Any

import pytest

from micropython_runs.frames import LIMIT_WORDS, frame_words
from micropython_runs.runners import run_cpython, run_unix, run_wasm
from micropython_runs.small_ints import watched

from .builds import NAMES, ROOT, build_file, packed

FIRMWARE = ROOT / "firmware"
CONVERT = sorted((FIRMWARE / "loopwarden" / "convert").glob("*.py"))

# Each tick has other raw values: healthy, at the rails, absent; one line per tick of what came out.
GUEST = """
from loopwarden.build import load
from loopwarden.convert.edge import Edge
from loopwarden.signals import Inputs
try:
    from tick_meter import TickMeter
except ImportError:
    TickMeter = None

COUNTS = (None, 0, 15, 16, 199, 200, 399, 400, 401, 1400, 2048, 2100, 3200, 3900, 4079, 4080, 4095)
SIXTEENTHS = (None, 0, 127, 2000, 16000, 33000, 50000, 62000, 65000, 65520)
PERIODS = (0, 1, 400, 4700, 25000, 1000000, 10000000)

def drive(raw, n):
    raw.pack_counts = COUNTS[n % 17]
    raw.bus_counts = COUNTS[n * 3 % 17]
    raw.current_counts = COUNTS[n * 5 % 17]
    raw.supply_counts = COUNTS[n * 7 % 17]
    raw.reference_counts = COUNTS[n * 11 % 17]
    i = 0
    while i < 10:
        raw.zone_counts16[i] = SIXTEENTHS[(n + 3 * i) % 10]
        i += 1
    i = 0
    while i < 6:
        raw.loop_counts[i] = COUNTS[(n + 2 * i) % 17]
        i += 1
    raw.levels = n * 2654435 & 0x3FFFFF
    raw.known = 0x3FFFFF if n % 5 else 0x3FFFFF & ~(1 << n % 22)
    raw.latched = n * 40503 & 0x3FFFFF
    raw.crash_us = n * 137 % 40000
    raw.loop_driven = n & 1 if n % 7 else 0
    raw.isolation_fresh = 1 if n % 3 else 0
    raw.isolation_high_us = n * 977 % 110000
    raw.isolation_low_us = 100000 - raw.isolation_high_us if n % 4 else PERIODS[n % 7]
    raw.isolation_level = n & 1
    raw.speed_pulses = None if n % 13 == 0 else n % 4
    raw.speed_period_us = PERIODS[n % 7]

def main():
    with open("build", "rb") as f:
        edge = Edge(load(f.read()))
    inputs = Inputs()
    edge.bind(inputs)
    meter = TickMeter() if TickMeter else None
    taken = 0
    for n in range(600):
        drive(edge.raw, n)
        if meter:
            meter.start()
            edge.fill(inputs, 20)
            meter.stop()
            taken += meter.heap_bytes
        else:
            edge.fill(inputs, 20)
        i = inputs
        print(i.bits, i.known, i.latch, i.loop_low, i.loop_high, i.pack_mv, i.pack_state, i.bus_mv, i.bus_state,
            i.current_ma, i.current_state, i.supply_mv, i.reference_mv, i.isolation_ohm, i.isolation_state,
            i.isolation_age_ms, i.speed_mm_s, i.speed_state, i.speed_pulses, i.zone_dc, i.zone_state)
    print("heap", taken)

main()
"""


@pytest.mark.parametrize("name", NAMES)
def test_no_heap_in_any_tick_and_the_same_numbers_everywhere(name: str) -> None:
    """S14 for the conversions; "heap" sums 600 ticks under both MicroPythons and includes heap frames."""
    files = {"build": packed(name)}
    wasm = run_wasm(GUEST, path=[FIRMWARE], files=files).stdout.splitlines()
    unix = run_unix(GUEST, path=[FIRMWARE], files=files).splitlines()
    host = run_cpython(GUEST, path=[FIRMWARE, ROOT / "host_sim"], files=files).splitlines()
    assert wasm[-1] == "heap 0"
    assert unix[-1] == "heap 0"
    assert wasm[:-1] == host[:-1]
    assert unix[:-1] == host[:-1]
    assert len(set(host)) > 500, "the ticks are all alike: nothing was tried"


@pytest.mark.parametrize("source", CONVERT, ids=[source.stem for source in CONVERT])
def test_no_function_needs_a_heap_frame(source: Path) -> None:
    """A generator takes its frame once, when it is made; that it takes none in a tick is measured above."""
    made_once = generators(source)
    assert {n: words for n, words in frame_words(source).items() if words > LIMIT_WORDS and n not in made_once} == {}


def generators(source: Path) -> set[str]:
    """Functions of a file that hold a `yield` of their own, by qualified name."""
    found = set()
    for outer in ast.parse(source.read_text(encoding="utf-8")).body:
        for inner in [outer, *getattr(outer, "body", [])]:
            if isinstance(inner, ast.FunctionDef) and any(isinstance(one, ast.Yield) for one in ast.walk(inner)):
                found.add(inner.name if inner is outer else f"{getattr(outer, 'name', '')}.{inner.name}")
    return found


@pytest.mark.parametrize("name", NAMES)
def test_every_number_on_the_way_stays_below_2_to_the_30(name: str) -> None:
    """At random raw values over their whole ranges, and as found at the largest build the format allows."""
    with watched("loopwarden.convert") as watch:
        from loopwarden.build import Build
        from loopwarden.convert.edge import Edge
        from loopwarden.signals import Inputs
        from loopwarden_build.integer_build import to_device

        values = to_device(build_file(name))
        values["convert_bus_full_mv"] = values["convert_pack_full_mv"] = 1_500_000
        if values["speed_fitted"]:
            values["convert_pulse_um"] = 1_000_000
        edge, inputs = Edge(Build(values)), Inputs()
        raw: Any = edge.raw
        source = random.Random(7)
        for _ in range(20_000):
            raw.pack_counts, raw.bus_counts = source.randrange(4096), source.randrange(4096)
            raw.current_counts, raw.supply_counts = source.randrange(4096), source.randrange(4096)
            raw.zone_counts16 = [source.randrange(65_521) for _ in range(10)]
            raw.isolation_fresh = 1
            raw.isolation_high_us = source.randrange(10_000_000)
            raw.isolation_low_us = source.choice(
                (100_000 - raw.isolation_high_us % 100_000, source.randrange(10_000_000))
            )
            raw.speed_pulses, raw.speed_period_us = 1, source.randrange(10_000_000)
            edge.fill(inputs, 20)
    assert watch.largest > 2**28, "nothing came near: the extremes were not tried"
