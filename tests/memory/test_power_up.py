"""Power-up of the memory in flash: which copy is believed, what is refused, what is assumed of the unreadable."""

import builtins
import os
import struct
import zlib

import pytest

from loopwarden.memory import flash as F
from loopwarden.memory.power_up import PowerUp

from .desk_flash import DeskFlash
from .guest.bench_world import ROWS, BenchWorld
from .test_stored_layout import CODE, LINES, ORDER, STATE, WHERE, LaidOut, powered, ticks, unsealed

KEYED, LOCK = 8, 44


def sealed(kind, sequence, content):
    """A whole record, by a writer of its own."""
    head = struct.pack("<2sBBI", b"LW", kind, 2, sequence) + content
    return head + struct.pack("<I", zlib.crc32(head))


def state(**numbers):
    """Content of a state: commissioned, off, but for what is named."""
    names = [
        "mark",
        "positive_proven",
        "negative_proven",
        "precharge_mj",
        "discharge_mj",
        "under_load",
        "flats",
        "new",
        "cycle",
        "clear_cycle",
    ]
    return struct.pack("<16i", *(numbers.get(name, 0) for name in names), *numbers.get("locks", (0, 0, 0)), 0, 0, 0)


def used(folder):
    """A commissioned memory that has been off for a while."""
    memory, world = powered(folder), BenchWorld()
    world.note(76)
    ticks(world, memory, 3)
    world.end(76)
    ticks(world, memory, 60)
    return memory, world


def write_page(folder, page, data):
    """Put a page into the journal past the memory."""
    path = folder / f"journal{page // 16}"
    content = bytearray(path.read_bytes())
    content[page % 16 * 256 : page % 16 * 256 + 256] = data
    path.write_bytes(content)


def test_a_folder_that_is_missing_is_made(tmp_path):
    memory = powered(tmp_path / "memory")
    assert (memory.ready, memory.new, memory.cycle) == (True, True, 1)
    assert (tmp_path / "memory" / "state1").exists()


def test_the_watchdog_is_fed_between_the_steps(tmp_path):
    """And nobody needs to be there to do it."""
    memory, world = used(tmp_path)
    world.live()
    for row in (7, 8, 51):
        world.note(row)
        ticks(world, memory, 2)
    fed = []
    again = F.FlashMemory(LaidOut(tmp_path), str(tmp_path))
    again.begin(lambda: fed.append(len(list(tmp_path.iterdir()))))
    assert len(fed) == 3 + 2 + 1  # three codes, the state twice, one block
    assert PowerUp(again).settled is False


@pytest.mark.parametrize(("one", "other", "newer"), [(90, 91, 2), (91, 90, 1), (90, 90, 2)])
def test_of_two_copies_the_newer_one_counts(tmp_path, one, other, newer):
    """The power may have gone between them."""
    used(tmp_path)
    for name, sequence, cycle in (("state1", one, 101), ("state2", other, 102)):
        content = state(cycle=cycle, flats=cycle, positive_proven=1)
        (tmp_path / name).write_bytes(sealed(STATE, sequence, content))
    memory = powered(tmp_path)
    assert memory.cycle == 101 + newer
    assert memory.flats == 100 + newer
    assert memory.positive_proven is True
    assert (memory.damaged, memory.new, memory.failed) == (False, False, False)


@pytest.mark.parametrize("lost", ["state1", "state2", "where1", "where2"])
@pytest.mark.parametrize("how", ["damaged", "empty", "gone", "another kind"])
def test_the_other_copy_is_enough(tmp_path, lost, how):
    """S9. An empty one is no damage: the power went just after it was made."""
    memory, world = used(tmp_path)
    world.note(LOCK)
    ticks(world, memory, 60)
    memory.prove_positive()
    ticks(world, memory, 60)
    content = bytearray((tmp_path / lost).read_bytes())
    if how == "gone":
        (tmp_path / lost).unlink()
    elif how == "another kind":
        (tmp_path / lost).write_bytes(sealed(CODE, 7, content[8:-4]))
    else:
        content[-1] ^= 1
        (tmp_path / lost).write_bytes(b"" if how == "empty" else content)
    again = powered(tmp_path)
    assert (again.locked, again.mark, again.positive_proven) == ([LOCK], 0, True)
    assert (again.new, again.ready, again.cycle) == (False, True, memory.cycle + 1)
    assert again.damaged is (how in ("damaged", "another kind"))
    assert again.birth == memory.birth


