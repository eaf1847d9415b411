"""Thresholds and the steps of the chip's own converter: a threshold on a step is one that jumps.

RP2040: its erratum E11, steps of up to 15 counts at four codes. RP2350: published measurements still show steps at
multiples of 512 (reported, not tried here). An external converter has none of these.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from loopwarden_build import derived, sensor_curves
from loopwarden_build.model import BuildFile, ResistorLoop, VoltageChannel

STEPS = {"rp2040": (512, 1536, 2560, 3584), "rp2350": tuple(range(512, 4096, 512))}
MARGIN_COUNTS = 16  # as far as such a step reaches, with some noise


@dataclass(frozen=True)
class Threshold:
    """A level that is compared with a channel: its name for people, the signal it is read from, and its counts."""

    name: str
    signal: str
    counts: float


def thresholds(build: BuildFile) -> Iterator[Threshold]:
    """Every threshold on an analogue reading from which something follows for the drive."""
    pack, limits = build.pack, build.limits
    for name, volts in (("highest voltage", pack.over), ("lowest voltage", pack.under), ("low voltage", pack.low)):
        yield Threshold(name, "pack_voltage", _volt_counts(build.voltage_sense.pack, volts))
    for name, volts in (("dead level", derived.dead_v(build)), ("discharge stop", derived.stop_v(build))):
        yield Threshold(name, "bus_voltage", _volt_counts(build.voltage_sense.bus, volts))
    for name, volts in (("low", build.supply.low), ("failing", build.supply.failing), ("high", build.supply.high)):
        yield Threshold(name, "supply", volts * build.supply.full_counts / build.supply.full_scale)
    of_pack = (limits.pack.cold, limits.pack.warm, limits.pack.hot, limits.pack.trip)
    parts: dict[str, tuple[float, ...]] = {"pack": of_pack}
    for where, part in (("inverter", limits.inverter), ("motor", limits.motor)):
        if part is not None:
            parts[where] = (part.hot, part.trip)
    for number, loop in enumerate(build.loop):
        if isinstance(loop, ResistorLoop):
            for counts in (loop.ground_below, *loop.closed_counts, loop.supply_above):
                yield Threshold("a limit of the loop", f"loop {number + 1}", counts)
    for number, zone in enumerate(build.zone):
        for degc in parts.get(zone.where, ()):
            yield Threshold(f"{degc:g} degC", f"zone {number + 1}", sensor_curves.zone_counts(zone, degc))


def on_a_step(build: BuildFile) -> Iterator[tuple[Threshold, int]]:
    """The thresholds that lie on a step of the chip's own converter, each with that step's code."""
    for threshold in thresholds(build):
        if build.pins.get(threshold.signal, "").startswith("GP"):
            for step in STEPS[build.build.chip]:
                if abs(threshold.counts - step) <= MARGIN_COUNTS:
                    yield threshold, step


def _volt_counts(channel: VoltageChannel, volts: float) -> float:
    return channel.zero_counts + volts * (channel.full_counts - channel.zero_counts) / channel.full_scale
