"""Signals of a DBC file as readings of a build: which of them can be one, and how the board takes it out of a frame.

The DBC file is the description that the sender's maker gives, read by cantools; what it leaves open is refused rather
than guessed. The board's side of the lists is `loopwarden.convert.frames`.
"""

import difflib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import cantools
from cantools.database.can import Message, Signal

from loopwarden.link.frames import FRAMES
from loopwarden_build import derived
from loopwarden_build.model import BuildFile, CanMonitor, CanMotion
from loopwarden_build.units import show

EXTENDED = 1 << 29  # marks an identifier of 29 bits
LENGTH_MAX = 8
PERIODS = 3  # without a frame for so many periods a reading is stale, as with every monitor
# A step of the counter beyond this is a gap, in frames that the board looks at (common practice: the receivers of
# end-to-end protection profiles are set up with such a largest step; two frames may be lost, the third is "lost").
LOST_FRAMES_MAX = 2
STILL_MM_S = 28  # a tenth of a km/h (guess): what a sender may say of a wheel that stands
STEP_MM_S_PER_MS = 5  # half of what the policy takes for braking: rounding alone must not look like a locked wheel
_SMALL = 1 << 30  # products on the board stay below it
_RAW_MAX = (1 << 29) - 1
_OHM_MAX = 50_000_000
_EXACT_ENOUGH = 1000  # a factor is rounded down by a thousandth at most, where it does not fit exactly

_OHMS = {"ohm": 1, "kohm": 1000, "Mohm": 1_000_000}
_SPEEDS = {"km/h": Fraction(2500, 9), "m/s": Fraction(1000), "mph": Fraction(11176, 25)}  # mm/s
# What DBC files write for them. "mohm" would be a thousandth, so capitals decide there.
_OHM_NAMES = {
    **dict.fromkeys(("ohm", "Ohm", "OHM", "Ohms", "ohms"), "ohm"),
    **dict.fromkeys(("kohm", "kOhm", "KOhm", "Kohm", "kOHM", "KOHM", "kOhms"), "kohm"),
    **dict.fromkeys(("Mohm", "MOhm", "MOHM", "MOhms"), "Mohm"),
}
_SPEED_NAMES = {
    **dict.fromkeys(("km/h", "kmh", "kph", "km/hr", "KPH", "km/H"), "km/h"),
    **dict.fromkeys(("m/s", "mps"), "m/s"),
    **dict.fromkeys(("mph", "MPH", "mi/h", "mile/h"), "mph"),
}


class UnfitError(Exception):
    """A key of the build's table cannot be what it says.

    key, text   of the table; what is wrong, what is allowed and why
    is_form     a slip of the pen, not a shortcoming of what is described
    """

    def __init__(self, key: str, text: str, *, is_form: bool = True) -> None:
        super().__init__(text)
        self.key, self.text, self.is_form = key, text, is_form


@dataclass(frozen=True)
class Reading:
    """A reading in frames, fit to be one.

    value, counter, fault   signals of `message`, None where there is none
    scale, offset           of the value: what the raw number is in ohm, or in mm/s
    low, high               raw values that are readings
    count_last, jump        the counter's last value before 0, and its largest step from one frame to the next
    stale_ms                age at which the reading is lost
    """

    message: Message
    value: Signal
    counter: Signal | None
    fault: Signal | None
    scale: Fraction
    offset: Fraction
    low: int
    high: int
    count_last: int
    jump: int
    stale_ms: int

    @property
    def identifier(self) -> int:
        """As the board knows it."""
        return self.message.frame_id | (EXTENDED if self.message.is_extended_frame else 0)

    @property
    def has_range(self) -> bool:
        """Whether the DBC file says which values are readings."""
        return self.value.minimum is not None or self.value.maximum is not None


def findings(build: BuildFile) -> Iterator[tuple[tuple[str, str], str, bool]]:
    """What is unfit about the frames of a build: the key, what is wrong, whether it is a slip."""
    taken: dict[int, str] = {}
    if build.can is not None:
        taken = dict.fromkeys(range(build.can.first_id, build.can.first_id + FRAMES), "can")
    for table, make in (("isolation", isolation_reading), ("motion", speed_reading)):
        try:
            reading = make(build)
        except UnfitError as error:
            yield (table, error.key), error.text, error.is_form
            continue
        if reading is None:
            continue
        if reading.identifier in taken:
            text = (
                "has an identifier of the frames that the board sends, by [can]"
                if taken[reading.identifier] == "can"
                else f"has the identifier of the one of [{taken[reading.identifier]}]: a frame gives one reading"
            )
            yield (table, "message"), text, True
        taken[reading.identifier] = table