@pytest.mark.parametrize("size", [1, 5, 11, 12, 13, 40])
def test_a_file_that_is_cut_off_is_damaged(tmp_path, size):
    """Twelve bytes are a seal around nothing."""
    memory, world = used(tmp_path)
    world.note(KEYED)
    ticks(world, memory, 60)
    content = (tmp_path / "c08").read_bytes()[:size]
    (tmp_path / "c08").write_bytes(content)
    again = powered(tmp_path)
    assert (again.damaged, again.ready, again.raw(KEYED)) == (True, True, None)
    (tmp_path / "c08").write_bytes(sealed(CODE, 3, b""))
    assert powered(tmp_path).damaged


@pytest.mark.parametrize("row", [0, -1, ROWS, 250])
def test_a_page_for_a_row_that_is_none_is_left_out(tmp_path, row):
    """A newer table may have had it; the state in it counts all the same."""
    memory, _world = used(tmp_path)
    record = struct.pack("<36i", row, 3, *[0] * 34)
    content = state(cycle=1, flats=2) + record
    page = sealed(CODE, memory.journal.sequence, content + bytes(244 - len(content)))
    write_page(tmp_path, memory.journal.at, page)
    again = powered(tmp_path)
    assert [code["row"] for code in again.codes()] == [76]
    assert (again.ready, again.damaged, again.flats) == (True, False, 2)


def test_a_page_for_the_last_row_counts(tmp_path):
    memory, _world = used(tmp_path)
    for at, row in enumerate((1, ROWS - 1)):
        content = state(cycle=1) + struct.pack("<36i", row, 3, *[0] * 34)
        page = sealed(CODE, memory.journal.sequence + at, content + bytes(244 - len(content)))
        write_page(tmp_path, memory.journal.at + at, page)
    again = powered(tmp_path)
    assert {code["row"]: code["count"] for code in again.codes()} == {76: 1, 1: 3, ROWS - 1: 3}
    assert {f"c{ROWS - 1:02d}", "c01"} <= {path.name for path in tmp_path.iterdir()}


@pytest.mark.parametrize("sequences", [(50, 51), (51, 50)])
def test_of_two_pages_the_newer_one_counts_wherever_it_lies(tmp_path, sequences):
    _memory, _ = used(tmp_path)
    for k, sequence in enumerate(sequences):
        content = state(cycle=sequence, locks=(1 << k, 0, 0)) + struct.pack(
            "<36i", KEYED, sequence, 0, 0, 0, 50, *[0] * 30
        )
        write_page(tmp_path, 20 + k, sealed(CODE, sequence, content + bytes(244 - len(content))))
    again = powered(tmp_path)
    assert again.cycle == 52
    assert again.locked == [sequences.index(51)]
    assert again.raw(KEYED)[1] == 51


def test_a_record_in_its_file_that_is_newer_than_a_page_counts(tmp_path):
    """A fold that a power cut ended: files are newer than the state that says so."""
    memory, _world = used(tmp_path)
    content = state(cycle=1) + struct.pack("<36i", KEYED, 5, *[0] * 34)
    sequence = memory.journal.sequence + 5
    write_page(tmp_path, 20, sealed(CODE, sequence, content + bytes(244 - len(content))))
    for in_file, count in ((sequence, 9), (sequence - 1, 5)):
        (tmp_path / "c08").write_bytes(sealed(CODE, in_file, struct.pack("<36i", KEYED, 9, *[0] * 34)))
        kept = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
        assert powered(tmp_path).raw(KEYED)[1] == count
        for name, before in kept.items():
            (tmp_path / name).write_bytes(before)


def test_sequences_go_on_above_all_that_was_ever_written(tmp_path):
    """Whether the highest one is in a file or in the journal."""
    _memory, _ = used(tmp_path)
    (tmp_path / "c08").write_bytes(sealed(CODE, 5_000, struct.pack("<36i", KEYED, 9, *[0] * 34)))
    again = powered(tmp_path)
    assert again.journal.sequence > 5_000
    pages = [
        unsealed((tmp_path / f"journal{k}").read_bytes()[at : at + 256]) for k in range(4) for at in range(0, 4096, 256)
    ]
    newest = max((page for page in pages if page), key=lambda page: page[1])
    assert (newest[0], newest[1]) == (STATE, again.journal.sequence - 1)
    assert newest[1] >= 5_001


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (0, "mark"),
        (1, "positive_proven"),
        (2, "negative_proven"),
        (3, "precharge_mj"),
        (4, "discharge_mj"),
        (5, "under_load"),
        (6, "flats"),
        (7, "new"),
        (9, "clear_cycle"),
    ],
)
def test_each_number_of_a_state_is_taken_for_what_it_is(tmp_path, number, name):
    used(tmp_path)
    base = powered(tmp_path)
    before = {n: getattr(base, n) for n in ("mark", "new", "positive_proven", "negative_proven", "flats", "under_load")}
    numbers = list(struct.unpack("<16i", state(cycle=4)))
    numbers[number] = 1
    for file in ("state1", "state2"):
        (tmp_path / file).write_bytes(sealed(STATE, 4_000, struct.pack("<16i", *numbers)))
    memory = powered(tmp_path)
    assert getattr(memory, name) == 1
    for other, value in before.items():
        if other != name:
            assert getattr(memory, other) == value, other
    assert memory.cycle == 5


