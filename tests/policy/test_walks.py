"""What the supervisor decides in some hundred walks is what was kept: any change of decisions shows, to the tick.

See walks.py: this says nothing about right or wrong.
"""

import pytest

from .walks import STRETCH, WALKS, Walk, kept

KEPT = kept()


def test_each_walk_is_kept():
    assert sorted(KEPT) == list(range(WALKS))


@pytest.mark.parametrize("number", KEPT)
def test_decisions_are_those_that_were_kept(number):
    """On purpose? Then `python -m policy.walks` writes them anew, and the commit says what changed."""
    before = KEPT[number].split()
    ends = 0
    for n, stretch in enumerate(Walk(number).stretches()):
        assert [f"{stretch:08x}"] == before[n : n + 1], (
            f"walk {number} differs in ticks {n * STRETCH} to {(n + 1) * STRETCH}"
        )
        ends = n + 1
    assert ends == len(before), f"walk {number} ends after tick {ends * STRETCH}"
