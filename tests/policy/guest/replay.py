"""Feeds recorded inputs to a supervisor, under CPython and MicroPython alike; imported by the scripts of the tests.

A recording is a file of ticks: dt_ms, then each reading that differs from the tick before as its number and a 32-bit
value. In place of dt_ms stand 0 and a row id where a link asked to clear that row, 0 and 0 where the board was powered
up (again), 0 and 255 before the first power-up of a board whose memory is new. Recorded once under CPython, it replays
to the same decisions everywhere (S14).
"""

import struct

from loopwarden import signals as S
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor

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
_NEW = 255


def numbered(inputs):
    """All readings as a list of integers, in the numbers of a recording."""
    values = [getattr(inputs, name) for name in FIELDS]
    for z in range(S.ZONES_MAX):
        values.append(inputs.zone_dc[z])
        values.append(inputs.zone_state[z])
    return [NONE if value is None else value for value in values]


class Recorder:
    """Collects ticks and what came between them; `data()` is the file."""

    def __init__(self):
        self.last = None
        self.parts = []
        self.ticks = 0

    def new_memory(self):
        self.parts.append(bytes((0, _NEW)))

    def power_up(self):
        self.parts.append(bytes((0, 0)))

    def ask(self, row):
        self.parts.append(bytes((0, row)))

    def add(self, inputs, dt_ms):
        now = numbered(inputs)
        changes = [i for i in range(len(now)) if self.last is None or now[i] != self.last[i]]
        self.parts.append(struct.pack("BB", dt_ms, len(changes)))
        for i in changes:
            self.parts.append(struct.pack(_CHANGE, i, now[i]))
        self.last = now
        self.ticks += 1

    def data(self):
        return b"".join(self.parts)


class Session:
    """Replays a recording: `while session.next(): session.step(); session.end()`.

    memory       the fault memory, kept over the power-ups
    sup, inputs, outputs, dt_ms   what the next step needs; a caller that measures calls sup.step itself
    """

    def __init__(self, build, data, memory=None):
        self.build = build
        self.data = data
        self.at = 0
        self.ticks = 0
        self.memory = memory or RamMemory()
        self.inputs = S.Inputs()
        self.outputs = self.sup = None
        self.dt_ms = 0

    def next(self):
        """Fill `inputs` for the next tick; False at the end."""
        while self.at < len(self.data) and not self.data[self.at]:
            what = self.data[self.at + 1]
            if what == _NEW:
                self.memory.new = True
                self.memory.positive_proven = False
            elif what:
                self.sup.ask(what)
            else:
                self.memory.begin()
                self.sup = Supervisor(self.build, self.memory)
                self.outputs = S.Outputs()
            self.at += 2
        if self.at >= len(self.data):
            return False
        self.dt_ms = self.data[self.at]
        changes = self.data[self.at + 1]
        self.at += 2
        for _ in range(changes):
            i, value = struct.unpack_from(_CHANGE, self.data, self.at)
            self.at += 5
            self._put(i, None if value == NONE else value)
        return True

    def _put(self, i, value):
        if i < _ZONE:
            setattr(self.inputs, FIELDS[i], value)
        elif (i - _ZONE) & 1:
            self.inputs.zone_state[(i - _ZONE) // 2] = value
        else:
            self.inputs.zone_dc[(i - _ZONE) // 2] = value

    def step(self):
        self.sup.step(self.inputs, self.outputs, self.dt_ms)

    def end(self):
        """What the loop does after the outputs are driven: the memory stores what is marked."""
        self.memory.work(self.sup)
        self.ticks += 1


def files():
    """The build and the ticks that the host laid beside the script."""
    import json

    from loopwarden.build import Build

    with open("build.json") as file:
        build = Build(json.loads(file.read()))
    with open("ticks.bin", "rb") as file:
        return build, file.read()


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
