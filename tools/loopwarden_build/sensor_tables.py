"""From sensors as a build file describes them to the integers that the board's conversions read.

Decides slopes, tables and limits of believable counts; what the keys mean stands in `loopwarden.convert.keys`.
The curves are here once: the simulator's sensors use them as well.
"""

import itertools
import math
from collections.abc import Callable, Sequence

from loopwarden_build.model import (
    BuildFile,
    DutyMonitor,
    LineMonitor,
    NtcZone,
    Pt1000Zone,
    ResistorLoop,
    VoltageChannel,
)

COUNTS_MAX = 4095  # the converter has 12 bits
LINE_GOOD = 2.0  # a line that says "good" stands for this multiple of its response value: at least so much
LINE_BAD = 0.75  # and "bad" for this one: below the response value, but no proof of a dead short (half of it)

_STEP = 32  # counts between two points of a temperature table
_SLOPE_ONE = 64  # slope 1 mV or 1 mA per count
_SLOPE_MAX = 262_143  # so that slope times 4095 counts stays below 2**30
_KELVIN = 273.15
# Beyond these a reading is a broken or a shorted sensor: no zone of a vehicle gets there and still works.
_NTC_DEGC = (-50.0, 160.0)
_PT_DEGC = (-60.0, 250.0)
_WIRE_COUNTS = 8  # the rails are never believed, whatever the curve says
# IEC 60751, clause 4: R(t) = R0 (1 + A t + B t^2 + C (t - 100) t^3), C below 0 degC only.
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
_LOOP_KINDS = {"level": 0, "toggled": 1, "resistor": 2}


def ntc_ohm(degc: float, r25: float, beta: float) -> float:
    """Resistance of an NTC in ohm by the B equation, R25 exp(B (1/T - 1/T25)), T in kelvin."""
    return r25 * math.exp(beta * (1 / (degc + _KELVIN) - 1 / (25 + _KELVIN)))


def ntc_degc(ohm: float, r25: float, beta: float) -> float:
    """The temperature in degC at which that NTC has so many ohm."""
    return 1 / (math.log(ohm / r25) / beta + 1 / (25 + _KELVIN)) - _KELVIN


def pt1000_ohm(degc: float) -> float:
    """Resistance of a Pt1000 in ohm, IEC 60751, -200 to 850 degC."""
    cubic = _C * (degc - 100) * degc**3 if degc < 0 else 0.0
    return 1000 * (1 + _A * degc + _B * degc * degc + cubic)


def pt1000_degc(ohm: float) -> float:
    """The temperature in degC at which a Pt1000 has so many ohm: Newton's method on the curve, to 1 uK."""
    degc = (ohm / 1000 - 1) / _A
    for _ in range(8):
        slope = (pt1000_ohm(degc + 0.005) - pt1000_ohm(degc - 0.005)) / 0.01
        degc += (ohm - pt1000_ohm(degc)) / slope
    return degc


def zone_ohm(zone: NtcZone | Pt1000Zone, degc: float) -> float:
    """Resistance in ohm of a zone's sensor."""
    return ntc_ohm(degc, zone.r25, zone.beta) if isinstance(zone, NtcZone) else pt1000_ohm(degc)


def divider_counts(ohm: float, pull_up: float) -> float:
    """Counts of a sensor to ground with a pull-up to the converter's reference."""
    return COUNTS_MAX * ohm / (ohm + pull_up)


