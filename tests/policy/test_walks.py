"""What the supervisor decides in some hundred walks is what was kept: any change of decisions shows, to the tick.

See walks.py: this says nothing about right or wrong.
"""

import pytest

from .walks import STRETCH, WALKS, kept, walked

KEPT = kept()


def test_each_walk_is_kept():
    assert sorted(KEPT) == list(range(WALKS))


@pytest.mark.parametrize("number", KEPT)
def test_decisions_are_those_that_were_kept(number):
    """On purpose? Then `python -m policy.walks` writes them anew, and the commit says what changed."""
    found, before = walked(number).split(), KEPT[number].split()
    same = [one == other for one, other in zip(found, before, strict=False)]
    first = same.index(False) if False in same else len(same)
    assert found == before, f"walk {number} differs from tick {first * STRETCH} to {(first + 1) * STRETCH} on"
