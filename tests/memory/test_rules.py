"""What every fault memory does with marks: each taken over once, for what it means, and told to hosts in dicts.

Tried on the memory in RAM, which adds nothing to them.
"""

import pytest

from loopwarden.memory import codes as K
from loopwarden.memory.ram import RamMemory
from loopwarden.memory.rules import KEPT, MARK_DEAD, MARK_LIVE
from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import ENDED, GONE, NOTED

from .guest.bench_world import ROWS, BenchWorld

HEALING, KEYED, LOCK, NO_CODE, NO_LAMP = 7, 8, 44, 14, 57
OUTLAST = {"LOCK", "ACKED", "KEY_ACKED"}


def test_a_memory_to_begin_with():
    """Commissioned unless it is said to be new; then no pole is proven (S9)."""
    for new in (False, True):
        memory = RamMemory(new)
        expected = {
            "ready": True,
            "new": new,
            "failed": False,
            "nearly_full": False,
            "damaged": False,
            "drifting": False,
            "mark": 0,
            "want": 0,
            "positive_proven": not new,
            "negative_proven": False,
            "precharge_mj": 0,
            "discharge_mj": 0,
            "under_load": 0,
            "flats": 0,
            "locked": [],
            "cycle": 0,
            "told_s": 0,
            "busy": False,
            "records": {},
        }
        assert vars(memory) == expected
    assert RamMemory().new is False
    assert (MARK_DEAD, MARK_LIVE) == (0, 1)


@pytest.mark.parametrize("row", T.TABLE, ids=lambda row: row[T.NAME])
def test_what_needs_a_person_outlasts_power_cycles_and_nothing_else_does(row):
    """S9: locks, and what is acknowledged. By the names of the ends, in the table's own order."""
    names = ("HEALS", "KEYED", "LOCK", "ACKED", "KEY_ACKED")
    assert bool(KEPT[row[T.ID]]) is (names[row[T.ENDS]] in OUTLAST)
    memory, world = RamMemory(), BenchWorld()
    world.note(row[T.ID])
    world.tick(memory)
    assert memory.locked == ([row[T.ID]] if names[row[T.ENDS]] in OUTLAST else [])


@pytest.mark.parametrize("row", T.TABLE, ids=lambda row: row[T.NAME])
def test_a_row_with_a_code_is_recorded_and_lights_the_warning_bit_if_it_lights_a_lamp(row):
    """Anything milder than a caution in every column lights none."""
    memory, world = RamMemory(), BenchWorld()
    world.note(row[T.ID], 0b10)
    world.tick(memory)
    record = memory.raw(row[T.ID])
    assert (record is not None) is (row[T.CODE] != 0)
    if record:
        mild = {T.NONE, T.NOTE}
        lit = not {row[T.OFF], row[T.STANDING], row[T.MOVING]} <= mild
        assert (record[K.ROW], record[K.COUNT], record[K.PLACES]) == (row[T.ID], 1, 0b10)
        assert record[3] == (3 if lit else 1)
        assert bool(memory.status(row[T.ID]) & 0x80) is lit


def test_no_row_beside_the_table_has_a_code_or_a_lamp_or_is_kept():
    for found in (KEPT, K.CODED, K.LIT):
        assert len(found) == len(T.TABLE) + 1
        assert found[0] == 0


def test_every_mark_is_taken_over_once():
    """Many rows with the same mark, and rows with others, in one tick."""
    memory, world = RamMemory(), BenchWorld()
    for row in (1, 2, HEALING, KEYED, ROWS - 1):
        world.note(row)
    world.gone(HEALING)
    world.note(LOCK)
    world.end(KEYED)
    assert world.faults.marked
    world.tick(memory)
    assert not world.faults.marked
    assert not any(world.faults.marks)
    assert memory.busy
    assert {row: memory.raw(row)[K.COUNT] for row in memory.records} == dict.fromkeys(
        (1, 2, HEALING, KEYED, LOCK, ROWS - 1), 1
    )
    assert sorted(row for row in memory.records if not memory.raw(row)[K.FLAGS] & 1) == [HEALING, KEYED]
    world.tick(memory)
    assert not memory.busy
    assert memory.raw(1)[K.COUNT] == 1


