"""The memory in RAM, and what the end of a row means for any memory, and for no other row."""

import pytest

from loopwarden.memory import codes as K
from loopwarden.memory.ram import RamMemory
from loopwarden.memory.rules import KEPT
from loopwarden.policy.faults import ENDED, GONE, NOTED

from .guest.bench_world import BenchWorld

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


def test_marks_and_proofs_are_there_as_soon_as_they_are_told():
    """S12, S9: in RAM nothing waits; the mark follows with the tick's work."""
    memory, world = RamMemory(), BenchWorld()
    memory.mark_live(11, 22)
    assert (memory.precharge_mj, memory.discharge_mj, memory.mark, memory.want) == (11, 22, 0, 1)
    memory.busy = True
    assert memory.work(world) is False
    assert (memory.mark, memory.busy) == (1, False)
    memory.mark_dead(3, 4)
    assert (memory.precharge_mj, memory.discharge_mj, memory.mark, memory.want) == (3, 4, 1, 0)
    assert memory.work(world) is False
    assert memory.mark == 0
    memory.spend_positive()
    assert memory.positive_proven is False
    memory.prove_positive()
    assert memory.positive_proven is True
    memory.prove_negative()
    assert memory.negative_proven is True
    assert memory.waits() is False
    assert memory.idle() is True
    assert memory.stored(8) is True


def test_a_record_is_kept_over_power_cycles_until_it_is_cleared():
    """And a lock that stands is not cleared."""
    memory, world = RamMemory(), BenchWorld()
    assert memory.raw(8) is None
    memory.begin()
    world.note(8, 1)
    world.note(62, 1)
    memory.work(world)
    memory.begin()
    assert memory.cycle == 2
    world.note(8, 2)
    memory.work(world)
    record = memory.raw(8)
    assert (record[K.ROW], record[K.COUNT], record[K.PLACES]) == (8, 2, 3)
    assert (record[K.FIRST_CYCLE], record[K.LATEST_CYCLE]) == (1, 2)
    assert memory.status(8) == 0xAF
    assert memory.status(62) == 0xAD  # in the cycle before: pending, and not failed in this one
    world.gone(8)
    world.gone(9)  # without a record
    memory.work(world)
    assert memory.status(8) == 0xAE
    assert memory.raw(9) is None
    assert memory.clear(62) is False
    assert memory.raw(62) is not None
    assert memory.clear(8) is True
    assert memory.raw(8) is None
    assert memory.clear(8) is True
    world.end(62)
    memory.work(world)
    assert memory.clear(62) is True
    assert memory.records == {}


def test_nothing_of_a_drive_is_kept_in_ram():
    memory = RamMemory()
    assert memory.strip() == b""
    assert memory.line(1) is None


@pytest.mark.parametrize("mark", [NOTED, GONE, NOTED | GONE])
@pytest.mark.parametrize("row", MEANS_MORE)
def test_what_has_not_ended_sets_nothing(row, mark):
    """S9: no proof and no commissioning comes of a row that only came, or whose condition only went."""
    memory = worn()
    before = state(memory)
    memory.keep(row, mark, 0)
    assert state(memory) == before
