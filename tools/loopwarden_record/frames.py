"""Reads the frames of a recording: one a tick, holding what changed since the tick before.

The layout stands in hardware_notes/recording.md; the device's side of it is loopwarden.link.recorder.
"""

from dataclasses import dataclass
from typing import Any

from loopwarden import signals

WHOLE_EVERY = 256  # ticks; such a frame tells all that is not 0, so reading can begin there
READINGS = ("pack_mv", "bus_mv", "current_ma", "speed_mm_s", "speed_pulses", "supply_mv")
OTHERS = (
    "isolation_age_extra_ms",
    "isolation_ohm",
    "reference_mv",
    "drive_limit_permille",
    "charge_limit_permille",
    "heap_free",
    "memory",
    "dt_ms",
    "bits",
    "known",
    "latch",
    "loops",
    "states",
    "late_ms",
    "commands",
    "pump_permille",
    "fan_permille",
)
COMMANDS = (
    "positive",
    "negative",
    "precharge",
    "discharge",
    "inverter_enable",
    "lamp_stop",
    "lamp_hv",
    "lamp_ready",
    "lamp_caution",
    "charger_enable",
    "hv_loads_enable",
    "hold",
    "heater",
    "chiller",
    "chill_valve",
    "heat_share",
)
STATES = tuple(f"{name}_state" for name in ["pack", "bus", "current", "supply", "reference", "isolation", "speed"])
MEMORY = ("ready", "new", "failed", "nearly_full", "damaged", "drifting", "mark", "idle")
ENDS = {1: "it was asked to", 2: "the host did not take its bytes in time, or a frame could not be made"}

_FIRST_OTHER = len(READINGS)
_FIRST_ZONE = _FIRST_OTHER + len(OTHERS)
_FIELDS = _FIRST_ZONE + 2 * signals.ZONES_MAX
_AGED, _MORE = 0x40, 0x80  # in the head
_LAST = 0x80  # in a field's number
_SLOTS = 101
_UNKNOWN = -(1 << 27)
_EXTRA = _FIRST_OTHER + OTHERS.index("isolation_age_extra_ms")
_DT = _FIRST_OTHER + OTHERS.index("dt_ms")
_FRAME_MOST = 264


class IncompleteError(Exception):
    """The bytes end within a frame."""


class DamagedError(Exception):
    """Bytes that are no frame, or not the one that is due; the text says which tick."""


def _signed(code: int) -> int:
    """By how much a value changed: the sign lies in the lowest bit."""
    return ~(code >> 1) if code & 1 else code >> 1


@dataclass(frozen=True)
class End:
    """The last frame: the device ended the recording. why: in words."""

    why: str


