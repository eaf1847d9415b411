"""The record of a commissioning: what was done, read and left out, by whom and when; in one JSON file.

Decides what counts as complete. Written anew after each step, half a file never replaces a whole one. The layout is
described in hardware_notes/commissioning_record.md.
"""

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

SCHEMA = 1
KIND = "loopwarden commissioning record"
PASSED, FAILED, SKIPPED, DECLINED = "passed", "failed", "skipped", "declined"
NOT_A_CERTIFICATE = (
    "This record is not a certificate. It says what one person tried on one day and what one board then read. It proves"
    " nothing about the parts, about what was not tried, or about the day after. Local codes, the parts' data sheets"
    " and a qualified person rule over it."
)


class RecordError(ValueError):
    """A record that cannot be read or does not belong here; one line that says what to do."""


@dataclass
class Reading:
    """Something read: by the board, or by the person off an instrument of their own.

    low, high   the limits it was held against, None for none; good: whether it kept them, None for no verdict
    """

    what: str
    value: float | str | None
    unit: str = ""
    low: float | None = None
    high: float | None = None
    good: bool | None = None
    by: str = "board"


@dataclass
class StepResult:
    """What became of one step. Times are local, with their offset."""

    key: str
    title: str
    result: str
    reason: str
    begun_at: str
    ended_at: str
    by: str
    tries: int
    readings: list[Reading] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass
class Record:
    """One commissioning of one board with one build.

    form       "full" or "after service"
    planned    keys and titles of the steps that the form has, in order
    sittings   each time somebody sat down to it: at, by, port, program, runtime
    """

    form: str
    build_name: str
    build_digest: str
    birth: str
    begun_at: str
    planned: list[tuple[str, str]]
    sittings: list[dict[str, str]] = field(default_factory=list)
    steps: list[StepResult] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    def result(self, key: str) -> str:
        """What became of a step, "" for one that was not done yet."""
        return next((step.result for step in self.steps if step.key == key), "")

    def put(self, step: StepResult) -> None:
        """Keep a step's result, in the place of an earlier one."""
        self.steps = [other for other in self.steps if other.key != step.key] + [step]
        order = [key for key, _ in self.planned]
        self.steps.sort(key=lambda one: order.index(one.key))

    @property
    def missing(self) -> list[str]:
        """Titles of the steps that are not passed, with why."""
        found = []
        for key, title in self.planned:
            result = self.result(key) or "not done"
            if result != PASSED:
                found.append(f"{title}: {result}")
        return found

    @property
    def complete(self) -> bool:
        """Every step of the form passed."""
        return not self.missing

    def as_data(self) -> dict[str, Any]:
        """The JSON document."""
        return {
            "kind": KIND,
            "schema": SCHEMA,
            "verdict": "COMPLETE" if self.complete else "NOT COMPLETE",
            "complete": self.complete,
            "missing": self.missing,
            "form": self.form,
            "begun_at": self.begun_at,
            "build": {"name": self.build_name, "digest": self.build_digest},
            "board": {"birth": self.birth},
            "sittings": self.sittings,
            "planned": [{"key": key, "title": title} for key, title in self.planned],
            "steps": [asdict(step) for step in self.steps],
            "cautions": self.cautions,
            "not_a_certificate": NOT_A_CERTIFICATE,
        }


def read_record(path: Path) -> Record:
    """The record in a file. Errors: RecordError."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["kind"] != KIND:
            raise RecordError(f"{path}: is no commissioning record; name another folder with --record")
        if data["schema"] != SCHEMA:
            raise RecordError(f"{path}: schema {data['schema']}, this program reads {SCHEMA}; begin a new record")
        return Record(
            form=data["form"],
            build_name=data["build"]["name"],
            build_digest=data["build"]["digest"],
            birth=data["board"]["birth"],
            begun_at=data["begun_at"],
            planned=[(one["key"], one["title"]) for one in data["planned"]],
            sittings=list(data["sittings"]),
            steps=[_step(one) for one in data["steps"]],
            cautions=list(data["cautions"]),
        )
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}; name another folder with --record") from None
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        if isinstance(error, RecordError):
            raise
        raise RecordError(f"{path}: is damaged; keep it aside and begin a new record with --record") from None


def _step(one: dict[str, Any]) -> StepResult:
    return StepResult(**{**one, "readings": [Reading(**reading) for reading in one["readings"]]})


def write_file(path: Path, text: str) -> None:
    """Replace a file's content as a whole, or not at all. Errors: OSError."""
    half = path.with_name(f"{path.name}.{os.getpid()}")
    with half.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    half.replace(path)


def essential_missing(record: Record, keys: Sequence[str]) -> list[str]:
    """Titles of the steps of `keys` that are not passed."""
    titles = dict(record.planned)
    return [titles[key] for key in keys if key in titles and record.result(key) != PASSED]
