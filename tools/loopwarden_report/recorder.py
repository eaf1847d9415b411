"""Takes a drive down, tick by tick: readings, commands, and the device's own words when something changed.

Decides when the device is asked why: when a fault became active, at a new phase, at a new limiter.
"""

import struct
from collections.abc import Callable
from typing import Any

import numpy as np

from loopwarden.memory import drive_log
from loopwarden.memory.codes import CODED
from loopwarden.policy import fault_table
from loopwarden.words import fault_name, why
from loopwarden_build.model import BuildFile
from loopwarden_report.history import (
    FLAGS,
    NO_NUMBER_2,
    NO_NUMBER_4,
    NOT_KNOWN,
    UNPOWERED,
    Answer,
    Cycle,
    Gap,
    History,
    Occurrence,
    Origin,
    layout,
)

_FORM = {"<u4": "I", "<i4": "i", "<i2": "h", "u1": "B"}
_NOTHING_LIMITS = 255
_ASK_EVERY_MS = 1000  # a limiter that changes faster than this is not asked each time
_ANSWERS_MAX = 2000


class Recorder:
    """Fed once a tick, it makes a `History`. The same for a simulation and for a replay.

    reason   asks the supervisor why: (supervisor, subject) to a text
    """

    def __init__(self, build: BuildFile, title: str, origin: Origin, reason: Callable[[Any, str], str] = why) -> None:
        self._build = build
        self._title = title
        self._origin = origin
        self._reason = reason
        self._zones = len(build.zone)
        self._layout = layout(self._zones)
        self._pack = struct.Struct("<" + "".join(_FORM[kind] for _, kind in self._layout)).pack
        self._data = bytearray()
        self._occurrences: list[Occurrence] = []
        self._open: dict[int, Occurrence] = {}
        self._answers: list[Answer] = []
        self._cycles: list[Cycle] = []
        self._gaps: list[Gap] = []
        self._remarks: list[str] = []
        self._supervisor: Any = None
        self._log: Any = None
        self._cycle = self._last_ms = 0
        self._active = bytearray()
        self._phase = -1
        self._limiters = (-1, -1, -1, -1)
        self._asked_ms = {"drive limit": -_ASK_EVERY_MS, "charge limit": -_ASK_EVERY_MS}

    def remark(self, text: str) -> None:
        """Something that the reader must know before believing the page."""
        self._remarks.append(text)

    def gap(self, from_ms: int, to_ms: int, why: str) -> None:
        """A span of which there are no ticks."""
        self._gaps.append(Gap(from_ms, to_ms, why))

    def tick(self, t_ms: int, inputs: Any, outputs: Any, supervisor: Any, without: int = UNPOWERED) -> None:
        """Take one tick down, after the supervisor's step.

        supervisor  None while there is none: `without` says why, UNPOWERED or NOT_KNOWN
        Errors: struct.error for a number that no reading has.
        """
        if supervisor is not self._supervisor:
            self._end_cycle(t_ms, known=supervisor is not None or without != NOT_KNOWN)
            if supervisor is not None:
                self._supervisor = supervisor
                self._log = drive_log.DriveLog()
                self._cycle = supervisor.memory.cycle
        if supervisor is None:
            phase, limiters = without, (_NOTHING_LIMITS, 0, _NOTHING_LIMITS, 0)
        else:
            phase = supervisor.phases.phase
            limiters = _limiters(supervisor)
            faults = supervisor.faults
            active = faults.active[: faults.actives]
            if active != self._active:
                self._faults(t_ms, active)
            self._log.step(supervisor)
        if phase != self._phase:
            self._phase = phase
            if supervisor is not None:
                self._ask(t_ms, "phase")
        if limiters != self._limiters:
            self._limited(t_ms, limiters)
        self._last_ms = t_ms
        i, o = inputs, outputs
        commands = 0
        for place, name in _PLACES:
            if getattr(o, name):
                commands |= place
        zones = self._zones
        self._data += self._pack(
            t_ms,
            phase,
            i.bits,
            i.known,
            i.latch,
            NO_NUMBER_4 if i.bus_mv is None else i.bus_mv,
            NO_NUMBER_4 if i.pack_mv is None else i.pack_mv,
            NO_NUMBER_4 if i.current_ma is None else i.current_ma,
            NO_NUMBER_4 if i.supply_mv is None else i.supply_mv,
            NO_NUMBER_4 if i.reference_mv is None else i.reference_mv,
            NO_NUMBER_4 if i.isolation_ohm is None else i.isolation_ohm,
            NO_NUMBER_4 if i.speed_mm_s is None else i.speed_mm_s,
            i.isolation_age_ms,
            i.late_ms,
            i.heap_free,
            NO_NUMBER_2 if i.speed_pulses is None else min(i.speed_pulses, 32767),
            i.bus_state,
            i.pack_state,
            i.current_state,
            i.supply_state,
            i.reference_state,
            i.isolation_state,
            i.speed_state,
            *[NO_NUMBER_2 if dc is None else dc for dc in i.zone_dc[:zones]],
            *i.zone_state[:zones],
            commands,
            o.drive_limit_permille,
            o.charge_limit_permille,
            o.pump_permille,
            o.fan_permille,
            *limiters,
        )

    def history(self) -> History:
        """All that was taken down so far."""
        running = [] if self._log is None else [self._summary()]
        return History(
            build=self._build,
            title=self._title,
            origin=self._origin,
            ticks=np.frombuffer(bytes(self._data), dtype=np.dtype(self._layout)),
            occurrences=list(self._occurrences),
            answers=list(self._answers),
            cycles=[*self._cycles, *running],
            gaps=list(self._gaps),
            remarks=list(self._remarks),
        )

    def _faults(self, t_ms: int, active: bytearray) -> None:
        for row in active:
            if row not in self._open:
                text = self._reason(self._supervisor, str(fault_name(row)))
                self._open[row] = Occurrence(t_ms, row, text)
                self._occurrences.append(self._open[row])
                if CODED[row]:
                    self._log.note(row)
        for row in [row for row in self._open if row not in active]:
            self._open.pop(row).end_ms = t_ms
        self._active = active

    def _limited(self, t_ms: int, limiters: tuple[int, int, int, int]) -> None:
        before, self._limiters = self._limiters, limiters
        if self._supervisor is None:
            return
        for subject, part in (("drive limit", slice(0, 2)), ("charge limit", slice(2, 4))):
            if limiters[part] != before[part] and t_ms >= self._asked_ms[subject] + _ASK_EVERY_MS:
                self._asked_ms[subject] = t_ms
                self._ask(t_ms, subject)

    def _ask(self, t_ms: int, subject: str) -> None:
        if len(self._answers) < _ANSWERS_MAX:
            self._answers.append(Answer(t_ms, subject, self._reason(self._supervisor, subject)))

    def _end_cycle(self, t_ms: int, *, known: bool) -> None:
        if self._log is not None:
            self._cycles.append(self._summary())
        for occurrence in self._open.values():
            if known:
                occurrence.end_ms = t_ms
            else:
                occurrence.seen_ms = self._last_ms
        self._open.clear()
        self._active = bytearray()
        self._supervisor = self._log = None

    def _summary(self) -> Cycle:
        line = self._log.line
        return Cycle(
            cycle=self._cycle,
            precharge_ms=line[drive_log.PRECHARGE_MS] or None,
            discharge_ms=line[drive_log.DISCHARGE_MS] or None,
            lowest_ohm=drive_log.value(line, drive_log.LOWEST_OHM),
            hottest_dc=drive_log.value(line, drive_log.HOTTEST_DC),
            inverter_dc=drive_log.value(line, drive_log.INVERTER_DC),
            motor_dc=drive_log.value(line, drive_log.MOTOR_DC),
            drove=bool(line[drive_log.FLAGS] & drive_log.DROVE),
            rows=tuple(row for row in range(1, len(CODED)) if drive_log.noted(line, row)),
        )


_PLACES = [(1 << place, name) for place, name in enumerate(FLAGS)]


def _limiters(supervisor: Any) -> tuple[int, int, int, int]:
    """What limits driving and charging: the limiter of limits.py with the row of a fault; 255 where nothing does."""
    limits, faults = supervisor.limits, supervisor.faults
    drive, charge = limits.drive_goal, limits.charge_goal
    return (
        _NOTHING_LIMITS if drive >> 4 >= fault_table.FULL else drive & 15,
        faults.drive & 255,
        _NOTHING_LIMITS if charge >> 4 >= fault_table.FULL else charge & 15,
        faults.charge & 255,
    )
