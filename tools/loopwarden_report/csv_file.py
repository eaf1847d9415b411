"""A drive as CSV for the person's own analysis: a row a tick, the unit in each column's name, what is not known empty.

The names are those of the simulator's trace wherever both have the same thing.
"""

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loopwarden import signals
from loopwarden_build.derived import working_v
from loopwarden_report.history import (
    FLAGS,
    NO_NUMBER_2,
    NO_NUMBER_4,
    PERMILLE,
    PHASE_NAMES,
    STATES,
    SWITCHES,
    History,
    code_of,
)

_CHUNK = 5000  # rows that are held as text at a time
Cells = Callable[[slice], list[Any]]
# Reading: name of its column, and how many of the integer's unit make one of the column's.
_SCALES = {
    "bus_mv": ("bus_v", 1000),
    "pack_mv": ("pack_v", 1000),
    "current_ma": ("pack_a", 1000),
    "supply_mv": ("supply_v", 1000),
    "reference_mv": ("reference_v", 1000),
    "isolation_ohm": ("isolation_ohm", 1),
}
_STATE_NAMES = ("bus_state", "pack_state", "current_state", "supply_state", "isolation_state", "speed_state")


def write_csv(history: History, path: Path) -> int:
    """Write it and return the number of rows. Errors: OSError."""
    found = columns(history)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(found)
        for begin in range(0, len(history.ticks), _CHUNK):
            part = slice(begin, begin + _CHUNK)
            writer.writerows(zip(*(cells(part) for cells in found.values()), strict=True))
    return len(history.ticks)


def columns(history: History) -> dict[str, Cells]:
    """Every column by name, in order; each gives the cells of a span of ticks."""
    ticks = history.ticks
    faults = _Active(history)
    found: dict[str, Cells] = {
        "t_ms": lambda part: ticks["t_ms"][part].tolist(),
        "phase": lambda part: [PHASE_NAMES[phase] for phase in ticks["phase"][part].tolist()],
        "codes": lambda part: [" ".join(filter(None, map(code_of, rows))) for rows in faults.rows(part)],
        "faults": lambda part: [" ".join(map(faults.name, rows)) for rows in faults.rows(part)],
    }
    for name, (column, parts) in _SCALES.items():
        found[f"in_{column}"] = _number(ticks[name], NO_NUMBER_4, parts)
    per_v = working_v(history.build)
    found["in_isolation_ohm_per_v"] = _number(ticks["isolation_ohm"], NO_NUMBER_4, per_v)
    found["in_isolation_age_ms"] = _number(ticks["isolation_age_ms"], NO_NUMBER_4, 1)
    found["in_speed_kmh"] = _speed(ticks["speed_mm_s"])
    found["in_speed_pulses"] = _number(ticks["speed_pulses"], NO_NUMBER_2, 1)
    for name in _STATE_NAMES:
        found[f"in_{name}"] = _states(ticks[name])
    for number in range(len(history.build.zone)):
        found[f"in_zone{number + 1}_degc"] = _number(ticks[f"zone{number + 1}_dc"], NO_NUMBER_2, 10)
    for name, mask in SWITCHES.items():
        found[f"in_{name}"] = _switch(ticks, mask)
    found["in_estop_latched"] = _flag(ticks["latch"], signals.STOP)
    found["in_crash_latched"] = _flag(ticks["latch"], signals.CRASH)
    for number in range(len(history.build.loop)):
        found[f"in_loop{number + 1}_closed"] = _switch(ticks, signals.LOOP0 << number)
        found[f"in_loop{number + 1}_latched_open"] = _flag(ticks["latch"], signals.LOOP0 << number)
    for place, name in enumerate(FLAGS):
        found[f"out_{name}"] = _flag(ticks["commands"], 1 << place)
    for name in PERMILLE:
        found[f"out_{name}"] = _number(ticks[name], NO_NUMBER_2, 1)
    for side in ("drive", "charge"):
        found[f"{side}_limited_by"] = _limiters(history, side)
    return found


class _Active:
    """Which rows were active in which tick."""

    def __init__(self, history: History) -> None:
        self._t_ms = history.ticks["t_ms"]
        self._names = {one.row: one.name.upper().replace(" ", "_") for one in history.occurrences}
        changes: dict[int, list[tuple[int, bool]]] = {}
        for one in history.occurrences:
            changes.setdefault(one.t_ms, []).append((one.row, True))
            end_ms = one.end_ms if one.seen_ms is None else one.seen_ms + 1
            if end_ms is not None:
                changes.setdefault(end_ms, []).append((one.row, False))
        active: set[int] = set()
        self._from = [-1]
        self._rows: list[list[int]] = [[]]
        for t_ms in sorted(changes):
            for row, begins in sorted(changes[t_ms], key=lambda change: change[1]):
                (active.add if begins else active.discard)(row)
            self._from.append(t_ms)
            self._rows.append(sorted(active))

    def name(self, row: int) -> str:
        return self._names[row]

    def rows(self, part: slice) -> Iterator[list[int]]:
        places = np.searchsorted(np.array(self._from), self._t_ms[part].astype(np.int64), side="right") - 1
        return (self._rows[place] for place in places.tolist())


def _number(values: NDArray[Any], missing: int, parts: int) -> Cells:
    def cells(part: slice) -> list[Any]:
        found = values[part].tolist()
        if parts == 1:
            return ["" if value == missing else value for value in found]
        return ["" if value == missing else f"{value / parts:.6g}" for value in found]

    return cells


def _speed(values: NDArray[Any]) -> Cells:
    # 1 mm/s is 0.0036 km/h
    return lambda part: ["" if value == NO_NUMBER_4 else f"{value * 0.0036:.6g}" for value in values[part].tolist()]


def _states(values: NDArray[Any]) -> Cells:
    return lambda part: [STATES[state] if state < len(STATES) else state for state in values[part].tolist()]


def _flag(values: NDArray[Any], mask: int) -> Cells:
    return lambda part: ((values[part] & np.uint32(mask)) != 0).astype(int).tolist()


def _switch(ticks: NDArray[np.void], mask: int) -> Cells:
    def cells(part: slice) -> list[Any]:
        on, known = ((ticks[name][part] & np.uint32(mask)) != 0 for name in ("bits", "known"))
        return [int(value) if read else "" for value, read in zip(on.tolist(), known.tolist(), strict=True)]

    return cells


def _limiters(history: History, side: str) -> Cells:
    names = [""] * len(history.ticks)
    for begin, end, name in history.limiters("drive" if side == "drive" else "charge"):
        names[begin:end] = [name] * (end - begin)
    return lambda part: names[part]