def test_a_new_memory_is_not_a_damaged_one(tmp_path):
    memory = powered(tmp_path)
    assert (memory.new, memory.damaged, memory.failed, memory.foreign, memory.why_failed) == (
        True,
        False,
        False,
        False,
        "",
    )
    assert (memory.mark, memory.positive_proven, memory.negative_proven) == (0, False, False)


def test_where_no_journal_can_be_made_the_worst_is_assumed(tmp_path, monkeypatch):
    """S9, S10: nobody knows what the old one held, and nothing can be stored."""
    memory, world = used(tmp_path)
    memory.prove_positive()
    world.note(LOCK)
    ticks(world, memory, 60)
    for name in ("where1", "where2"):
        (tmp_path / name).write_bytes((tmp_path / name).read_bytes()[:-1])
    real_open = builtins.open

    def full(path, mode="r", *more):
        if "w" in mode:
            raise OSError(28)
        return real_open(path, mode, *more)

    monkeypatch.setattr(builtins, "open", full)
    again = powered(tmp_path)
    assert (again.failed, again.ready, again.mark, again.positive_proven) == (True, False, F.MARK_LIVE, False)
    assert again.locked == [LOCK]
    assert again.why_failed == "the file system says 28"


def test_a_file_that_was_copied_into_two_blocks_is_not_where_the_journal_is(tmp_path):
    class Twice(LaidOut):
        def readblocks(self, n, buffer, offset=0):
            super().readblocks(ORDER[1] if n == 8 else n, buffer, offset)

    memory = F.FlashMemory(Twice(tmp_path), str(tmp_path))
    memory.begin()
    assert (memory.ready, memory.why_failed) == (False, "the file system says journal1 lies in 2 blocks")
    assert not (tmp_path / "where1").exists()


def test_a_file_that_is_in_no_block_is_not_where_the_journal_is(tmp_path):
    class Fewer(LaidOut):
        def ioctl(self, operation, n):
            return 7 if operation == 4 else super().ioctl(operation, n)

    memory = F.FlashMemory(Fewer(tmp_path), str(tmp_path))
    memory.begin()
    assert (memory.ready, memory.why_failed) == (False, "the file system says journal2 lies in 0 blocks")


@pytest.mark.parametrize("journal", range(4))
@pytest.mark.parametrize("at", [0, 511, 512, 4_095])
def test_blocks_are_the_journals_only_if_every_byte_is_that_of_its_file(tmp_path, journal, at):
    """Else somebody else's block would be erased."""
    used(tmp_path)

    class Differs(LaidOut):
        def readblocks(self, n, buffer, offset=0):
            super().readblocks(n, buffer, offset)
            if n == ORDER[journal] and offset <= at < offset + len(buffer):
                buffer[at - offset] ^= 1

    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    memory = F.FlashMemory(Differs(tmp_path), str(tmp_path))
    memory.begin()
    assert (memory.ready, memory.why_failed) == (False, "the journal's blocks are not those of its files")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("size", [0, 511, 2_048, 4_095])
def test_a_journal_file_that_is_too_short_is_none_of_ours(tmp_path, size):
    used(tmp_path)
    (tmp_path / "journal3").write_bytes((tmp_path / "journal3").read_bytes()[:size] + b"")

    class Whole(LaidOut):
        def readblocks(self, n, buffer, offset=0):
            found = self._bytes(n)
            buffer[:] = (found + bytes(4_096))[offset : offset + len(buffer)]

    memory = F.FlashMemory(Whole(tmp_path), str(tmp_path))
    memory.begin()
    assert (memory.ready, memory.why_failed) == (False, "the journal's blocks are not those of its files")
    assert memory.flash.programs == memory.flash.erases == 0