@pytest.mark.parametrize(
    ("mark", "places", "count", "locked"),
    [
        (NOTED, 1, 1, True),
        (NOTED | GONE, 1, 1, True),
        (NOTED | GONE | ENDED, 0, 1, False),
        (NOTED | GONE | ENDED, 1, 1, True),  # ended, and back again at once
        (GONE, 1, 0, False),
        (GONE | ENDED, 0, 0, False),
        (NOTED, 0, 1, False),
    ],
)
def test_what_marks_mean_for_a_lock(mark, places, count, locked):
    memory, world = RamMemory(), BenchWorld()
    world.faults.places[LOCK] = places
    world.faults.marks[LOCK] = mark
    world.faults.marked = 1
    world.tick(memory)
    record = memory.raw(LOCK)
    assert (record[K.COUNT] if record else 0) == count
    assert (LOCK in memory.locked) is locked


def test_a_lock_is_listed_once_and_its_end_takes_no_other():
    memory, world = RamMemory(), BenchWorld()
    for _ in range(3):
        world.note(LOCK)
        world.note(62)
        world.tick(memory)
    assert sorted(memory.locked) == [LOCK, 62]
    world.end(HEALING)
    world.tick(memory)
    assert sorted(memory.locked) == [LOCK, 62]
    world.gone(LOCK)  # its condition is over: a lock stands until it ends
    world.tick(memory)
    assert sorted(memory.locked) == [LOCK, 62]
    world.end(LOCK)
    world.tick(memory)
    assert memory.locked == [62]


def test_openings_under_load_are_counted():
    memory = RamMemory()
    assert [memory.count_under_load() for _ in range(3)] == [1, 2, 3]
    assert memory.under_load == 3


def test_the_time_of_day_runs_on_with_the_boards_clock_and_is_none_without_a_host():
    """Whole seconds since 2020-01-01, as a host has told them."""
    memory, world = RamMemory(), BenchWorld()
    world.faults.clock_ms = 9_065_900
    assert memory.wall_s(world) == 0
    memory.tell_time(200_000_000, world)
    assert memory.wall_s(world) == 200_000_000
    world.faults.clock_ms += 99
    assert memory.wall_s(world) == 200_000_000
    world.faults.clock_ms += 1
    assert memory.wall_s(world) == 200_000_001
    world.note(KEYED)
    memory.work(world)
    assert list(memory.raw(KEYED)[34:36]) == [200_000_001] * 2
    world.faults.clock_ms += 10_000
    world.note(KEYED)
    memory.work(world)
    assert list(memory.raw(KEYED)[34:36]) == [200_000_001, 200_000_011]


def test_records_are_told_as_dicts_in_the_order_of_the_table():
    memory, world = RamMemory(), BenchWorld()
    memory.begin()
    world.note(KEYED, 0b1)
    world.faults.clock_ms = 100
    memory.work(world)
    memory.begin()
    world.note(NO_LAMP, 0b100)
    world.note(KEYED, 0b10)
    world.faults.clock_ms = 300
    memory.work(world)
    world.gone(NO_LAMP)
    memory.work(world)
    first, second = memory.codes()
    assert [first["row"], second["row"]] == [KEYED, NO_LAMP]
    plain = {name: first[name] for name in ("count", "places", "present", "first_cycle", "latest_cycle")}
    assert plain == {"count": 2, "places": 0b11, "present": True, "first_cycle": 1, "latest_cycle": 2}
    assert (first["first"]["t_ms"], first["latest"]["t_ms"]) == (100, 300)
    assert set(first) == {*plain, "row", "first", "latest"}
    assert (second["count"], second["present"]) == (1, False)
    assert memory.record(KEYED) == first
    assert memory.record(NO_LAMP) == second
    assert memory.record(HEALING) is None
    assert RamMemory().codes() == []