def readings(build: BuildFile) -> list[tuple[str, Reading]]:
    """What a checked build reads from frames, each with the name of what it is: "isolation", "speed"."""
    found = (("isolation", isolation_reading(build)), ("speed", speed_reading(build)))
    return [(name, reading) for name, reading in found if reading is not None]


def isolation_reading(build: BuildFile) -> Reading | None:
    """The reading of a CAN monitor, None for another one. Errors: UnfitError."""
    monitor = build.isolation
    if not isinstance(monitor, CanMonitor):
        return None
    reading = _reading(build, monitor, _OHM_NAMES, {name: Fraction(size) for name, size in _OHMS.items()})
    fault_ohm = derived.ohm_limit(build, monitor.fault)
    warn_ohm = math.ceil(round(derived.WARN_CLEAR * derived.ohm_limit(build, monitor.warn), 6))
    low_ohm, high_ohm = (raw * reading.scale + reading.offset for raw in (reading.low, reading.high))
    span = f"{show(float(low_ohm), 'ohm')} to {show(float(high_ohm), 'ohm')}"
    if 2 * low_ohm > fault_ohm:
        raise UnfitError(
            "signal",
            f"says {span}, which does not reach down to {show(fault_ohm / 2, 'ohm')}: half the fault limit counts "
            "while the reading settles",
            is_form=False,
        )
    if high_ohm < warn_ohm:
        raise UnfitError(
            "signal",
            f"says {span}, which does not reach up to {show(warn_ohm, 'ohm')}, where a warning ends",
            is_form=False,
        )
    if reading.scale * 10 > fault_ohm:
        raise UnfitError(
            "signal",
            f"has steps of {show(float(reading.scale), 'ohm')}; at most {show(fault_ohm / 10, 'ohm')}, a tenth of the "
            "fault limit: too coarse to tell it",
            is_form=False,
        )
    _ratio(reading.scale, reading.offset, _reach(reading, _cap(reading)))
    return reading


def speed_reading(build: BuildFile) -> Reading | None:
    """The reading of a speed over CAN, None for another one. Errors: UnfitError."""
    motion = build.motion
    if not isinstance(motion, CanMotion):
        return None
    reading = _reading(build, motion, _SPEED_NAMES, _SPEEDS)
    low_m_s, high_m_s = ((raw * reading.scale + reading.offset) / 1000 for raw in (reading.low, reading.high))
    span = f"{show(float(low_m_s), 'm/s')} to {show(float(high_m_s), 'm/s')}"
    if not low_m_s * 1000 <= STILL_MM_S <= high_m_s * 1000:
        raise UnfitError(
            "signal", f"says {span}, which does not hold 0: it could not say that it stands", is_form=False
        )
    if high_m_s < Fraction(str(motion.max_speed)):
        raise UnfitError("max_speed", f"is beyond what the signal can say, {span}; at most its end")
    step_max = STEP_MM_S_PER_MS * build.build.tick  # in m/s
    if reading.scale > Fraction(str(step_max)) * 1000:
        raise UnfitError(
            "signal",
            f"has steps of {show(float(reading.scale) / 1000, 'm/s')}; at most {show(step_max, 'm/s')}: a step in one "
            "tick must not look like a wheel that locks",
            is_form=False,
        )
    _ratio(reading.scale, reading.offset, _reach(reading, reading.high))
    return reading


def isolation_layout(build: BuildFile) -> list[int]:
    """The monitor's list for the board; empty for another monitor."""
    reading = isolation_reading(build)
    if reading is None:
        return []
    cap = _cap(reading)
    ratio = _ratio(reading.scale, reading.offset, _reach(reading, cap))
    return [*_head(reading), *ratio, cap, *([] if reading.fault is None else field_of(reading.fault))]


