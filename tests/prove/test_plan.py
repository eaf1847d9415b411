"""Which cases are run: a sample that sees all of the table, the same for the same seed; and none twice."""

from collections import Counter

import pytest

from loopwarden_prove.plan import sample, tasks

from .made_up import case

PLACES = [("off", False, 10), ("live", False, 20), ("live", True, 30), ("live", True, 40)]
CASES = [
    case(number, attack, phase=phase, moving=moving, tick=tick)
    for number, ((phase, moving, tick), attack) in enumerate(
        (place, f"attack {n}") for place in PLACES for n in range(60)
    )
]


def test_a_sample_is_the_same_for_the_same_seed_and_another_for_another():
    assert sample(CASES, 100, 1) == sample(CASES, 100, 1)
    assert sample(CASES, 100, 1) != sample(CASES, 100, 2)


@pytest.mark.parametrize("seed", range(5))
def test_a_sample_has_its_size_no_case_twice_and_the_order_of_the_list(seed):
    numbers = [one.number for one in sample(CASES, 100, seed)]
    assert len(numbers) == 100
    assert numbers == sorted(set(numbers))


@pytest.mark.parametrize("seed", range(5))
def test_every_attack_comes_up_before_any_comes_up_a_second_time(seed):
    assert set(Counter(one.attacks for one in sample(CASES, 60, seed)).values()) == {1}


@pytest.mark.parametrize("seed", range(5))
def test_every_moment_comes_up(seed):
    assert {one.tick for one in sample(CASES, 60, seed)} == {10, 20, 30, 40}


@pytest.mark.parametrize("seed", range(5))
def test_every_attack_is_tried_in_every_phase_before_it_is_tried_there_again(seed):
    """60 attacks in three phases, standing and moving: 180 cases see each of these once."""
    seen = Counter((one.attacks, one.phase, one.moving) for one in sample(CASES, 180, seed))
    assert len(seen) == 180


def test_a_sample_larger_than_all_is_all():
    assert sample(CASES, 10_000, 1) == CASES


def test_tasks_are_all_cases_neighbours_together_in_an_order_of_their_own():
    groups = tasks(CASES, 1)
    assert sorted(one.number for group in groups for one in group) == list(range(240))
    for group in groups:
        assert [one.number for one in group] == list(range(group[0].number, group[0].number + len(group)))
    assert groups != sorted(groups, key=lambda group: group[0].number)
    assert groups == tasks(CASES, 1)
