"""The columns of a run: the physical truth, what the policy saw, what it commanded; and the CSV trace made of them.

A column is read by one call on the scene of the tick that has just ended. Expectations name the same columns, so that
what a scenario demands and what a trace shows can never be two things.
"""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TextIO

from loopwarden import signals
from loopwarden.policy import fault_table, phases
from loopwarden_build.model import BuildFile
from loopwarden_sim.world import World

Value = bool | int | float | str | None
Kind = Literal["flag", "number", "text"]
UNPOWERED = "unpowered"  # the phase of a board that does not run
PHASE_NAMES = (*phases.NAMES, UNPOWERED)
_TABLE: Any = fault_table.TABLE  # device code carries no annotations
FAULT_ROWS: dict[int, Any] = {row[fault_table.ID]: row for row in _TABLE}
FAULT_NAMES: dict[int, str] = {row_id: row[fault_table.NAME] for row_id, row in FAULT_ROWS.items()}
FAULT_IDS: dict[str, int] = {name: row_id for row_id, name in FAULT_NAMES.items()}

# The unit that ends a column's name, as units.py knows it, and how many of the column's unit make one of those.
UNIT_OF_SUFFIX: dict[str, tuple[str, float]] = {
    "v": ("V", 1.0),
    "a": ("A", 1.0),
    "kmh": ("m/s", 3.6),
    "ohm": ("ohm", 1.0),
    "j": ("J", 1.0),
    "w": ("W", 1.0),
    "kw": ("W", 0.001),
    "degc": ("degC", 1.0),
    "permille": ("fraction", 1000.0),
    "percent": ("fraction", 100.0),
    "ms": ("s", 1000.0),
    "s": ("s", 1.0),
    "m": ("m", 1.0),
}
_STATES = ("ok", "open", "short", "stale", "range", "device", "quiet")
_BITS = (
    ("key", signals.KEY),
    ("start", signals.START),
    ("ack", signals.ACK),
    ("plug", signals.PLUG),
    ("service", signals.SERVICE),
    ("estop", signals.STOP),
    ("crash", signals.CRASH),
    ("charged", signals.CHARGED),
    ("positive_reported_closed", signals.AUX_POSITIVE),
    ("negative_reported_closed", signals.AUX_NEGATIVE),
    ("coolant", signals.COOLANT),
    ("coil_fault", signals.COIL_FAULT),
    ("lamp_fault", signals.LAMP_FAULT),
)


class Scene:
    """What a column is read from: one run's parts, and what the runner knows of the tick that has just ended."""

    def __init__(self, world: World, inputs: Any, outputs: Any) -> None:
        self.world = world
        self.inputs = inputs
        self.outputs = outputs
        self.supervisor: Any = None  # None while the board does not run
        self.memory: Any = None
        self.t_ms = 0
        self.active: frozenset[str] = frozenset()

    @property
    def phase(self) -> str:
        """Name of the phase."""
        return UNPOWERED if self.supervisor is None else str(phases.NAMES[self.supervisor.phase])


@dataclass(frozen=True)
class Column:
    """One column: its name, what it holds, the unit its name ends in (None: a flag, a count, a text)."""

    name: str
    kind: Kind
    read: Callable[[Scene], Value]

    @property
    def unit(self) -> tuple[str, float] | None:
        """Base unit of the build file's quantities, and how many of this column's unit make one."""
        if self.kind != "number":
            return None
        return UNIT_OF_SUFFIX.get(self.name.rpartition("_")[2])


def columns(build: BuildFile) -> dict[str, Column]:
    """Every column of a run of this build, in the order of the trace; zones and loops are counted as in the file."""
    found = [
        Column("t_ms", "number", lambda scene: scene.t_ms),
        Column("phase", "text", lambda scene: scene.phase),
        Column("codes", "text", lambda scene: " ".join(code_text(FAULT_IDS[name]) for name in _coded(scene))),
        Column("faults", "text", lambda scene: " ".join(sorted(scene.active, key=FAULT_IDS.__getitem__))),
        *_world_columns(),
        *_input_columns(build),
        *_output_columns(),
    ]
    return {column.name: column for column in found}


def code_text(row_id: int) -> str:
    """A row's trouble code as people write it, "P0AA6-00"; empty for a row without one.

    Source: the letter and digits of SAE J2012 (two bits of letter, two bits of first digit, three hex digits), with the
    failure type byte of ISO 15031-6.
    """
    row = FAULT_ROWS[row_id]
    code = row[fault_table.CODE]
    if not code:
        return ""
    return f"{'PCBU'[code >> 14]}{code >> 12 & 3}{code & 0xFFF:03X}-{row[fault_table.FTB]:02X}"


