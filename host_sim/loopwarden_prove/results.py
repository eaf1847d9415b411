"""What crosses from the campaign to those who shrink, count and report: a case, and what was found in it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Case:
    """One attack, or two, at one moment of one story.

    number      place in the campaign's list, from 0 on
    moment      for people, as "CHARGE_BUS begins + 1"
    tick        of the story, before which the first attack strikes
    phase       in the tick before that, a name of phases.NAMES or "unpowered"
    moving      whether it really moved then
    gap_ticks   the second attack strikes so much later
    """

    number: int
    story: str
    moment: str
    tick: int
    phase: str
    moving: bool
    attacks: tuple[str, ...]
    gap_ticks: int = 0


@dataclass(frozen=True)
class Finding:
    """What came of a case.

    number        of the case
    ticks         simulated after the snapshot
    ended         phase at the end
    settled       nothing was commanded and nothing moved any more; else the run was ended by its longest time
    breaches      promise, ms since the strike, what was seen
    reactions     row that became active, ms since the first strike
    exercised     promise, how often
    expected      row that the attack is to raise here, "" where none is due
    bound_ms      within which
    reacted_ms    -1: it did not come
    failure       what the code under test raised, "" for nothing
    digest        over every command since the story's start: equal cases have equal digests (S14)
    """

    number: int
    ticks: int
    ended: str
    settled: bool
    breaches: tuple[tuple[str, int, str], ...]
    reactions: tuple[tuple[str, int], ...]
    exercised: tuple[tuple[str, int], ...]
    expected: str
    bound_ms: int
    reacted_ms: int
    failure: str = ""
    digest: str = ""
