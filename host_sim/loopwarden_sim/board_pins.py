"""Between the pins of the virtual board and the world: raw values onto pins, pin levels to what coils and lamps do.

What hangs on the pins is part of the board's circuit: the heartbeat gate in front of the coils, lamps that are lit
unless held off, registers that are off until enabled.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from loopwarden import signals
from loopwarden.convert.raw import Raw
from loopwarden_build import can_signals
from loopwarden_build import pins as P
from loopwarden_build.model import BuildFile

_OUT = struct.Struct("<BQIIIHHHHHQIIIIIIIBB21sHHIB")
_IN = struct.Struct("<BIIH16H4HBIIHIIBH")
_FRAME = struct.Struct("<IB8s")
OUT_BYTES, FRAME_BYTES = _OUT.size, _FRAME.size
CanFrame = tuple[int, bytes]  # identifier, bit 29 set for an extended one; 0 to 8 bytes
TICK, RESET, BITE = 1, 2, 3
NO_ANSWER = 0xFFFF
COILS = ("positive", "negative", "precharge", "discharge")
_TIED = 1 << P.SHIFT_IN_HIGH
# A field of Outputs for each place in the plan's order; the last two are the circuit's own.
_FIELDS = P.OUTPUTS[: P.OUTPUTS.index("loop_drive")]
_LIMIT_ZERO, _LIMIT_SPAN = 0.10 * 65535, 0.80 * 65535


@dataclass(frozen=True)
class PinState:
    """What the board told at the end of a tick. From `phase` on it is observed inside the program, not at its pins."""

    kind: int
    us: int
    out: int
    oe: int
    register: int
    duties: tuple[int, int, int, int]
    beat_us: int
    scratch: tuple[int, int, int, int]
    erases: int
    programs: int
    bad_erases: int
    phase: int | None
    stage: int
    active: bytes
    granted: tuple[int, int]
    heap: int
    frames: tuple[CanFrame, ...]


def frames_after(data: bytes) -> int:
    """How many CAN frames follow the message that begins with these OUT_BYTES."""
    return int(_OUT.unpack(data)[24])


def read_state(data: bytes) -> PinState:
    """The board's message, with the frames that follow it."""
    values = _OUT.unpack(data[:OUT_BYTES])
    frames = tuple((number, content[:length]) for number, length, content in _FRAME.iter_unpack(data[OUT_BYTES:]))
    return PinState(
        kind=values[0],
        us=values[1],
        out=values[2],
        oe=values[3],
        register=values[4],
        duties=values[5:9],
        beat_us=values[10],
        scratch=values[11:15],
        erases=values[15],
        programs=values[16],
        bad_erases=values[17],
        phase=None if values[18] == 255 else values[18],
        stage=values[19],
        active=values[20][: values[9]],
        granted=values[21:23],
        heap=values[23],
        frames=frames,
    )