def zone_table(zone: NtcZone | Pt1000Zone) -> tuple[list[int], int, int]:
    """Temperature at every 32nd count in 0.1 degC (129 points), and the counts of its two limits.

    Returns (points, counts below which it is shorted, counts above which it is open).
    """
    if isinstance(zone, NtcZone):
        coldest, hottest = _NTC_DEGC
        counts = sorted(divider_counts(zone_ohm(zone, t), zone.pull_up) for t in (coldest, hottest))

        def degc(ohm: float) -> float:
            return ntc_degc(ohm, zone.r25, zone.beta)
    else:
        coldest, hottest = _PT_DEGC
        counts = sorted(divider_counts(zone_ohm(zone, t), zone.pull_up) for t in (coldest, hottest))
        degc = pt1000_degc
    low, high = max(math.ceil(counts[0]), _WIRE_COUNTS), min(math.floor(counts[1]), COUNTS_MAX - _WIRE_COUNTS)
    points = [
        _point_dc(i * _STEP, zone.pull_up, degc, low - _STEP, high + _STEP) for i in range(COUNTS_MAX // _STEP + 2)
    ]
    return points, low, high


def _point_dc(counts: int, pull_up: float, degc: Callable[[float], float], low: int, high: int) -> int:
    # Points far outside the believable counts are never used; the nearest ones are, as ends of a used segment.
    inside = min(max(counts, low, 1), high, COUNTS_MAX - 1)
    return round(10 * degc(pull_up * inside / (COUNTS_MAX - inside)))


def convert_values(build: BuildFile) -> dict[str, int | list[int]]:
    """Every key of `loopwarden.convert.keys` for this build; ValueError where a channel is too coarse for the board."""
    current, reference, motion, inputs = build.current_sense, build.reference_sense, build.motion, build.inputs
    values: dict[str, int | list[int]] = {
        "convert_pack": _voltage("voltage_sense.pack", build.voltage_sense.pack),
        "convert_bus": _voltage("voltage_sense.bus", build.voltage_sense.bus),
        "convert_current": []
        if current is None
        else [
            current.zero_counts,
            _slope("current_sense", current.full_scale, current.full_counts - current.zero_counts),
        ],
        "convert_supply_slope": _slope("supply", build.supply.full_scale, build.supply.full_counts),
        "convert_reference_slope": 0
        if reference is None
        else _slope("reference_sense", reference.full_scale, COUNTS_MAX),
        "convert_speed_um": 0 if motion is None else round(motion.per_pulse * 1e6),
        # One half more than the highest speed still passes: whether it is plausible is for the policy to say.
        "convert_speed_min_us": 0 if motion is None else int(motion.per_pulse / (1.5 * motion.max_speed) * 1e6),
        "convert_crash_us": 0 if inputs.crash is None else round(inputs.crash * 1e6),
        "convert_coil_feedback": int(inputs.coil_feedback == "fitted"),
        "convert_lamp_feedback": int(inputs.lamp_feedback == "fitted"),
    }
    values.update(_zones(build.zone))
    values.update(_loops(build))
    values.update(_isolation(build))
    return values


def _voltage(key: str, channel: VoltageChannel) -> list[int]:
    slope = _slope(key, channel.full_scale, channel.full_counts - channel.zero_counts)
    lowest_mv = -round(2000 * channel.error) - slope // _SLOPE_ONE  # twice the stated error and one count
    return [channel.zero_counts, slope, channel.zero_counts // 2, lowest_mv]


def _slope(key: str, full_scale: float, counts: int) -> int:
    slope = round(full_scale * 1000 * _SLOPE_ONE / counts) if counts > 0 else _SLOPE_MAX + 1
    if not 1 <= slope <= _SLOPE_MAX:
        raise ValueError(
            f"{key}: full_counts must be at least {math.ceil(full_scale * 1000 * _SLOPE_ONE / _SLOPE_MAX)} above "
            f"zero_counts for this full_scale; fewer counts are too coarse for the board's integers"
        )
    return slope


def _zones(zones: Sequence[NtcZone | Pt1000Zone]) -> dict[str, int | list[int]]:
    tables: list[int] = []
    starts: dict[tuple[int, ...], int] = {}  # zones with the same sensor share a table
    offset, short, broken = [], [], []
    for zone in zones:
        points, low, high = zone_table(zone)
        if tuple(points) not in starts:
            starts[tuple(points)] = len(tables)
            tables += points
        offset.append(starts[tuple(points)])
        short.append(low)
        broken.append(high)
    return {
        "convert_zone_tables": tables,
        "convert_zone_offset": offset,
        "convert_zone_short": short,
        "convert_zone_open": broken,
    }


def _loops(build: BuildFile) -> dict[str, int | list[int]]:
    window: list[int] = []
    for loop in build.loop:
        if isinstance(loop, ResistorLoop):
            window += [*loop.closed_counts, loop.ground_below, loop.supply_above]
        else:
            window += [0, 0, 0, 0]
    return {"convert_loop_sense": [_LOOP_KINDS[loop.sense] for loop in build.loop], "convert_loop_window": window}


def _isolation(build: BuildFile) -> dict[str, int | list[int]]:
    monitor = build.isolation
    values: dict[str, int | list[int]] = {
        "convert_iso_kind": 0,
        "convert_iso_x": [],
        "convert_iso_ohm": [],
        "convert_iso_slope": [],
        "convert_iso_margin": 0,
        "convert_iso_fault": [],
        "convert_iso_period_us": [],
        "convert_iso_stale_ms": 1,
        "convert_iso_good_ohm": 0,
        "convert_iso_bad_ohm": 0,
    }
    if isinstance(monitor, LineMonitor):
        response_ohm = monitor.fault * math.ceil(build.pack.highest)
        values["convert_iso_good_ohm"] = round(LINE_GOOD * response_ohm)
        values["convert_iso_bad_ohm"] = round(LINE_BAD * response_ohm)
        return values
    if isinstance(monitor, DutyMonitor):
        values["convert_iso_kind"] = 1
        values["convert_iso_period_us"] = [round(0.8e6 * monitor.period), round(1.2e6 * monitor.period)]
        values["convert_iso_margin"] = 41  # 1 % of duty
        values["convert_iso_stale_ms"] = _stale_ms(build, monitor.period)
        _points(values, monitor.table, 4096, monitor.fault_duty)
    else:
        slowest = min(hz for hz, _ in monitor.table)
        values["convert_iso_kind"] = 2
        values["convert_iso_margin"] = round(20 * slowest)  # 2 % of the lowest frequency
        values["convert_iso_stale_ms"] = _stale_ms(build, 1 / slowest)
        _points(values, monitor.table, 1000, monitor.fault_frequency)
    return values


def _stale_ms(build: BuildFile, period: float) -> int:
    return round(1000 * (3 * period + build.build.tick))  # three periods, and the tick that sees the third one


def _points(values: dict[str, int | list[int]], table: Sequence[tuple[float, float]], one: int, fault: object) -> None:
    points = sorted((round(x * one), round(ohm)) for x, ohm in table)
    pairs = list(itertools.pairwise(points))
    if any(a[0] == b[0] for a, b in pairs):
        raise ValueError("isolation.table: two points lie too close together for the board to tell them apart")
    values["convert_iso_x"] = [x for x, _ in points]
    values["convert_iso_ohm"] = [ohm for _, ohm in points]
    values["convert_iso_slope"] = [round(16 * (b[1] - a[1]) / (b[0] - a[0])) for a, b in pairs]
    if isinstance(fault, tuple):
        values["convert_iso_fault"] = [round(x * one) for x in fault]
