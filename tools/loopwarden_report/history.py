"""A drive as columns over time, with what happened in it. Where it came from does not show: a run, a replay.

Decides what a missing reading is: one that is not valid, whatever number lies there (S10).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from loopwarden import signals
from loopwarden.naming import LIMITERS
from loopwarden.policy import fault_table, phases
from loopwarden.policy.limits import FAULT as BY_FAULT
from loopwarden.policy.limits import PHASE as BY_PHASE
from loopwarden.policy.limits import WIND as BY_WIND
from loopwarden.words import fault_name
from loopwarden_build.derived import working_v
from loopwarden_build.model import BuildFile

Numbers = NDArray[np.float64]
Origin = Literal["simulation", "recording"]

NO_NUMBER_4, NO_NUMBER_2 = -(1 << 31), -(1 << 15)  # what stands in an integer column where there is no reading
UNPOWERED = len(phases.NAMES)
NOT_KNOWN = UNPOWERED + 1  # readings and commands are there, and nobody can tell what was decided
PHASE_NAMES = (*phases.NAMES, "unpowered", "not known")
STATES = ("ok", "open", "short", "stale", "range", "device", "quiet")  # validity of a reading, as in signals.py
# Readings of an input: its column, its name in Inputs, its state there.
READINGS = {
    "bus_mv": "bus_state",
    "pack_mv": "pack_state",
    "current_ma": "current_state",
    "supply_mv": "supply_state",
    "reference_mv": "reference_state",
    "isolation_ohm": "isolation_state",
    "speed_mm_s": "speed_state",
}
_OUTPUTS = tuple(vars(signals.Outputs()))
PERMILLE = tuple(name for name in _OUTPUTS if name.endswith("_permille"))
FLAGS = tuple(name for name in _OUTPUTS if name not in PERMILLE)
SWITCHES = {
    "key": signals.KEY,
    "start": signals.START,
    "ack": signals.ACK,
    "plug": signals.PLUG,
    "service": signals.SERVICE,
    "estop": signals.STOP,
    "crash": signals.CRASH,
    "charged": signals.CHARGED,
    "positive_reported_closed": signals.AUX_POSITIVE,
    "negative_reported_closed": signals.AUX_NEGATIVE,
    "coolant": signals.COOLANT,
    "coil_fault": signals.COIL_FAULT,
    "lamp_fault": signals.LAMP_FAULT,
}
_TABLE: Any = fault_table.TABLE  # device code carries no annotations
ROWS: dict[int, Any] = {row[fault_table.ID]: row for row in _TABLE}


def layout(zones: int) -> list[tuple[str, str]]:
    """One tick's fields in their order, each with its numpy type; packed, little end first."""
    fields = [("t_ms", "<u4"), ("phase", "u1"), ("bits", "<u4"), ("known", "<u4"), ("latch", "<u4")]
    fields += [(name, "<i4") for name in (*READINGS, "isolation_age_ms", "late_ms", "heap_free")]
    fields += [("speed_pulses", "<i2")]
    fields += [(state, "u1") for state in READINGS.values()]
    fields += [(f"zone{n + 1}_dc", "<i2") for n in range(zones)]
    fields += [(f"zone{n + 1}_state", "u1") for n in range(zones)]
    fields += [("commands", "<u4")]
    fields += [(name, "<i2") for name in PERMILLE]
    fields += [(name, "u1") for name in ("drive_by", "drive_row", "charge_by", "charge_row")]
    return fields


@dataclass
class Occurrence:
    """A fault became active.

    why      the device's words in that tick
    end_ms   None where its end was not seen
    seen_ms  then: from when on nobody could tell any more; None where it was active in the last tick
    """

    t_ms: int
    row: int
    why: str
    end_ms: int | None = None
    seen_ms: int | None = None

    @property
    def code(self) -> str:
        """As people write it; "" for a row without one."""
        return code_of(self.row)

    @property
    def name(self) -> str:
        """The row's name in words."""
        return str(fault_name(self.row)) if self.row in ROWS else f"row {self.row}, not in this version's table"


@dataclass(frozen=True)
class Answer:
    """What the device answered in one tick when asked why."""

    t_ms: int
    subject: str
    text: str


@dataclass(frozen=True)
class Gap:
    """A span of which nothing is known, and why."""

    from_ms: int
    to_ms: int
    why: str


@dataclass(frozen=True)
class Cycle:
    """What a power cycle was like, as the fault memory keeps it; None: not measured, or it did not happen."""

    cycle: int
    precharge_ms: int | None = None
    discharge_ms: int | None = None
    lowest_ohm: int | None = None
    hottest_dc: int | None = None
    inverter_dc: int | None = None
    motor_dc: int | None = None
    drove: bool = False
    rows: tuple[int, ...] = ()

    @classmethod
    def of(cls, answer: Mapping[str, object]) -> "Cycle":
        """From a board's answer to `starts`; what is no integer there counts as not known."""

        def number(name: str) -> int | None:
            value = answer.get(name)
            return value if isinstance(value, int) and not isinstance(value, bool) else None

        rows = answer.get("rows")
        return cls(
            cycle=number("cycle") or 0,
            precharge_ms=number("precharge_ms"),
            discharge_ms=number("discharge_ms"),
            lowest_ohm=number("lowest_ohm"),
            hottest_dc=number("hottest_dc"),
            inverter_dc=number("inverter_dc"),
            motor_dc=number("motor_dc"),
            drove=bool(answer.get("drove")),
            rows=tuple(row for row in rows if isinstance(row, int)) if isinstance(rows, list) else (),
        )