def test_blocks_that_went_astray_while_folding_are_noticed(tmp_path):
    """Looked at again once all is folded: a file system that moved a journal's file has taken its block."""
    memory, world = used(tmp_path)
    world.live()
    world.note(KEYED)
    ticks(world, memory, 3)

    class Moved(LaidOut):
        def readblocks(self, n, buffer, offset=0):
            super().readblocks(n, buffer, offset)
            if self.erases and len(buffer) == 512:
                buffer[0] ^= 1

    again = F.FlashMemory(Moved(tmp_path), str(tmp_path))
    again.begin()
    assert (again.failed, again.ready) == (True, False)
    assert again.why_failed == "the journal's blocks are not those of its files"


def test_the_first_reason_of_a_failure_stays(tmp_path):
    memory, _ = used(tmp_path)
    memory._fail("one")
    memory._fail("another")
    assert (memory.why_failed, memory.failed, memory.ready) == ("one", True, False)


def test_a_line_is_asked_for_by_its_power_cycle(tmp_path):
    for _ in range(3):
        memory, world = powered(tmp_path), BenchWorld()
        world.note(7)
        ticks(world, memory, 60)
    memory = powered(tmp_path)
    assert [memory.line(cycle)[0] for cycle in (1, 2, 3, 4)] == [1, 2, 3, 4]
    assert memory.line(4) is memory.log.line
    assert memory.line(5) is None
    assert memory.line(3 + 220) is None
    assert [line[0] for line in memory.lines(3)] == [2, 3]  # of this one nothing is stored yet
    assert [line[0] for line in memory.lines(2)] == [3]
    assert [line[0] for line in memory.lines()] == [1, 2, 3]


def test_a_file_of_lines_that_is_damaged_costs_its_lines_only(tmp_path):
    for _ in range(13):
        memory, world = powered(tmp_path), BenchWorld()
        world.note(7)
        ticks(world, memory, 60)
    content = bytearray((tmp_path / "s00").read_bytes())
    content[50] ^= 1
    (tmp_path / "s00").write_bytes(content)
    memory, world = powered(tmp_path), BenchWorld()
    assert [line[0] for line in memory.lines()] == [11, 12, 13]
    world.note(7)
    ticks(world, memory, 60)
    assert [line[0] for line in powered(tmp_path).lines()] == [11, 12, 13, 14]
    assert unsealed((tmp_path / "s01").read_bytes())[0] == LINES


def test_a_cleared_record_is_kept_by_nobody_once_its_file_says_so(tmp_path):
    """Or the heap would hold a record for each row that ever had one."""
    memory, world = used(tmp_path)
    world.note(KEYED)
    ticks(world, memory, 60)
    assert memory.clear(KEYED)
    assert (memory.clear_cycle, memory.log.drove_since_clear, memory.stored(KEYED)) == (1, False, False)
    assert memory.codes_of[KEYED] is not None
    ticks(world, memory, 60)
    assert memory.codes_of[KEYED] is None
    assert memory.stored(KEYED)
    assert not any(unsealed((tmp_path / "c08").read_bytes())[2][4:])
    again = powered(tmp_path)
    assert again.codes_of[KEYED] is None
    assert again.clear_cycle == 1


def test_flags_of_the_day_before_are_forgotten_but_for_locks(tmp_path):
    """Nobody has looked yet whether a condition is there."""
    memory, world = used(tmp_path)
    for row in (KEYED, LOCK):
        world.note(row)
    ticks(world, memory, 60)
    again = powered(tmp_path)
    assert (again.raw(KEYED)[3], again.raw(LOCK)[3]) == (0, 3)


def test_what_the_journal_held_is_in_files_after_power_up(tmp_path):
    memory, world = used(tmp_path)
    world.live()
    world.faults.column = 1
    ticks(world, memory, 60)
    world.faults.worst = 6
    world.note(KEYED)
    ticks(world, memory, 4)
    again = powered(tmp_path)
    assert again.strip() == memory.strip() == unsealed((tmp_path / "strip").read_bytes())[2]
    assert struct.unpack("<36i", unsealed((tmp_path / "c08").read_bytes())[2])[:2] == (KEYED, 1)
    assert (again.journal.used, again.state_waits) == (1, 1)  # the page that says which power cycle this is
    assert unsealed((tmp_path / "where1").read_bytes())[0] == WHERE


def test_a_flash_of_any_other_desk_serves_as_well(tmp_path):
    """Blocks in their own order."""
    memory = F.FlashMemory(DeskFlash(tmp_path), str(tmp_path))
    memory.begin()
    assert memory.ready
    assert os.listdir(tmp_path)
    assert memory.journal.blocks == [0, 1, 2, 3]


