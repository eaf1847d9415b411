"""One sitting from its beginning to its end: the right board, a new record or the one to go on with, and its files."""

import json
from datetime import datetime
from pathlib import Path

from loopwarden_build.integer_build import to_device
from loopwarden_build.model import BuildFile
from loopwarden_build.pack import digest_of
from loopwarden_commission.board import Board
from loopwarden_commission.guide import Guide
from loopwarden_commission.page import page
from loopwarden_commission.person import Person
from loopwarden_commission.record import Record, RecordError, read_record, write_file
from loopwarden_commission.steps import Step, steps_of
from loopwarden_commission.steps_safe import CAUTIONS, check_identity, low_voltage
from loopwarden_commission.trial import Pace, Trial, Unsafe, Wrong

JSON_FILE, PAGE_FILE = "record.json", "record.html"
_AT_REST = ("off", "checking", "locked out")


class Session:
    """Opens, or goes on with, the record in a folder. Errors of `begin`: RecordError, Unsafe, LinkError, OSError."""

    def __init__(self, build: BuildFile, form: str, folder: Path, *, by: str, pace: Pace | None = None) -> None:
        self.build, self.form, self.folder, self.by = build, form, folder, by
        self.pace = pace or Pace()
        self.steps: list[Step] = steps_of(build, form)
        self.record: Record | None = None

    def begin(self, board: Board, person: Person, start: str = "") -> Guide:
        """Look that this is the board, at rest, and that the record is one of it.

        start  key of the step to begin with, "" for the first that has not passed
        """
        if start and start not in [step.key for step in self.steps]:
            raise RecordError(f"--from {start}: no such step; there are {', '.join(step.key for step in self.steps)}")
        trial = Trial(self.build, board, person, self.pace)
        status = board.status()
        if status.get("phase") not in _AT_REST:
            raise Unsafe(f"the board is {status.get('phase')}: key off, wait until it is proven dead, then begin again")
        check_identity(trial)
        version, birth = board.version(), str(status.get("birth"))
        record = self._record(birth)
        if not self._only_high(record, start) and record.steps:
            try:
                low_voltage(trial)  # a new sitting: nobody knows what was connected since
            except Wrong as error:
                raise Unsafe(str(error)) from None
        record.sittings.append(
            {
                "at": _now(),
                "by": self.by,
                "port": board.link.port,
                "program": str(version.get("program")),
                "runtime": str(version.get("runtime")),
            }
        )
        self.folder.mkdir(parents=True, exist_ok=True)
        self.record = record
        self.keep(record)
        return Guide(self.build, board, person, record, self.keep, by=self.by, pace=self.pace)

    def _only_high(self, record: Record, start: str) -> bool:
        """Whether nothing but a step with the pack connected is left."""
        keys = [step.key for step in self.steps]
        left = [
            s
            for s in self.steps[keys.index(start) if start else 0 :]
            if s.key == start or record.result(s.key) != "passed"
        ]
        return bool(left) and all(step.high for step in left)

    def _record(self, birth: str) -> Record:
        path = self.folder / JSON_FILE
        digest = digest_of(to_device(self.build))
        if not path.exists():
            planned = [(step.key, step.title) for step in self.steps]
            name = self.build.build.name
            return Record(self.form, name, digest, birth, _now(), planned, cautions=list(CAUTIONS))
        record = read_record(path)
        if record.complete:
            raise RecordError(f"{path}: is complete; name another folder with --record to begin anew")
        if record.form != self.form:
            raise RecordError(
                f"{path}: is of the form {record.form!r}, not {self.form!r}; name another folder with --record"
            )
        if record.build_digest != digest:
            raise RecordError(f"{path}: is of another build ({record.build_name}); name another folder with --record")
        if record.birth != birth:
            raise RecordError(
                f"{path}: is of another board, or its memory was replaced since ({record.birth}, now {birth}); name"
                " another folder with --record"
            )
        return record

    def keep(self, record: Record) -> None:
        """Write both files. Errors: OSError."""
        write_file(self.folder / JSON_FILE, json.dumps(record.as_data(), indent=1) + "\n")
        write_file(self.folder / PAGE_FILE, page(record))


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
