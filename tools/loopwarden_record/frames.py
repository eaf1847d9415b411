"""Reads the frames of a recording: one a tick, holding what changed since the tick before.

The layout stands in hardware_notes/recording.md; the device's side of it is loopwarden.link.recorder.
"""

from dataclasses import dataclass
from typing import Any

from loopwarden import signals

WHOLE_EVERY = 256  # ticks; such a frame tells all that is not 0, so reading can begin there
READINGS = ("pack_mv", "bus_mv", "current_ma", "supply_mv", "speed_mm_s", "speed_pulses", "isolation_age_ms")
OTHERS = (
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
    "charger_enable",
    "hv_loads_enable",
    "hold",
    "heater",
    "chiller",
    "chill_valve",
    "heat_share",
    "lamp_ready",
    "lamp_caution",
    "lamp_stop",
    "lamp_hv",
)
STATES = tuple(f"{name}_state" for name in ["pack", "bus", "current", "supply", "reference", "isolation", "speed"])
MEMORY = ("ready", "new", "failed", "nearly_full", "damaged", "drifting", "mark", "idle")
ENDS = {1: "it was asked to", 2: "the host did not take its bytes in time, or a frame could not be made"}

_FIRST_OTHER = len(READINGS)
_FIRST_ZONE = _FIRST_OTHER + len(OTHERS)
_FIELDS = _FIRST_ZONE + 2 * signals.ZONES_MAX
_MORE, _NO_MORE = 0x80, 0
_UNKNOWN = -(1 << 27)
_AGE = READINGS.index("isolation_age_ms")
_DT = _FIRST_OTHER + OTHERS.index("dt_ms")
_FRAME_MOST = 400


class IncompleteError(Exception):
    """The bytes end within a frame."""


class DamagedError(Exception):
    """Bytes that are no frame, or not the one that is due; the text says which tick."""


def _step(code: int) -> int:
    """By how much a value changed: the sign lies in the lowest bit."""
    return ~(code >> 1) if code & 1 else code >> 1


@dataclass(frozen=True)
class End:
    """The last frame: the device ended the recording. why: in words."""

    why: str


class Frames:
    """One stretch of frames, read in order. values: after `next`, all fields of that tick, None where not known.

    tick    number of the first frame; what came before must be known, so it is a multiple of WHOLE_EVERY
    """

    def __init__(self, tick: int = 0) -> None:
        if tick % WHOLE_EVERY:
            raise ValueError(f"tick {tick} cannot be read without the one before it")
        self.tick = tick
        self.values: list[int | None] = [0] * _FIELDS

    def next(self, data: bytes | bytearray, at: int) -> tuple[int, End | None]:
        """Read the frame at `at`. Returns where the next one begins, and the end where this is one.

        Errors: IncompleteError, DamagedError; the state is as before then.
        """
        begin = at
        changes: list[tuple[int, int]] = []
        try:
            head = data[at]
            at += 1
            if head == _MORE and data[at] == _NO_MORE:
                return at + 2, End(ENDS.get(data[at + 1], f"of reason {data[at + 1]}"))
            for k in range(_FIRST_OTHER):
                if head >> k & 1:
                    code, at = self._code(data, at)
                    changes.append((k, code))
            if head & _MORE:
                while (number := data[at]) != _NO_MORE:
                    if number > _FIELDS - _FIRST_OTHER or at - begin > _FRAME_MOST:
                        raise self._damaged()
                    code, at = self._code(data, at + 1)
                    changes.append((_FIRST_OTHER + number - 1, code))
                at += 1
            count = data[at]
        except IndexError:
            if len(data) - begin > _FRAME_MOST:
                raise self._damaged() from None
            raise IncompleteError from None
        if count != self.tick & 0xFF:
            raise self._damaged()
        self._apply(changes)
        self.tick += 1
        return at + 1, None

    def _damaged(self) -> DamagedError:
        return DamagedError(f"tick {self.tick} is damaged or missing")

    def _code(self, data: bytes | bytearray, at: int) -> tuple[int, int]:
        code = shift = 0
        while (byte := data[at]) & 0x80:
            code |= (byte & 0x7F) << shift
            shift += 7
            at += 1
            if shift > 35:
                raise self._damaged()
        return code | byte << shift, at + 1

    def _apply(self, changes: list[tuple[int, int]]) -> None:
        values = self.values
        if self.tick % WHOLE_EVERY == 0:
            values[:] = [0] * _FIELDS
        age = values[_AGE] or 0
        for k, code in changes:
            if k != _AGE:
                was = values[k]
                now = (_UNKNOWN if was is None else was) + _step(code)
                values[k] = None if now == _UNKNOWN else now
        values[_AGE] = age + self.dt_ms  # it grows; any other change is told
        for k, code in changes:
            if k == _AGE:
                values[_AGE] = age + self.dt_ms + _step(code)

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