class Frames:
    """One stretch of frames, read in order.

    tick        number of the first frame; what came before must be known, so it is a multiple of WHOLE_EVERY
    values      after `next`, all fields of that tick but the age, None where not known
    age_ms      of the isolation reading in that tick
    """

    def __init__(self, tick: int = 0) -> None:
        if tick % WHOLE_EVERY:
            raise ValueError(f"tick {tick} cannot be read without the one before it")
        self.tick = tick
        self.values: list[int | None] = [0] * _FIELDS
        self.age_ms = 0
        self._slots: dict[int, int] = {}  # by its remainder, the step of a reading that came last

    def next(self, data: bytes | bytearray, at: int) -> tuple[int, End | None]:
        """Read the frame at `at`. Returns where the next one begins, and the end where this is one.

        Errors: IncompleteError, DamagedError; the state is as before then.
        """
        begin = at
        steps: list[tuple[int, int]] = []
        slots = self._slots.copy() if self.tick % WHOLE_EVERY else {}
        try:
            head = data[at]
            at += 1
            if head == _MORE and data[at] == _LAST:
                return at + 2, End(ENDS.get(data[at + 1], f"of reason {data[at + 1]}"))
            for k in range(_FIRST_OTHER):
                if head >> k & 1:
                    step, at = self._reading(data, at, slots)
                    steps.append((k, step))
            number = last = 0
            while head & _MORE and not last:
                before, number, last = number, data[at] & ~_LAST, data[at] & _LAST
                if not before < number <= _FIELDS - _FIRST_OTHER:
                    raise self._damaged()
                step, at = self._step(data, at + 1)
                steps.append((_FIRST_OTHER + number - 1, step))
            count = data[at]
        except IndexError:
            if len(data) - begin > _FRAME_MOST:
                raise self._damaged() from None
            raise IncompleteError from None
        if count != self.tick & 0xFF:
            raise self._damaged()
        self._slots = slots
        self._apply(steps, aged=bool(head & _AGED))
        self.tick += 1
        return at + 1, None

    def _damaged(self) -> DamagedError:
        return DamagedError(f"tick {self.tick} is damaged or missing")

    def _reading(self, data: bytes | bytearray, at: int, slots: dict[int, int]) -> tuple[int, int]:
        """The step of a reading: one that came before, by its slot, or a new one, which takes its slot."""
        slot = data[at]
        if slot & 0x80:
            step, at = self._step(data, at)
            slots[step % _SLOTS] = step
            return step, at
        if slot not in slots:
            raise self._damaged()
        return slots[slot], at + 1

    def _step(self, data: bytes | bytearray, at: int) -> tuple[int, int]:
        code = shift = 0
        while (byte := data[at]) & 0x80:
            code |= (byte & 0x7F) << shift
            shift += 7
            at += 1
            if shift > 35:
                raise self._damaged()
        return _signed(code | byte << shift), at + 1

    def _apply(self, steps: list[tuple[int, int]], *, aged: bool) -> None:
        values = self.values
        if self.tick % WHOLE_EVERY == 0:
            values[:] = [0] * _FIELDS
            self.age_ms = 0
        for k, step in steps:
            was = values[k]
            now = (_UNKNOWN if was is None else was) + step
            values[k] = None if now == _UNKNOWN else now
        self.age_ms = 0 if aged else self.age_ms + self.dt_ms + (values[_EXTRA] or 0)

    # The tick in the device's own objects

    @property
    def dt_ms(self) -> int:
        """Length of the tick that was read last."""
        return self.values[_DT] or 0

    def fill(self, inputs: Any) -> None:
        """Write the readings of the tick that was read last into a signals.Inputs."""
        values = self.values
        for k, name in enumerate(READINGS):
            setattr(inputs, name, values[k])
        inputs.isolation_age_ms = self.age_ms
        other = dict(zip(OTHERS, values[_FIRST_OTHER:_FIRST_ZONE], strict=True))
        for name in ("bits", "known", "latch", "reference_mv", "isolation_ohm", "late_ms", "heap_free"):
            setattr(inputs, name, other[name])
        loops, states = other["loops"] or 0, other["states"] or 0
        inputs.loop_low, inputs.loop_high = loops & 0x3F, loops >> 6
        for k, name in enumerate(STATES):
            setattr(inputs, name, states >> 3 * k & 7)
        inputs.zone_dc[:] = values[_FIRST_ZONE : _FIRST_ZONE + signals.ZONES_MAX]
        inputs.zone_state[:] = values[_FIRST_ZONE + signals.ZONES_MAX :]

    def commands(self) -> dict[str, int]:
        """What the device commanded in the tick that was read last, by name as in signals.Outputs; no heartbeat."""
        other = self.values[_FIRST_OTHER:_FIRST_ZONE]
        word = other[OTHERS.index("commands")] or 0
        found = {name: word >> k & 1 for k, name in enumerate(COMMANDS)}
        for k, name in enumerate(OTHERS):
            if name.endswith("_permille"):
                found[name] = other[k] or 0
        return found

    def memory(self) -> dict[str, int]:
        """What the decisions of the tick that was read last found in the fault memory, by name."""
        word = self.values[_FIRST_OTHER + OTHERS.index("memory")] or 0
        return {name: word >> k & 1 for k, name in enumerate(MEMORY)}