def speed_layout(build: BuildFile) -> list[int]:
    """The speed's list for the board; empty for pulses or none."""
    reading = speed_reading(build)
    if reading is None or build.motion is None:
        return []
    still = max(STILL_MM_S, math.ceil(reading.scale / 2))
    ratio = _ratio(reading.scale, reading.offset, _reach(reading, reading.high))
    return [*_head(reading), *ratio, still, math.ceil(round(build.motion.max_speed * 1000, 6))]


def field_of(signal: Signal) -> list[int]:
    """Where the bits of a signal are: first byte, way to the next (1, -1), how many follow, mask, sign, bits below."""
    if signal.byte_order == "little_endian":
        lowest, highest = signal.start, signal.start + signal.length - 1
        first, last, top, below = highest // 8, lowest // 8, highest % 8, lowest % 8
    else:  # its start is the most significant bit, and the bytes go on from there
        first, top = signal.start // 8, signal.start % 8
        end = 8 * first + 7 - top + signal.length - 1
        last, below = end // 8, 7 - end % 8
    step = 0 if first == last else 1 if last > first else -1
    return [first, step, abs(last - first), (1 << top + 1) - 1, 1 << top if signal.is_signed else 0, below]


def raw_range(signal: Signal) -> tuple[int, int]:
    """The lowest and the highest number that the bits of a signal can be."""
    if signal.is_signed:
        return -(1 << signal.length - 1), (1 << signal.length - 1) - 1
    return 0, (1 << signal.length) - 1


def _head(reading: Reading) -> list[int]:
    counter = [0] * 6 if reading.counter is None else field_of(reading.counter)
    return [
        reading.identifier,
        reading.message.length,
        reading.stale_ms,
        reading.jump,
        reading.count_last,
        *field_of(reading.value),
        *counter,
        reading.low,
        reading.high,
    ]


def _cap(reading: Reading) -> int:
    """The raw value above which more ohms are all the same."""
    return min(reading.high, math.floor((_OHM_MAX - reading.offset) / reading.scale))


def _reach(reading: Reading, high: int) -> int:
    return max(abs(reading.low), abs(high))


def _ratio(scale: Fraction, offset: Fraction, reach: int) -> list[int]:
    """Three integers: a raw value times the first, plus the second, by the third; rounded down, the stricter side."""
    exact = math.lcm(scale.denominator, offset.denominator)
    for by in (exact, *(1 << n for n in range(20, -1, -1))):
        times, plus = math.floor(scale * by), math.floor(offset * by)
        if reach * times + abs(plus) < _SMALL and (by == exact or times >= _EXACT_ENOUGH) and by < _SMALL:
            return [times, plus, by]
    raise UnfitError("signal", "needs larger numbers than the board's integers have; a narrower range would fit")


def _reading(
    build: BuildFile, table: CanMonitor | CanMotion, names: dict[str, str], units: dict[str, Fraction]
) -> Reading:
    message = _message(table)
    value = _signal(table, message, "signal", table.signal)
    unit = names.get((value.unit or "").strip())
    if unit is None:
        allowed = ", ".join(units)
        raise UnfitError("signal", f'has the unit "{value.unit or ""}" in the DBC file; allowed: {allowed}')
    raw_scale, raw_offset = _exact(value.scale), _exact(value.offset)
    if raw_scale <= 0:
        raise UnfitError("signal", f"has the factor {value.scale} in the DBC file; it must be above 0")
    low, high = _raw_limits(value, raw_scale, raw_offset)
    if isinstance(table, CanMonitor):
        low = max(low, math.ceil(-raw_offset / raw_scale))  # no resistance is below zero
    if low > high:
        raise UnfitError("signal", "has no value within its own minimum and maximum in the DBC file")
    if low < -_RAW_MAX or high > _RAW_MAX:
        raise UnfitError(
            "signal",
            f"may be {low if low < -_RAW_MAX else high} as the number in the frame; at most {_RAW_MAX}, where the "
            "board's integers end: give it the minimum and maximum of what is really sent",
        )
    named = [(number, name) for number, name in (value.choices or {}).items() if low <= number <= high]
    if named:
        raise UnfitError(
            "signal",
            f'has a name for {named[0][0]} in the DBC file, "{named[0][1]}", so it is no number: its minimum and '
            "maximum must leave such values out",
        )
    period_s, tick_s = table.period, build.build.tick
    if message.cycle_time and round(period_s * 1000, 6) != message.cycle_time:
        raise UnfitError("period", f"the DBC file says {message.cycle_time} ms for this message")
    # Of several frames in a tick the board sees the last.
    jump = math.ceil(round(tick_s / period_s, 6)) + LOST_FRAMES_MAX
    counter, count_last = _counter(table, message, value, jump)
    fault = None
    if isinstance(table, CanMonitor) and table.fault_signal != "none":
        fault = _signal(table, message, "fault_signal", table.fault_signal)
        if fault is value or fault is counter:
            raise UnfitError("fault_signal", "is already the signal or the counter")
    unit_size = units[unit]
    return Reading(
        message=message,
        value=value,
        counter=counter,
        fault=fault,
        scale=raw_scale * unit_size,
        offset=raw_offset * unit_size,
        low=low,
        high=high,
        count_last=count_last,
        jump=jump if counter is not None else 0,
        stale_ms=math.ceil(round(PERIODS * max(period_s, tick_s) * 1000, 6)),
    )