@dataclass
class History:
    """All that is plotted and exported.

    ticks      structured array of `layout`, a row a tick
    gaps       spans without ticks; remarks: what else the reader must know before believing the page
    """

    build: BuildFile
    title: str
    origin: Origin
    ticks: NDArray[np.void]
    occurrences: Sequence[Occurrence] = ()
    answers: Sequence[Answer] = ()
    cycles: Sequence[Cycle] = ()
    gaps: Sequence[Gap] = ()
    remarks: Sequence[str] = field(default_factory=list)

    @property
    def tick_ms(self) -> int:
        """Period of the supervising loop."""
        return round(1000 * self.build.build.tick)

    @property
    def t_s(self) -> Numbers:
        """End of each tick, seconds since the first."""
        return self.ticks["t_ms"] / 1000.0

    def reading(self, name: str) -> Numbers:
        """A reading of READINGS in its own unit; nan where it was not valid."""
        values = self.ticks[name].astype(np.float64)
        values[(self.ticks[READINGS[name]] != signals.OK) | (self.ticks[name] == NO_NUMBER_4)] = np.nan
        return values

    def volts(self, name: str) -> Numbers:
        """A reading in mV, as V."""
        return self.reading(name) / 1000.0

    @property
    def ohm_per_v(self) -> Numbers:
        """Isolation over the build's highest working voltage, as UN R100 states its limits."""
        return self.reading("isolation_ohm") / working_v(self.build)

    def zone_c(self, number: int) -> Numbers:
        """Temperature of a zone, counted from 0, degC; nan where it was not valid."""
        name = f"zone{number + 1}"
        values = self.ticks[f"{name}_dc"] / 10.0
        values[(self.ticks[f"{name}_state"] != signals.OK) | (self.ticks[f"{name}_dc"] == NO_NUMBER_2)] = np.nan
        return values

    def permille(self, name: str) -> Numbers:
        """A command of PERMILLE; nan while the board had no power."""
        values = self.ticks[name].astype(np.float64)
        values[~self.powered] = np.nan
        return values

    @property
    def powered(self) -> NDArray[np.bool_]:
        """Ticks in which the board ran."""
        return np.asarray(self.ticks["phase"] != UNPOWERED)

    def command(self, name: str) -> NDArray[np.bool_]:
        """Whether an output of FLAGS was on. Without power the lamps are as their wiring leaves them."""
        return np.asarray(self.ticks["commands"] >> FLAGS.index(name) & 1 == 1)

    def switch(self, mask: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Whether a two-state input was on, and whether it could be read at all."""
        known = (self.ticks["known"] & np.uint32(mask)) != 0
        return np.asarray((self.ticks["bits"] & np.uint32(mask)) != 0) & known, np.asarray(known)

    def limiters(self, side: Literal["drive", "charge"]) -> list[tuple[int, int, str]]:
        """Which limiter held one side from which tick to which (one past it), by name; "" for none."""
        by, row = self.ticks[f"{side}_by"], self.ticks[f"{side}_row"]
        marks = np.where(by == BY_FAULT, row.astype(np.int32) + 256, by)
        goal = np.where(self.ticks["phase"] < UNPOWERED, marks, -1)
        return [(begin, end, limiter_name(value)) for begin, end, value in runs(goal)]


def runs(values: NDArray[Any]) -> list[tuple[int, int, int]]:
    """Spans of equal values: first place, one past the last, the value."""
    if not len(values):
        return []
    edges = np.flatnonzero(values[1:] != values[:-1]) + 1
    begins = [0, *edges.tolist()]
    return list(zip(begins, [*edges.tolist(), len(values)], values[begins].tolist(), strict=True))


def limiter_name(mark: int) -> str:
    """A limiter in words: its number in limits.py, 256 and the row for a fault, 255 for nothing, -1 without power."""
    if mark in (-1, 255):
        return ""
    if mark >= 256:
        return f"fault: {fault_name(mark - 256)}" if mark - 256 in ROWS else "a fault"
    if mark == BY_PHASE:
        return "not live"
    return "winding down" if mark == BY_WIND else str(LIMITERS[mark].decode())


def code_of(row: int) -> str:
    """A row's trouble code, "P0AA6-00"; "" for a row without one. Source of the form: SAE J2012, ISO 15031-6."""
    known = ROWS.get(row)
    if known is None or not known[fault_table.CODE]:
        return ""
    code = known[fault_table.CODE]
    return f"{'PCBU'[code >> 14]}{code >> 12 & 3}{code & 0xFFF:03X}-{known[fault_table.FTB]:02X}"
