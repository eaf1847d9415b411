"""Feeds recorded inputs to a supervisor, under CPython and MicroPython alike; imported by the scripts of the tests.

A recording is a file of ticks: dt_ms, then each reading that differs from the tick before as its number and a 32-bit
value. Recorded once under CPython, it replays to the same decisions everywhere (S14).
"""

import struct

from loopwarden import signals as S

NONE = -(2**31)  # stands for None in a recording; no reading has this value
FIELDS = (
    "bits",
    "known",
    "latch",
    "loop_low",
    "loop_high",
    "pack_mv",
    "pack_state",
    "bus_mv",
    "bus_state",
    "current_ma",
    "current_state",
    "supply_mv",
    "supply_state",
    "reference_mv",
    "reference_state",
    "isolation_ohm",
    "isolation_state",
    "isolation_age_ms",
    "speed_mm_s",
    "speed_state",
    "speed_pulses",
    "late_ms",
    "heap_free",
)
OUTPUTS = (
    "positive",
    "negative",
    "precharge",
    "discharge",
    "inverter_enable",
    "charger_enable",
    "hv_loads_enable",
    "hold",
    "drive_limit_permille",
    "charge_limit_permille",
    "pump_permille",
    "fan_permille",
    "heater",
    "chiller",
    "chill_valve",
    "heat_share",
    "lamp_ready",
    "lamp_caution",
    "lamp_stop",
    "lamp_hv",
    "heartbeat",
)
_ZONE = len(FIELDS)  # zone n: number _ZONE + 2 n its reading, one more its state
_CHANGE = "<Bi"


def numbered(inputs):
    """All readings as a list of integers, in the numbers of a recording."""
    values = [getattr(inputs, name) for name in FIELDS]
    for z in range(S.ZONES_MAX):
        values.append(inputs.zone_dc[z])
        values.append(inputs.zone_state[z])
    return [NONE if value is None else value for value in values]


class Recorder:
    """Collects ticks; `data()` is the file."""

    def __init__(self):
        self.last = None
        self.parts = []

    def add(self, inputs, dt_ms):
        now = numbered(inputs)
        changes = [i for i in range(len(now)) if self.last is None or now[i] != self.last[i]]
        self.parts.append(struct.pack("BB", dt_ms, len(changes)))
        for i in changes:
            self.parts.append(struct.pack(_CHANGE, i, now[i]))
        self.last = now

    def data(self):
        return b"".join(self.parts)


class Replay:
    """Reads a recording into `inputs`, tick by tick."""

    def __init__(self, data):
        self.data = data
        self.at = 0
        self.inputs = S.Inputs()

    def next(self):
        """Fill `inputs` for the next tick and return its dt_ms; 0 at the end."""
        if self.at >= len(self.data):
            return 0
        dt_ms = self.data[self.at]
        changes = self.data[self.at + 1]
        at = self.at + 2
        for _ in range(changes):
            i, value = struct.unpack_from(_CHANGE, self.data, at)
            at += 5
            if value == NONE:
                value = None
            if i < _ZONE:
                setattr(self.inputs, FIELDS[i], value)
            elif (i - _ZONE) & 1:
                self.inputs.zone_state[(i - _ZONE) // 2] = value
            else:
                self.inputs.zone_dc[(i - _ZONE) // 2] = value
        self.at = at
        return dt_ms


class Digest:
    """A digest over every output of every tick, and over phase, stage and the hardest fault beside them."""

    def __init__(self, sha):
        self.sha = sha
        self.buffer = bytearray(2 * (len(OUTPUTS) + 3))

    def add(self, sup, outputs):
        at = 0
        for name in OUTPUTS:
            struct.pack_into("<h", self.buffer, at, getattr(outputs, name))
            at += 2
        for value in (sup.phase, sup.phases.stage, sup.faults.worst_row):
            struct.pack_into("<h", self.buffer, at, value)
            at += 2
        self.sha.update(self.buffer)