def _message(table: CanMonitor | CanMotion) -> Message:
    messages = table.dbc.database.messages
    found = [message for message in messages if message.name == table.message]
    if not found:
        raise UnfitError("message", f"is not in {table.dbc.name}{_there(table.message, [m.name for m in messages])}")
    message = found[0]
    if len(found) > 1:
        raise UnfitError("message", f"is there {len(found)} times in {table.dbc.name}")
    if message.is_fd or not 1 <= message.length <= LENGTH_MAX:
        kind = "a frame with flexible data rate" if message.is_fd else f"{message.length} bytes long"
        raise UnfitError("message", f"is {kind}; allowed: 1 to {LENGTH_MAX} bytes, a classical frame")
    try:
        message.refresh(strict=True)
    except cantools.Error as error:
        raise UnfitError("message", f"does not fit together in {table.dbc.name}: {error}") from None
    return message


def _signal(table: CanMonitor | CanMotion, message: Message, key: str, name: str) -> Signal:
    found = [signal for signal in message.signals if signal.name == name]
    if not found:
        there = _there(name, [signal.name for signal in message.signals])
        raise UnfitError(key, f"is no signal of {message.name}{there}")
    signal = found[0]
    if signal.multiplexer_ids is not None:
        raise UnfitError(key, "is multiplexed: it is not in every frame of that message")
    if signal.is_float:
        raise UnfitError(key, "is a floating point number; the board reads integers")
    return signal


def _counter(table: CanMonitor | CanMotion, message: Message, value: Signal, jump: int) -> tuple[Signal | None, int]:
    """The counter and its last value. Errors: UnfitError."""
    if table.counter == "none":
        return None, 0
    counter = _signal(table, message, "counter", table.counter)
    if counter is value:
        raise UnfitError("counter", "is already the signal")
    if counter.scale != 1 or counter.offset != 0 or counter.is_signed:
        raise UnfitError("counter", "is scaled, shifted or signed in the DBC file; a counter counts by ones from 0")
    if not 2 <= counter.length <= 16:
        raise UnfitError("counter", f"has {counter.length} bit{'s' * (counter.length != 1)}; allowed: 2 to 16")
    last = raw_range(counter)[1]
    if counter.maximum is not None:
        last = min(last, math.floor(counter.maximum))
    if counter.minimum or last < 1:
        raise UnfitError("counter", "must count from 0 to 1 at least by its minimum and maximum in the DBC file")
    if jump > last:
        raise UnfitError(
            "counter",
            f"begins anew after {last}; {jump} steps from one tick to another are nothing unusual with this period, so "
            "it must reach that far",
        )
    return counter, last


def _raw_limits(signal: Signal, scale: Fraction, offset: Fraction) -> tuple[int, int]:
    """The raw values within the signal's minimum and maximum; all that its bits can be where it has none."""
    low, high = raw_range(signal)
    if signal.minimum is not None:
        low = max(low, math.ceil((_exact(signal.minimum) - offset) / scale))
    if signal.maximum is not None:
        high = min(high, math.floor((_exact(signal.maximum) - offset) / scale))
    return low, high


def _exact(number: Any) -> Fraction:
    """What the DBC file says in decimals, not the binary fraction next to it."""
    return Fraction(str(number))


def _there(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f'; did you mean "{near[0]}"?' if near else f"; there: {', '.join(known[:8])}{', ...' * (len(known) > 8)}"
