"""What the supervisor decides in every shipped scenario is what was kept: any change of decisions shows.

See decisions.py: this says nothing about right or wrong.
"""

import pytest

from .decisions import SCENARIOS, STRETCH, kept, of_scenario

KEPT = kept()


def test_each_shipped_scenario_is_kept():
    assert sorted(KEPT) == sorted(path.stem for path in SCENARIOS.glob("*.toml"))


@pytest.mark.parametrize("name", KEPT)
def test_decisions_are_those_that_were_kept(name):
    """On purpose? Then `python -m policy.decisions` writes them anew, and the commit says what changed."""
    found, before = of_scenario(name).split(), KEPT[name].split()
    same = [one == other for one, other in zip(found, before, strict=False)]
    first = same.index(False) if False in same else len(same)
    assert found == before, f"{name} differs from tick {first * STRETCH} on"
