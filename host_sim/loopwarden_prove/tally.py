"""Counts what the cases showed: how much was tried, which reactions came and how soon, and what went wrong.

Decides what belongs together, and nothing about how it is told.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from loopwarden_prove.results import Case, Finding
from loopwarden_prove.shrink import breach_head, failure_head
from loopwarden_sim.promise_monitor import PROMISES

Kind = Literal["breach", "no reaction", "failure"]
BREACH: Kind = "breach"
NO_REACTION: Kind = "no reaction"
FAILURE: Kind = "failure"
Place = tuple[str, bool]  # phase, moving


@dataclass
class Count:
    """Cases run, of those that there are."""

    run: int = 0
    possible: int = 0


@dataclass
class Reaction:
    """How a row that attacks must raise was raised.

    due, came         cases in which it had to come; in which it came within its bound
    worst_ms          longest time from fault to row, of those that came at all, as a share of the bound; -1: none came
    bound_ms          bound of that very case
    worst_case        its number, -1 for none
    """

    row: str
    due: int = 0
    came: int = 0
    worst_ms: int = -1
    bound_ms: int = 0
    worst_case: int = -1

    def add(self, finding: Finding) -> None:
        self.due += 1
        came = 0 <= finding.reacted_ms <= finding.bound_ms
        self.came += came
        if finding.reacted_ms >= 0 and finding.reacted_ms * max(self.bound_ms, 1) > self.worst_ms * finding.bound_ms:
            self.worst_ms, self.bound_ms, self.worst_case = finding.reacted_ms, finding.bound_ms, finding.number
        self.bound_ms = self.bound_ms or finding.bound_ms


@dataclass(frozen=True)
class Sighting:
    """One case in which something went wrong: when, after the strike, and what was seen. ms: -1 where nothing came."""

    case: Case
    after_ms: int
    seen: str
    bound_ms: int = 0


@dataclass(frozen=True)
class Trouble:
    """The same thing wrong by the same attack. sightings: the plainest first."""

    kind: Kind
    promise: str  # of a breach
    what: str  # head of the breach or of the failure; the row that did not come
    attacks: tuple[str, ...]
    sightings: tuple[Sighting, ...]


@dataclass(frozen=True)
class Unsettled:
    """A case that was ended by its longest time."""

    case: Case
    ended: str


@dataclass
class Tally:
    """What was seen so far. subject_of: attack to the line that it is counted in."""

    cases: Sequence[Case]
    subject_of: Mapping[str, str]
    cells: dict[tuple[str, Place], Count] = field(default_factory=lambda: defaultdict(Count))
    attacks: dict[str, Count] = field(default_factory=lambda: defaultdict(Count))
    places: dict[Place, Count] = field(default_factory=lambda: defaultdict(Count))
    moments: dict[tuple[str, int], Count] = field(default_factory=lambda: defaultdict(Count))
    singles: Count = field(default_factory=Count)
    doubles: int = 0
    ticks: int = 0
    reactions: dict[str, Reaction] = field(default_factory=dict)
    exercised: Counter[str] = field(default_factory=Counter)
    unsettled: list[Unsettled] = field(default_factory=list)
    _wrong: dict[tuple[Kind, str, str, tuple[str, ...]], list[Sighting]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def __post_init__(self) -> None:
        for case in self.cases:
            for count in self._counts(case):
                count.possible += 1
        self.exercised.update(dict.fromkeys(sorted({*PROMISES, "S8", "S9"}, key=lambda one: int(one[1:])), 0))

    def _counts(self, case: Case) -> Iterable[Count]:
        place = (case.phase, case.moving)
        (attack,) = case.attacks
        yield self.singles
        yield self.cells[self.subject_of[attack], place]
        yield self.attacks[attack]
        yield self.places[place]
        yield self.moments[case.story, case.tick]

    def add(self, case: Case, finding: Finding) -> None:
        """Count one case."""
        self.ticks += finding.ticks
        if len(case.attacks) == 1:
            for count in self._counts(case):
                count.run += 1
        else:
            self.doubles += 1
        self.exercised.update(dict(finding.exercised))
        if not finding.settled and not finding.failure:
            self.unsettled.append(Unsettled(case, finding.ended))
        for promise, after_ms, seen in finding.breaches:
            self._sighted(BREACH, promise, breach_head(seen), Sighting(case, after_ms, seen))
        if finding.failure:
            self._sighted(FAILURE, "", failure_head(finding.failure), Sighting(case, -1, finding.failure))
        if finding.expected:
            row, bound_ms = finding.expected, finding.bound_ms
            self.reactions.setdefault(row, Reaction(row)).add(finding)
            if not 0 <= finding.reacted_ms <= bound_ms and not finding.failure:
                late = f"after {finding.reacted_ms} ms" if finding.reacted_ms >= 0 else "did not come"
                seen = f"{row} {late}, {bound_ms} ms allowed"
                self._sighted(NO_REACTION, "", row, Sighting(case, finding.reacted_ms, seen, bound_ms))

    def _sighted(self, kind: Kind, promise: str, what: str, sighting: Sighting) -> None:
        self._wrong[kind, promise, what, sighting.case.attacks].append(sighting)

    @property
    def sightings(self) -> int:
        """How many things went wrong so far, each as often as it was seen."""
        return sum(map(len, self._wrong.values()))

    def troubles(self) -> list[Trouble]:
        """What went wrong, each thing once for each attack.

        A pair that shows what one of its two attacks shows alone is counted with that one. In order: breaches by
        promise, reactions that did not come, failures; what was seen more often first.
        """
        together: dict[tuple[Kind, str, str, tuple[str, ...]], list[Sighting]] = defaultdict(list)
        for (kind, promise, what, attacks), sightings in self._wrong.items():
            alone = [(attack,) for attack in attacks if (kind, promise, what, (attack,)) in self._wrong]
            together[kind, promise, what, alone[0] if alone else attacks] += sightings
        order = [BREACH, NO_REACTION, FAILURE]
        found = [
            Trouble(kind, promise, what, attacks, tuple(sorted(sightings, key=_plainness)))
            for (kind, promise, what, attacks), sightings in together.items()
        ]
        return sorted(
            found,
            key=lambda one: (
                order.index(one.kind),
                int(one.promise[1:] or 0),
                one.what,
                len(one.attacks),
                -len(one.sightings),
                one.attacks,
            ),
        )


def _plainness(sighting: Sighting) -> tuple[int, int, int]:
    case = sighting.case
    return len(case.attacks), case.tick, case.number
