"""Goes through the steps with a person: tries, repeats, skips with a reason; keeps the record after each of them.

Decides what is tried next and what a failure leads to; what a step looks at is its own.
"""

from collections.abc import Callable, Sequence
from datetime import datetime

from loopwarden_build.model import BuildFile
from loopwarden_commission.board import Board
from loopwarden_commission.person import Person, Stop
from loopwarden_commission.record import DECLINED, FAILED, PASSED, SKIPPED, Record, StepResult, essential_missing
from loopwarden_commission.steps import Step
from loopwarden_commission.steps_high import Declined
from loopwarden_commission.steps_safe import still_dead
from loopwarden_commission.trial import NotSeen, Pace, Trial, Unsafe, Wrong
from loopwarden_link.errors import LinkError

_WHEN_DEAD = "low_voltage"  # from this step on
_LIVE = "The drive may be LIVE: key off, wait until the high-voltage lamps are dark, prove it dead."
REPEAT, SKIP, STOP = "repeat", "skip", "stop"


class Guide:
    """One sitting.

    keep   called with the record after everything that was added to it
    by     who does it, for each step
    """

    def __init__(
        self,
        build: BuildFile,
        board: Board,
        person: Person,
        record: Record,
        keep: Callable[[Record], None],
        *,
        by: str,
        pace: Pace | None = None,
    ) -> None:
        self.build, self.board, self.person = build, board, person
        self.record, self.keep, self.by = record, keep, by
        self.pace = pace or Pace()

    def run(self, steps: Sequence[Step], begin: str = "") -> None:
        """Try every step that has not passed, or from `begin` on, that one in any case.

        Errors: Stop, Unsafe, LinkError; what was done stays in the record.
        """
        keys = [step.key for step in steps]
        for n, step in enumerate(steps):
            if n < (keys.index(begin) if begin else 0):
                continue
            if self.record.result(step.key) == PASSED and step.key != begin:
                continue
            self.person.tell(f"\nStep {n + 1} of {len(steps)}: {step.title}")
            if step.high:
                before = essential_missing(self.record, [one.key for one in steps if one.essential])
                if before:
                    self._put(step, _now(), DECLINED, f"not before these have passed: {', '.join(before)}", 0, None)
                    self.person.tell(f"No high voltage before these have passed: {', '.join(before)}.")
                    continue
            self._step(step)

    def _step(self, step: Step) -> None:
        begun_at, tries = _now(), 0
        while True:
            tries += 1
            trial = Trial(self.build, self.board, self.person, self.pace)
            wrong = False
            try:
                if not step.high and self.record.result(_WHEN_DEAD) == PASSED:
                    still_dead(trial)
                step.run(trial)
            except Declined:
                self._put(step, begun_at, DECLINED, f"left for later; goes on with --from {step.key}", tries, trial)
                return
            except Unsafe as error:
                self._put(step, begun_at, FAILED, str(error), tries, trial)
                raise
            except LinkError:
                if step.high:
                    self.person.tell(_LIVE)
                raise
            except Wrong as error:
                wrong, said = True, str(error)
            except NotSeen as error:
                said = str(error)
            except KeyboardInterrupt:
                said = "not waited for any longer"
            else:
                self._put(step, begun_at, PASSED, "", tries, trial)
                self.person.tell(f"{step.title}: passed.")
                return
            self._put(step, begun_at, FAILED, said, tries, trial)
            self.person.tell(f"{step.title}: {said}")
            if step.high:
                self.person.tell(_LIVE)
            choice = self.person.choose("What now?", [REPEAT, SKIP, STOP])
            if choice == STOP:
                raise Stop
            if choice == SKIP:
                reason = ""
                while not reason:
                    reason = self.person.ask("Why is it left? It stands in the record, which says NOT COMPLETE")
                self._put(step, begun_at, FAILED if wrong else SKIPPED, f"{said}; left: {reason}", tries, trial)
                return

    def _put(self, step: Step, begun_at: str, result: str, reason: str, tries: int, trial: Trial | None) -> None:
        readings, notes = (trial.readings, trial.notes) if trial else ([], [])
        self.record.put(
            StepResult(
                step.key, step.title, result, reason, begun_at, _now(), self.by, tries, list(readings), list(notes)
            )
        )
        self.keep(self.record)


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