def _coded(scene: Scene) -> list[str]:
    return [name for name in sorted(scene.active, key=FAULT_IDS.__getitem__) if code_text(FAULT_IDS[name])]


def _world_columns() -> list[Column]:
    found = []
    for name, getter in World.TRUTH.items():
        number = name.rpartition("_")[2] in UNIT_OF_SUFFIX
        found.append(Column(name, "number" if number else "flag", _truth(getter)))
    return found


def _truth(getter: Callable[[World], float]) -> Callable[[Scene], Value]:
    return lambda scene: getter(scene.world)


def _reader(part: str, name: str) -> Callable[[Scene], Value]:
    def read(scene: Scene) -> Value:
        value: Value = getattr(getattr(scene, part), name)
        return value

    return read


def _scaled(name: str, parts: int) -> Callable[[Scene], Value]:
    def read(scene: Scene) -> Value:
        value = getattr(scene.inputs, name)
        return None if value is None else value / parts

    return read


def _bit(mask: int, word: str = "bits") -> Callable[[Scene], Value]:
    def read(scene: Scene) -> Value:
        if word == "bits" and not scene.inputs.known & mask:
            return None
        return bool(getattr(scene.inputs, word) & mask)

    return read


def _zone(number: int) -> Callable[[Scene], Value]:
    def read(scene: Scene) -> Value:
        dc = scene.inputs.zone_dc[number]
        return None if dc is None else dc / 10

    return read


def _state(name: str) -> Callable[[Scene], Value]:
    return lambda scene: _STATES[getattr(scene.inputs, name)]


def _input_columns(build: BuildFile) -> list[Column]:
    found = []
    for column, name, parts in (
        ("bus_v", "bus_mv", 1000),
        ("pack_v", "pack_mv", 1000),
        ("pack_a", "current_ma", 1000),
        ("supply_v", "supply_mv", 1000),
        ("reference_v", "reference_mv", 1000),
        ("isolation_ohm", "isolation_ohm", 1),
        ("isolation_age_ms", "isolation_age_ms", 1),
    ):
        found.append(Column(f"in_{column}", "number", _scaled(name, parts)))
    # 1 mm/s is 0.0036 km/h
    found.append(
        Column(
            "in_speed_kmh",
            "number",
            lambda scene: None if scene.inputs.speed_mm_s is None else scene.inputs.speed_mm_s * 0.0036,
        )
    )
    found.append(Column("in_speed_pulses", "number", lambda scene: scene.inputs.speed_pulses))
    for column, name in (
        ("bus_state", "bus_state"),
        ("pack_state", "pack_state"),
        ("current_state", "current_state"),
        ("supply_state", "supply_state"),
        ("isolation_state", "isolation_state"),
        ("speed_state", "speed_state"),
    ):
        found.append(Column(f"in_{column}", "text", _state(name)))
    for number in range(len(build.zone)):
        found.append(Column(f"in_zone{number + 1}_degc", "number", _zone(number)))
    for column, mask in _BITS:
        found.append(Column(f"in_{column}", "flag", _bit(mask)))
    found.append(Column("in_estop_latched", "flag", _bit(signals.STOP, "latch")))
    found.append(Column("in_crash_latched", "flag", _bit(signals.CRASH, "latch")))
    for number in range(len(build.loop)):
        found.append(Column(f"in_loop{number + 1}_closed", "flag", _bit(signals.LOOP0 << number)))
        found.append(Column(f"in_loop{number + 1}_latched_open", "flag", _bit(signals.LOOP0 << number, "latch")))
    return found


def _output_columns() -> list[Column]:
    found = []
    for name in vars(signals.Outputs()):
        number = name.endswith("_permille")
        found.append(Column(f"out_{name}", "number" if number else "flag", _reader("outputs", name)))
    return found


class TraceFile:
    """Writes one CSV row per tick: flags as 0 and 1, what is not known empty."""

    def __init__(self, path: Path, columns: dict[str, Column]) -> None:
        self._file: TextIO = path.open("w", encoding="utf-8", newline="")
        self._readers = [column.read for column in columns.values()]
        self._csv = csv.writer(self._file, lineterminator="\n")
        self._csv.writerow(columns)

    def row(self, scene: Scene) -> None:
        """Write the tick that has just ended."""
        self._csv.writerow([_cell(read(scene)) for read in self._readers])

    def close(self) -> None:
        """End the file."""
        self._file.close()


def _cell(value: Value) -> str | int:
    if value is None:
        return ""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, float):
        return f"{value:.6g}"
    return value
