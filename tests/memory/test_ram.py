"""What the end of a row means for the memory, and for no other row."""

import pytest

from loopwarden.memory.ram import RamMemory
from loopwarden.memory.rules import KEPT
from loopwarden.policy.faults import ENDED

MEANS_MORE = {46: ("positive_proven", True), 76: ("new", False), 79: ("flats", 0), 80: ("under_load", 0)}
OTHERS = [row for row in range(1, len(KEPT)) if row not in MEANS_MORE]


def worn():
    """A memory in which everything is other than new."""
    memory = RamMemory(new=True)
    memory.flats, memory.under_load = 2, 7
    return memory


def state(memory):
    return {name: getattr(memory, name) for name, _ in MEANS_MORE.values()}


@pytest.mark.parametrize("row", MEANS_MORE)
def test_the_end_of_a_row_sets_what_was_looked_after_with_it(row):
    """A meter check stands for the proof; commissioned; a sound start; inspected. Nothing else changes."""
    memory = worn()
    before = state(memory)
    memory.keep(row, ENDED, 0)
    name, value = MEANS_MORE[row]
    assert state(memory) == before | {name: value}
    assert before[name] != value


@pytest.mark.parametrize("row", OTHERS)
def test_the_end_of_any_other_row_sets_nothing(row):
    memory = worn()
    before = state(memory)
    memory.keep(row, ENDED, 0)
    assert state(memory) == before


@pytest.mark.parametrize("row", MEANS_MORE)
def test_an_end_at_one_place_while_another_one_stands_sets_nothing(row):
    memory = worn()
    before = state(memory)
    memory.keep(row, ENDED, 0b10)
    assert state(memory) == before