def test_an_end_at_one_place_while_another_one_stands_leaves_the_record_failing(tmp_path):
    memory, world = used(tmp_path)
    world.note(KEYED, 0b11)
    ticks(world, memory, 3)
    world.end(KEYED)
    world.faults.places[KEYED] = 0b10
    world.faults.marks[KEYED] = 4  # ended, not gone
    ticks(world, memory, 1)
    assert memory.raw(KEYED)[3] == 3
    world.end(KEYED)
    ticks(world, memory, 1)
    assert memory.raw(KEYED)[3] == 0


@pytest.mark.parametrize(("cycle", "drifting"), [(39, True), (40, False)])
@pytest.mark.parametrize(("first", "name", "before"), [(2, "s00", 2), (13, "s01", 2)])
def test_drift_looks_back_forty_power_cycles(tmp_path, cycle, drifting, first, name, before):
    """Six drives one after another; then days without one, until the first of them is too long ago."""
    used(tmp_path)
    (tmp_path / "s00").unlink()
    ohms = [4_000_000] * 5 + [2_000_000]
    lines = [struct.pack("<11i", first + n, 1, ohm, *[0] * 8) for n, ohm in enumerate(ohms)]
    (tmp_path / name).write_bytes(sealed(LINES, 5, bytes(44 * before) + b"".join(lines) + bytes(3 * 44)))
    for file in ("state1", "state2"):
        (tmp_path / file).write_bytes(sealed(STATE, 4_000, state(cycle=first + cycle)))
    memory = powered(tmp_path)
    assert memory.cycle == first + cycle + 1
    assert memory.drifting is drifting


def test_a_journal_whose_place_nobody_knows_any_more_is_damage_and_a_lock(tmp_path):
    """S9: not damaged files, but none; there was a memory all the same."""
    used(tmp_path)
    for name in ("where1", "where2"):
        (tmp_path / name).unlink()
    again = powered(tmp_path)
    assert (again.damaged, again.new, again.ready) == (True, True, True)
    assert (again.mark, again.positive_proven) == (F.MARK_LIVE, False)
    assert again.birth != (0, 0)
    assert powered(tmp_path).new


def test_something_else_is_read_before_each_of_the_journals_files_is_compared(tmp_path, monkeypatch):
    """Or the file system may answer from its cache what is no longer in the block. No desk has that cache: only that
    it is asked for the folder in between is looked at here."""
    used(tmp_path)
    done = []
    real_open, listdir = builtins.open, os.listdir

    def opened(path, *more):
        if "journal" in str(path):
            done.append(str(path)[-8:])
        return real_open(path, *more)

    monkeypatch.setattr(builtins, "open", opened)
    monkeypatch.setattr(os, "listdir", lambda path: done.append("folder") or listdir(path))
    powered(tmp_path)
    assert done.count("journal0") == 2
    for at, what in enumerate(done):
        if what.startswith("journal"):
            assert done[at - 1] == "folder"


def test_a_memory_that_was_not_powered_up_is_not_ready(tmp_path):
    """And says nothing of what it has not read; nothing is made either."""
    memory = F.FlashMemory(LaidOut(tmp_path), str(tmp_path))
    expected = {
        "ready": False,
        "foreign": False,
        "failed": False,
        "why_failed": "",
        "birth": (0, 0),
        "clear_cycle": 0,
        "cycle": 0,
        "mark": 0,
        "rows_wait": 0,
        "state_waits": 0,
        "folded": 0,
        "highest": 0,
        "strip_waits": False,
        "strip_unfolded": False,
        "line_waits": False,
        "journal": None,
        "folding": None,
        "spares": 16,
    }
    assert {name: getattr(memory, name) for name in expected} == expected
    assert memory.codes() == []
    assert memory.waits() is False
    assert len(memory.codes_of) == len(memory.unstored) == len(memory.unfolded) == ROWS
    assert not any([*memory.unstored, *memory.unfolded, *memory.codes_of])
    assert all(len(record) == 36 and not any(record) for record in memory.spare)
    assert len(memory.spare) == 16
    assert not list(tmp_path.iterdir())


def test_a_condition_that_is_gone_leaves_the_lamp_until_the_row_ends(tmp_path):
    """Whatever places stand: only the end takes it."""
    memory, world = used(tmp_path)
    world.note(KEYED)
    ticks(world, memory, 3)
    world.faults.places[KEYED] = 0
    world.gone(KEYED)
    ticks(world, memory, 1)
    assert memory.raw(KEYED)[3] == 2
    world.end(KEYED)
    ticks(world, memory, 1)
    assert memory.raw(KEYED)[3] == 0
