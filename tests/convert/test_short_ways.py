"""What a tick skips, as nothing has changed or all is good, must not be seen in any reading."""

import random
from typing import Any

import pytest

from loopwarden.convert.edge import Edge
from loopwarden.convert.speed import QUIET_MS
from loopwarden.signals import CRASH, LOOP0, LOOPS, OK, QUIET, RANGE, STALE, STOP, Inputs

from .builds import NAMES, build, changed


class Thorough:
    """A channel whose line is never good enough to be reckoned in haste."""

    line = (1, 0, 0, 0, 0)

    def __init__(self, channel: Any) -> None:
        self.channel = channel

    @property
    def state(self) -> int:
        state: int = self.channel.state
        return state

    def read(self, counts: int | None) -> int | None:
        value: int | None = self.channel.read(counts)
        return value


class World:
    """Raw values that mostly stay, drift or follow, as a sound vehicle's do, and are sometimes anything."""

    def __init__(self, made: Edge, seed: int) -> None:
        self.made = made
        self.source = random.Random(seed)
        self.levels = STOP | LOOPS
        self.counts = dict.fromkeys(("bus", "pack", "current", "supply", "reference"), 2000)
        self.sixteenths = [30_000] * 10

    def rarely(self, often: float = 0.02) -> bool:
        return self.source.random() < often

    def count(self, name: str) -> int | None:
        self.counts[name] += self.source.randint(-3, 3)
        return self.source.choice((None, 0, 15, 300, 2000, 4095)) if self.rarely() else self.counts[name]

    def tick(self, raw: Any, number: int) -> None:
        """Write the next tick's values."""
        source, loops = self.source, self.made.loops
        for name in self.counts:
            setattr(raw, f"{name}_counts", self.count(name))
        for zone in range(10):
            self.sixteenths[zone] = min(max(self.sixteenths[zone] + source.randint(-400, 400), 0), 65_520)
            raw.zone_counts16[zone] = None if self.rarely() else self.sixteenths[zone]
        if self.rarely():
            self.levels ^= 1 << source.randrange(22)
        elif self.rarely(0.1):
            self.levels |= STOP | LOOPS
        raw.loop_driven = number & 1 if not self.rarely() else source.randint(0, 1)
        raw.levels = self.levels if raw.loop_driven else self.levels ^ loops.toggled
        raw.known = 0x3FFFFF & ~(1 << source.randrange(22)) if self.rarely() else 0x3FFFFF
        raw.latched = source.choice((STOP, LOOP0, CRASH)) if self.rarely() else 0
        raw.crash_us = source.choice((100, 900_000)) if self.rarely() else 0
        for loop, low, high in loops.windows:
            raw.loop_counts[loop] = source.choice((None, 0, low - 1, high, high + 1)) if self.rarely() else low + 1
        raw.isolation_fresh = int(self.rarely(0.2))
        raw.isolation_high_us = source.choice((10_000, 50_000, 200_000))
        raw.isolation_low_us = 100_000 - raw.isolation_high_us
        raw.speed_pulses = source.choice((None, 1, 2)) if self.rarely(0.04) else 0
        if raw.speed_pulses:
            raw.speed_period_us = source.choice((0, 1, 25_000, 90_000))


class ThoroughSpeed:
    """The rule of speed.py in full, in every tick."""

    def __init__(self, made: Any) -> None:
        self.made, self.silent_ms = made, QUIET_MS

    def bind(self, raw: Any, inputs: Any) -> Any:
        def step(dt_ms: int) -> None:
            pulses, period_us = raw.speed_pulses, raw.speed_period_us
            self.silent_ms = QUIET_MS if pulses is None else 0 if pulses else self.silent_ms + dt_ms
            known = pulses is not None and self.silent_ms < QUIET_MS and period_us > 0
            good = known and period_us >= self.made.min_us
            inputs.speed_state = STALE if pulses is None else OK if good else RANGE if known else QUIET
            inputs.speed_mm_s = self.made.way_nm // period_us if good else None
            inputs.speed_pulses = pulses

        return step


def careful_edge(device: Any) -> Edge:
    """One that reckons nothing in haste, before its first tick."""
    made = Edge(device)
    made.bus, made.pack, made.current = Thorough(made.bus), Thorough(made.pack), made.current and Thorough(made.current)
    made.speed = made.speed and ThoroughSpeed(made.speed)
    made.isolation.quick_ms = -1
    made.loops.all = -1  # never all closed
    made.loops.begin()
    return made


def judge_all(made: Edge) -> None:
    """Take from an edge what it remembers of the last tick."""
    for part in made.zones.part:
        part[1] = 0


def builds() -> list[Any]:
    kinds = [changed(convert_loop_sense=list(senses)) for senses in ((0, 0, 0), (1, 1, 0), (1, 2, 0))]
    return [build(name) for name in NAMES] + kinds


@pytest.mark.parametrize("number", range(5))
@pytest.mark.parametrize("seed", [1, 2])
def test_an_edge_in_haste_reads_what_one_reads_that_judges_all_anew(number: int, seed: int) -> None:
    hasty, careful = Edge(builds()[number]), careful_edge(builds()[number])
    one, other = World(hasty, seed), World(careful, seed)
    found, wanted = Inputs(), Inputs()
    quick = 0
    judge = hasty._levels

    def counted(raw: Any, inputs: Any) -> Any:
        nonlocal quick
        quick -= 1
        return judge(raw, inputs)

    hasty._levels = counted
    for tick in range(8_000):
        one.tick(hasty.raw, tick)
        other.tick(careful.raw, tick)
        judge_all(careful)
        quick += 1
        if tick % 101 == 0:
            hasty.bind(found)  # as a copy has to; it forgets nothing that counts
        hasty.fill(found, 20)
        careful.fill(wanted, 20)
        assert vars(found) == vars(wanted), tick
    assert quick > 2_000, "hardly any tick was calm: nothing was tried"
