"""Which cases are run and in what order: all, or a sample over all moments and attacks; the same for the same seed."""

import random
from collections import Counter, defaultdict
from collections.abc import Sequence

from loopwarden_prove.results import Case

_TOGETHER = 25  # cases in one task: some seconds of work


def sample(cases: Sequence[Case], count: int, seed: int) -> list[Case]:
    """Return `count` of the single-attack cases, in their order.

    Attack after attack has its turn, and takes a case in a phase (standing, moving) where it was tried least so far,
    and there at the moment that was attacked least: as much of fault x phase comes up as the count allows.
    """
    draw = random.Random(seed)
    left: dict[tuple[str, ...], list[Case]] = defaultdict(list)
    for case in cases:
        left[case.attacks].append(case)
    for of_attack in left.values():
        draw.shuffle(of_attack)
    turns = list(left)
    draw.shuffle(turns)
    tried: Counter[tuple[tuple[str, ...], str, bool]] = Counter()
    attacked: Counter[tuple[str, int]] = Counter()

    def least(case: Case) -> tuple[int, int]:
        return tried[case.attacks, case.phase, case.moving], attacked[case.story, case.tick]

    taken: list[Case] = []
    while turns and len(taken) < count:
        for attack in turns[: count - len(taken)]:
            case = min(left[attack], key=least)
            left[attack].remove(case)
            tried[case.attacks, case.phase, case.moving] += 1
            attacked[case.story, case.tick] += 1
            taken.append(case)
        turns = [attack for attack in turns if left[attack]]
    return sorted(taken, key=lambda case: case.number)


def tasks(cases: Sequence[Case], seed: int) -> list[tuple[Case, ...]]:
    """Return neighbours together, and these groups shuffled: a campaign that is stopped early has seen some of all."""
    groups = [tuple(cases[begin : begin + _TOGETHER]) for begin in range(0, len(cases), _TOGETHER)]
    random.Random(seed).shuffle(groups)
    return groups