class Harness:
    """One build's wiring between the board's pins and the world."""

    def __init__(self, build: BuildFile) -> None:
        plan = P.to_device(build)
        self.plan = plan
        self.chip = int(build.build.chip.removeprefix("rp"))
        self.hold_us = round(build.build.heartbeat_hold * 1e6)
        self.out = dict(zip(P.OUTPUTS, plan["pins_out"], strict=True))
        self._loop_senses = [loop.sense for loop in build.loop]
        self._levels = [(1 << bit, place) for bit, place in enumerate(plan["pins_in"]) if place >= 0 and bit != 6]
        self._levels += [
            (signals.LOOP0 << loop, place)
            for loop, place in enumerate(plan["pins_loop"])
            if self._loop_senses[loop] != "resistor"
        ]
        self._resistors = [n for n, sense in enumerate(self._loop_senses) if sense == "resistor"]
        self._line = build.isolation.output == "line"
        self._senders = [
            (reading.identifier, reading.message.length, f"{name}_fresh", f"{name}_data")
            for name, reading in can_signals.readings(build)
        ]

    def config(self) -> dict[str, Any]:
        """What the stand-ins must know of the circuit."""
        bus = self.plan["pins_bus"]
        isolation, speed = self.plan["pins_line"]
        return {
            "iso": isolation,
            "speed": speed,
            "crash": self.plan["pins_in"][6],
            "heartbeat": self.out["heartbeat"],
            "coils": sum(1 << self.out[name] for name in COILS if self.out[name] >= 0),
            "duty_pins": self.plan["pins_duty"],
            "selects": bus[3:5],
            "latch": bus[5],
            "enable": bus[6],
            "chip": self.chip,
        }

    # Out

    def alive(self, state: PinState, now_us: int) -> bool:
        """The heartbeat gate: an edge within its hold time, from the driven pin."""
        pin = self.out["heartbeat"]
        return bool(state.oe >> pin & 1) and state.beat_us > 0 and now_us - state.beat_us <= self.hold_us

    def commands(self, state: PinState, now_us: int, outputs: Any) -> None:
        """Write what coils, lamps and lines do into an Outputs (S3, S5, S11: judged here, not at the pins)."""
        alive = self.alive(state, now_us)
        levels = state.out & state.oe
        for name in _FIELDS:
            place = self.out[name]
            on = 0
            if place >= P.SHIFT_OUT:
                on = state.register >> (place - P.SHIFT_OUT) & 1
            elif place >= 0:
                on = levels >> place & 1
            if name in COILS or name == "inverter_enable":
                on = on if alive else 0
            elif name == "lamp_hv":
                on = 0 if on and alive else 1  # lit unless held off by a board whose heart beats
            setattr(outputs, name, on)
        duties = state.duties
        if self.plan["pins_duty"][0] >= 0:
            outputs.drive_limit_permille, outputs.charge_limit_permille = _limit(duties[0]), _limit(duties[1])
        else:  # no line tells: the inverter has its enable only
            outputs.drive_limit_permille, outputs.charge_limit_permille = state.granted
        outputs.pump_permille = _level(duties[2])
        outputs.fan_permille = _level(duties[3])

    def loop_drive(self, state: PinState) -> int:
        """The level that goes into the toggled loops."""
        place = self.out["loop_drive"]
        return (state.register >> (place - P.SHIFT_OUT) if place >= P.SHIFT_OUT else state.out >> max(place, 0)) & 1

    # In

    def answer(
        self,
        raw: Raw,
        before: PinState | None,
        command: int,
        *,
        crash_ended: bool,
        frames: Sequence[CanFrame] = (),
    ) -> bytes:
        """The world as the pins see it; before: what the board drove since the last answer.

        frames   of its CAN bus, beside those of this build's own sensors
        """
        sensors = [
            (identifier, bytes(getattr(raw, data)[:length]))
            for identifier, length, fresh, data in self._senders
            if getattr(raw, fresh)
        ]
        frames = [*sensors, *frames]
        levels, chain = 0, _TIED
        known: Any = raw
        for bit, place in self._levels:
            if known.levels & bit:
                if place >= P.SHIFT_IN:
                    chain |= 1 << (place - P.SHIFT_IN)
                else:
                    levels |= 1 << place
        fell = 0
        for bit, place in self._levels:
            if place < P.SHIFT_IN and known.latched & bit:
                fell |= 1 << place
        isolation = self.plan["pins_line"][0]
        if self._line and known.isolation_level:
            levels |= 1 << isolation
        if known.crash_us and not crash_ended:
            levels |= 1 << self.plan["pins_in"][6]
        sums, adc = [NO_ANSWER] * 16, [0] * 4
        for place, counts in self._channels(known):
            if place >= P.CONVERTER:
                sums[place - P.CONVERTER] = NO_ANSWER if counts is None else counts
            elif place >= 26:
                adc[place - 26] = counts or 0
        crash = 0 if not known.crash_us else 2 if crash_ended else 1
        return _IN.pack(
            command,
            levels,
            fell,
            chain,
            *sums,
            *adc,
            0 if self._line else known.isolation_fresh,
            known.isolation_high_us,
            known.isolation_low_us,
            known.speed_pulses or 0,
            known.speed_period_us,
            known.crash_us,
            crash,
            len(frames),
        ) + b"".join(_FRAME.pack(number, len(content), content) for number, content in frames)

    def _channels(self, raw: Any) -> list[tuple[int, int | None]]:
        counts = (raw.pack_counts, raw.bus_counts, raw.current_counts, raw.supply_counts, raw.reference_counts)
        found = [
            (place, None if n is None else n << 4) for place, n in zip(self.plan["pins_channel"], counts, strict=True)
        ]
        loops = [(self.plan["pins_loop"][n], raw.loop_counts[n]) for n in self._resistors]
        found += [(place, None if n is None else n << 4) for place, n in loops]
        found += list(zip(self.plan["pins_zone"], raw.zone_counts16, strict=False))
        return found


def _limit(duty: int) -> int:
    """What a receiver of the limit line makes of it: 10 to 90 %, anything else is zero."""
    permille = round((duty - _LIMIT_ZERO) * 1000 / _LIMIT_SPAN)
    return permille if 0 <= permille <= 1000 else 0


def _level(duty: int) -> int:
    return -(-duty * 1000 // 65535)  # the board rounds down
