"""The fault memory in flash: what survives a power cycle, what waits, what is refused, what is named."""

import builtins
import os
from binascii import crc32

import pytest

from loopwarden.memory import codes as K
from loopwarden.memory import flash as F
from loopwarden.memory.drive_log import CODES, HOTTEST_DC, LINES, LOWEST_OHM, SUMMARY_FILES, has_drifted
from loopwarden.memory.sealed import SCHEMA, TAIL, seal

from .desk_flash import powered
from .guest.bench_world import ENDS, ROWS, BenchWorld

HEALING, KEYED, LOCK, OTHER_LOCK, NO_CODE = 7, 8, 44, 54, 14


def ticks(world, memory, n):
    for _ in range(n):
        world.tick(memory)


def commissioned(folder):
    """A memory that is not new any more, folded, off."""
    memory, world = powered(folder), BenchWorld()
    assert memory.new
    world.note(76)
    ticks(world, memory, 60)
    world.end(76)
    ticks(world, memory, 60)
    assert not memory.new
    return memory, world


def counts(memory):
    return {code["row"]: code["count"] for code in memory.codes()}


def test_a_memory_just_made_is_new_and_that_is_a_lock(tmp_path):
    """S9: until it is commissioned, over power cycles."""
    memory, world = powered(tmp_path), BenchWorld()
    assert (memory.ready, memory.new, memory.damaged, memory.cycle) == (True, True, False, 1)
    world.note(76)
    ticks(world, memory, 5)
    again = powered(tmp_path)
    assert again.new
    assert again.locked == [76]
    assert again.birth == memory.birth


def test_a_wiped_memory_is_told_from_a_clean_one(tmp_path):
    memory, _ = commissioned(tmp_path)
    for file in tmp_path.iterdir():
        file.unlink()
    again = powered(tmp_path)
    assert again.new
    assert again.birth != memory.birth


def test_more_new_codes_in_a_drive_than_records_made_before_are_all_kept(tmp_path):
    """S8: a record that is not there is made; off again, there are as many as before for the next drive."""
    memory, world = commissioned(tmp_path)
    before = memory.spares
    rows = [row for row in range(1, ROWS) if K.CODED[row] and ENDS[row] == ENDS[HEALING]]
    assert len(rows) > before > 0
    world.live()
    for row in rows:
        world.note(row)
    ticks(world, memory, 100)
    assert memory.spares == 0
    world.off()
    ticks(world, memory, 200)
    assert memory.spares == before
    after = counts(powered(tmp_path))
    assert {row: after.get(row) for row in rows} == dict.fromkeys(rows, 1)


@pytest.mark.parametrize("folded", [False, True])
def test_a_stored_code_is_there_after_a_power_cycle(tmp_path, folded):
    memory, world = commissioned(tmp_path)
    world.live()
    world.note(KEYED, 0b100)
    world.tick(memory)
    assert memory.stored(KEYED)
    if folded:
        world.off()
        ticks(world, memory, 60)
        assert memory.journal.used == 0
    before = memory.codes()
    after = powered(tmp_path).codes()
    assert [code["row"] for code in after] == [KEYED, 76]
    for name in ("count", "places", "first", "latest", "first_cycle", "latest_cycle"):
        assert after[0][name] == before[0][name]
    assert after[0]["places"] == 0b100
    assert not after[0]["present"]  # nobody has looked yet


def test_while_anything_is_closed_nothing_is_erased_and_no_file_is_written(tmp_path, monkeypatch):
    memory, world = commissioned(tmp_path)
    memory.mark_live(1, 1)
    world.tick(memory)
    world.live()
    memory.flash.forbidden = True
    real_open = builtins.open

    def no_writing(path, mode="r", *more):
        assert "w" not in mode, path
        return real_open(path, mode, *more)

    monkeypatch.setattr(builtins, "open", no_writing)
    monkeypatch.setattr(memory.flash, "_file", _Silent(memory.flash._file, real_open))
    for row in range(1, ROWS):
        world.note(row)
        ticks(world, memory, 3)
    for output in ("positive", "negative", "precharge", "discharge"):
        world.off()
        setattr(world.outputs, output, 1)
        ticks(world, memory, 20)


class _Silent:
    """The desk's own writing into the journal's files is a page program, no file of the memory."""

    def __init__(self, path_of, real_open):
        self.path_of, self.real_open = path_of, real_open

    def __call__(self, n):
        return _Page(self.path_of(n), self.real_open)


class _Page:
    def __init__(self, path, real_open):
        self.path, self.real_open = path, real_open

    def exists(self):
        return self.path.exists()

    def read_bytes(self):
        with self.real_open(self.path, "rb") as file:
            return file.read()

    def write_bytes(self, data):
        with self.real_open(self.path, "wb") as file:
            file.write(data)


def test_at_most_one_page_is_programmed_in_a_tick(tmp_path):
    memory, world = commissioned(tmp_path)
    world.live()
    for row in (1, 8, 44, 62):
        world.note(row)
    memory.mark_live(1, 1)
    while memory.waits():
        before = memory.flash.programs
        world.tick(memory)
        assert memory.flash.programs - before <= 1
    world.note(9)
    before = memory.flash.programs
    memory.work(world, room=False)  # a tick that already did much
    assert memory.flash.programs == before
    assert not memory.stored(9)


def test_a_burst_waits_in_the_records_and_none_is_lost(tmp_path):
    memory, world = commissioned(tmp_path)
    world.live()
    for row in range(1, 30):
        world.note(row)
    world.tick(memory)
    assert sum(memory.stored(row) for row in range(1, 30) if K.CODED[row]) <= 1  # one page a tick
    ticks(world, memory, 30)
    assert all(memory.stored(row) for row in range(1, 30))
    assert set(counts(powered(tmp_path))) >= {row for row in range(1, 30) if K.CODED[row]}


def test_the_last_pages_are_for_locks_and_power_marks(tmp_path):
    """A healing fault that chatters for hours must not cost the crash its page."""
    memory, world = commissioned(tmp_path)
    memory.mark_live(5, 5)
    world.live()
    for _ in range(100):
        world.note(HEALING)
        ticks(world, memory, 2)
    assert memory.journal.free == F.RESERVED
    assert not memory.stored(HEALING)
    assert memory.nearly_full
    world.note(LOCK)
    memory.mark_dead(7, 8)
    ticks(world, memory, 5)
    assert memory.stored(LOCK)
    assert not memory.failed
    again = powered(tmp_path)
    assert LOCK in again.locked
    assert (again.mark, again.precharge_mj, again.discharge_mj) == (0, 7, 8)
    assert not again.nearly_full


def test_folding_empties_the_journal_and_the_next_drive_finds_it_erased(tmp_path):
    memory, world = commissioned(tmp_path)
    for drive in range(5):
        memory.mark_live(1, 1)
        world.tick(memory)
        world.live()
        for row in (7, 8, 51):
            world.note(row)
            ticks(world, memory, 2)
        world.off()
        memory.mark_dead(1, 1)
        ticks(world, memory, 60)
        assert memory.journal.used == 0
        assert memory.journal.free == 15 * F.BLOCKS
        assert memory.idle()
        assert counts(memory)[7] == drive + 1
        for row in (7, 8, 51):
            world.end(row)


def test_a_fold_that_a_start_interrupts_loses_nothing(tmp_path):
    for steps in range(12):
        folder = tmp_path / str(steps)
        folder.mkdir()
        memory, world = commissioned(folder)
        world.live()
        for row in (8, 51, 61):
            world.note(row)
            world.tick(memory)
        world.off()
        ticks(world, memory, steps)
        memory.mark_live(3, 4)
        world.tick(memory)
        assert memory.mark == F.MARK_LIVE
        world.live()
        world.note(62)
        ticks(world, memory, 6)
        again = powered(folder)
        assert set(counts(again)) == {8, 51, 61, 62, 76}, steps
        assert again.mark == F.MARK_LIVE
        assert 62 in again.locked


def test_the_mark_is_live_only_once_its_page_is_there(tmp_path):
    """S12: the start waits for it."""
    memory, world = commissioned(tmp_path)
    memory.mark_live(100, 200)
    assert memory.mark == F.MARK_DEAD
    world.tick(memory)
    assert memory.mark == F.MARK_LIVE
    again = powered(tmp_path)
    assert (again.mark, again.precharge_mj, again.discharge_mj) == (F.MARK_LIVE, 100, 200)


def test_a_pole_proof_is_kept_and_a_restart_while_live_spends_it(tmp_path):
    memory, world = commissioned(tmp_path)
    memory.prove_positive()
    world.tick(memory)
    assert powered(tmp_path).positive_proven
    memory = powered(tmp_path)
    memory.mark_live(1, 1)
    world.tick(memory)
    assert not powered(tmp_path).positive_proven


@pytest.mark.parametrize("lost", ["state1", "state2"])
@pytest.mark.parametrize("how", ["damaged", "gone"])
def test_one_of_two_copies_is_enough_for_a_lock(tmp_path, lost, how):
    """S9: kept twice."""
    memory, world = commissioned(tmp_path)
    world.note(LOCK)
    ticks(world, memory, 60)
    spoil(tmp_path / lost, how)
    again = powered(tmp_path)
    assert again.locked == [LOCK]
    assert not again.new
    assert again.damaged is (how == "damaged")
    assert powered(tmp_path).locked == [LOCK]
    assert not powered(tmp_path).damaged  # both are whole again


def test_a_memory_whose_both_copies_are_unreadable_is_a_lock(tmp_path):
    """S9: unreadable is like new."""
    memory, world = commissioned(tmp_path)
    ticks(world, memory, 60)
    spoil(tmp_path / "state1", "damaged")
    spoil(tmp_path / "state2", "damaged")
    again = powered(tmp_path)
    assert again.new
    assert again.damaged
    assert again.ready  # it can store the lock and what comes


def test_a_damaged_record_is_named_and_costs_no_other(tmp_path):
    memory, world = commissioned(tmp_path)
    for row in (8, 51):
        world.note(row)
    ticks(world, memory, 60)
    spoil(tmp_path / "c51", "damaged")
    again = powered(tmp_path)
    assert again.damaged
    assert again.ready
    assert set(counts(again)) == {8, 76}


def test_a_page_that_decayed_among_others_is_named(tmp_path):
    memory, world = commissioned(tmp_path)
    world.live()
    for row in (8, 51, 61):
        world.note(row)
        ticks(world, memory, 6)
    at = memory.journal.at - 4  # behind it the locks, twice, and the record of 61
    path = tmp_path / f"journal{at // 16}"
    page = bytearray(path.read_bytes())
    page[at % 16 * 256 + 90] ^= 0x10
    path.write_bytes(page)
    again = powered(tmp_path)
    assert again.damaged
    assert set(counts(again)) == {8, 61, 76}


def spoil(path, how):
    if how == "gone":
        path.unlink()
    else:
        content = bytearray(path.read_bytes())
        content[20] ^= 1
        path.write_bytes(content)


@pytest.mark.parametrize("name", ["state1", "c08", "where2"])
def test_what_another_version_wrote_is_named_and_left_alone(tmp_path, name):
    memory, world = commissioned(tmp_path)
    world.note(8)
    ticks(world, memory, 60)
    content = bytearray((tmp_path / name).read_bytes())
    seal(content, len(content), content[2], 1)
    content[3] = SCHEMA + 1
    content[-TAIL:] = crc32(content[:-TAIL]).to_bytes(4, "little")
    (tmp_path / name).write_bytes(content)
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    again = powered(tmp_path)
    assert (again.ready, again.failed, again.foreign) == (False, True, True)
    assert "another version" in again.why_failed
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_journal_files_that_somebody_copied_anew_are_not_written_past_the_file_system(tmp_path):
    """Their blocks may lie elsewhere now; programming the old ones would hit another file."""
    commissioned(tmp_path)
    memory = F.FlashMemory(_Elsewhere(tmp_path), str(tmp_path))
    memory.begin()
    assert memory.failed
    assert not memory.ready
    assert "blocks" in memory.why_failed
    assert memory.flash.programs == memory.flash.erases == 0


class _Elsewhere:
    """A flash on which the numbers in `where` lead to blocks with other content."""

    def __init__(self, folder):
        self.programs = self.erases = 0

    def readblocks(self, n, buffer, offset=0):
        buffer[:] = b"\x5a" * len(buffer)

    def writeblocks(self, n, buffer, offset=0):
        self.programs += 1

    def ioctl(self, operation, n):
        self.erases += operation == 6
        return 4


def test_a_page_that_does_not_hold_is_written_again_elsewhere(tmp_path):
    """Errors of a program are not reported: it is read back (S8)."""
    memory, world = commissioned(tmp_path)
    world.live()
    bad = memory.journal.at
    memory.flash.bad_pages.add((bad // 16, bad % 16 * 256))
    world.note(8)
    world.tick(memory)
    assert not memory.stored(8)
    world.tick(memory)
    assert memory.stored(8)
    assert not memory.failed


def test_a_flash_that_holds_nothing_is_a_store_failure(tmp_path):
    memory, world = commissioned(tmp_path)
    world.live()
    memory.flash.bad_pages |= {(n, page * 256) for n in range(F.BLOCKS) for page in range(16)}
    world.note(8)
    ticks(world, memory, 5)
    assert (memory.failed, memory.ready) == (True, False)
    assert not memory.stored(8)
    assert "do not hold" in memory.why_failed


def test_a_full_file_system_is_a_store_failure_with_the_old_record_kept(tmp_path, monkeypatch):
    memory, world = commissioned(tmp_path)
    world.note(8)
    real_open = builtins.open

    def full(path, mode="r", *more):
        if "w" in mode and "/c08" in str(path):
            raise OSError(28)
        return real_open(path, mode, *more)

    monkeypatch.setattr(builtins, "open", full)
    ticks(world, memory, 60)
    assert memory.failed is True
    monkeypatch.undo()
    assert 8 in counts(powered(tmp_path))  # the journal still holds it


def test_clearing_is_for_good_and_refused_for_a_lock(tmp_path):
    memory, world = commissioned(tmp_path)
    world.note(8)
    world.note(LOCK)
    ticks(world, memory, 60)
    assert not memory.clear(LOCK)
    assert memory.clear(8)
    assert not memory.clear(8)  # there is none any more
    assert not memory.clear(33)
    world.tick(memory)
    assert memory.stored(8)
    again = powered(tmp_path)
    assert set(counts(again)) == {LOCK, 76}
    assert set(counts(powered(tmp_path))) == {LOCK, 76}


@pytest.mark.parametrize("lock", [18, 34, LOCK, 55, 62, 79])
def test_a_lock_ends_for_good(tmp_path, lock):
    """Wherever among the rows it stands."""
    memory, world = commissioned(tmp_path)
    world.note(lock)
    ticks(world, memory, 60)
    world.end(lock)
    ticks(world, memory, 1)
    again = powered(tmp_path)
    assert again.locked == []
    assert lock in counts(again)  # what happened stays on record


def test_storing_a_page_is_no_stall_and_folding_is_one(tmp_path):
    """A tick in which a file was written or a block erased is late on purpose; one page takes a millisecond."""
    memory, world = commissioned(tmp_path)
    world.live()
    world.note(KEYED)
    world.faults.clock_ms += 20
    assert memory.work(world) is False
    assert memory.busy
    assert memory.stored(KEYED)
    world.off()
    assert memory.work(world) is True
    for _ in range(60):
        memory.work(world)
    assert memory.work(world) is False


def test_a_row_without_a_code_leaves_no_record(tmp_path):
    memory, world = commissioned(tmp_path)
    world.note(NO_CODE)
    ticks(world, memory, 60)
    assert set(counts(memory)) == {76}


def test_codes_age_out_and_locks_do_not(tmp_path):
    memory, world = commissioned(tmp_path)
    world.note(8)
    world.note(LOCK)
    ticks(world, memory, 60)
    for _ in range(K.AGE_CYCLES):
        memory = powered(tmp_path)
    assert set(counts(memory)) >= {8, LOCK}
    memory = powered(tmp_path)
    assert set(counts(memory)) == {LOCK}
    assert memory.locked == [LOCK]
    assert set(counts(powered(tmp_path))) == {LOCK}


def test_a_line_for_each_of_the_last_two_hundred_power_cycles(tmp_path):
    memory, world = commissioned(tmp_path)
    for n in range(LINES * SUMMARY_FILES + 30):
        memory, world = powered(tmp_path), BenchWorld()
        world.inputs.isolation_ohm = 1_000_000 + n
        world.thermal.hottest_dc = 300 + n % 50
        ticks(world, memory, 30)
        world.note(7)
        ticks(world, memory, 20)
    lines = memory.lines()
    assert len(lines) == LINES * SUMMARY_FILES
    assert [line[0] for line in lines] == list(range(memory.cycle - len(lines) + 1, memory.cycle + 1))
    assert lines[-1][LOWEST_OHM] == 1_000_000 + n
    assert lines[-1][HOTTEST_DC] == 300 + n % 50
    assert lines[-1][CODES] == 1 << 7


def test_size_does_not_grow_with_what_happens(tmp_path):
    """Every row, many times, over many power cycles: so many files, none above 512 bytes but the journal's blocks."""
    for _ in range(3):
        memory, world = powered(tmp_path), BenchWorld()
        for row in range(1, ROWS):
            world.note(row)
        ticks(world, memory, 300)
        for row in range(1, ROWS):
            if ENDS[row] != 2:
                world.end(row)
        ticks(world, memory, 100)
    sizes = {file.name: file.stat().st_size for file in tmp_path.iterdir()}
    assert all(size <= 512 for name, size in sizes.items() if not name.startswith("journal"))
    assert len(sizes) <= F.BLOCKS + 4 + sum(K.CODED) + SUMMARY_FILES
    assert sum(sizes.values()) < 64 * 1024


def test_isolation_that_halved_within_five_drives_is_drifting(tmp_path):
    """The per-cycle summary; only cycles with a drive count."""
    memory, _ = commissioned(tmp_path)
    for ohm in (4_000_000, 4_100_000, 3_900_000, 3_000_000, 2_500_000, 1_900_000):
        assert not memory.drifting
        memory, world = powered(tmp_path), BenchWorld()
        world.inputs.isolation_ohm = ohm
        world.live()
        ticks(world, memory, 40)
        world.phases.stage = 18
        world.tick(memory)
        world.off()
        ticks(world, memory, 40)
        memory = powered(tmp_path)
    assert memory.drifting


def test_the_seconds_before_a_hard_reaction_are_kept(tmp_path):
    memory, world = commissioned(tmp_path)
    world.live()
    world.faults.column = 2
    for n in range(300):
        world.inputs.bus_mv = 380_000 - 100 * n
        world.tick(memory)
    world.faults.worst = 5  # wind down
    world.note(8)
    ticks(world, memory, 3)
    volts = list(memoryview(memory.log.strip).cast("h"))[0::7]
    assert volts == sorted(volts, reverse=True)
    assert volts[-1] == (380_000 - 100 * 299) // 100
    assert powered(tmp_path).log.strip == memory.log.strip
    assert powered(tmp_path).log.strip == memory.log.strip  # folded by now


def test_only_the_one_way_of_writing_that_loses_nothing_is_used(tmp_path, monkeypatch):
    """Open, one write of 512 bytes or less, close. Remove before rename, flush half way, truncate and append, rename
    before close lose records at a power cut (littlefs, measured); none of them may come in."""
    written = []
    real_open = builtins.open

    def watched(path, mode="r", *more):
        assert mode in ("rb", "wb"), (path, mode)
        file = real_open(path, mode, *more)
        return _Watched(file, str(path), written) if mode == "wb" else file

    def never(*_):
        raise AssertionError("a way of writing that loses records")

    for name in ("remove", "rename", "unlink", "replace", "truncate"):
        monkeypatch.setattr(os, name, never)
    memory, world = commissioned(tmp_path)  # the journal's blocks are made before: their files are whole blocks
    monkeypatch.setattr(builtins, "open", watched)
    monkeypatch.setattr(memory.flash, "_file", _Silent(memory.flash._file, real_open))
    for row in range(1, ROWS):
        world.note(row)
    ticks(world, memory, 300)
    assert {path.rsplit("/", 1)[1] for path, _ in written} >= {"state1", "state2", "c08", "c44"}
    assert all(writes == [True] for _, writes in written)


class _Watched:
    def __init__(self, file, path, written):
        self.file, self.writes = file, []
        written.append((path, self.writes))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.file.close()

    def write(self, data):
        self.writes.append(len(data) <= 512)
        return self.file.write(data)

    def flush(self):
        raise AssertionError("flush half way")

    def truncate(self, *_):
        raise AssertionError("truncate")


def drive_and_stop(world, memory):
    """A drive that a crash ended: stored, not folded, the power mark live."""
    memory.mark_live(50, 60)
    ticks(world, memory, 3)
    memory.spend_positive()
    world.live()
    world.note(62)
    ticks(world, memory, 6)


def test_one_of_two_copies_of_where_the_journal_lies_is_enough(tmp_path):
    for lost in ("where1", "where2"):
        folder = tmp_path / lost
        folder.mkdir()
        memory, world = commissioned(folder)
        drive_and_stop(world, memory)
        spoil(folder / lost, "damaged")
        again = powered(folder)
        assert (again.locked, again.mark, again.positive_proven) == ([62], F.MARK_LIVE, False)
        assert again.damaged
        assert not powered(folder).new


def test_a_journal_that_cannot_be_found_any_more_is_taken_for_the_worst(tmp_path):
    """Nobody knows what it held: a lock, restarted while live, no proof (S9, S10)."""
    memory, world = commissioned(tmp_path)
    drive_and_stop(world, memory)
    spoil(tmp_path / "where1", "damaged")
    spoil(tmp_path / "where2", "damaged")
    again = powered(tmp_path)
    assert (again.new, again.damaged, again.mark, again.positive_proven) == (True, True, F.MARK_LIVE, False)


def test_a_memory_just_made_proves_no_pole(tmp_path):
    assert not powered(tmp_path).positive_proven
    memory, _ = commissioned(tmp_path)
    assert not memory.positive_proven  # that is the meter check's to say


def test_a_file_that_does_not_read_back_while_folding_at_power_up_costs_no_record(tmp_path, monkeypatch):
    memory, world = commissioned(tmp_path)
    world.live()
    world.note(8)
    ticks(world, memory, 3)
    real_open = builtins.open

    def weak(path, mode="r", *more):
        file = real_open(path, mode, *more)
        return _Weak(file) if mode == "wb" and str(path).endswith("c08") else file

    monkeypatch.setattr(builtins, "open", weak)
    assert powered(tmp_path).failed
    monkeypatch.undo()
    assert 8 in counts(powered(tmp_path))


class _Weak:
    def __init__(self, file):
        self.file = file

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.file.close()

    def write(self, data):
        data = bytearray(data)
        data[30] ^= 1
        return self.file.write(data)


def test_without_a_part_of_the_journal_what_the_files_hold_is_told_and_the_worst_assumed(tmp_path):
    memory, world = commissioned(tmp_path)
    world.note(LOCK)
    ticks(world, memory, 100)
    (tmp_path / "journal2").unlink()
    again = powered(tmp_path)
    assert not again.ready
    assert again.locked == [LOCK]
    assert LOCK in counts(again)
    assert (again.mark, again.positive_proven) == (F.MARK_LIVE, False)


def test_one_file_that_the_file_system_cannot_read_costs_no_other(tmp_path, monkeypatch):
    memory, world = commissioned(tmp_path)
    world.note(8)
    ticks(world, memory, 60)
    drive_and_stop(world, memory)
    real_open = builtins.open

    def broken(path, mode="r", *more):
        if mode == "rb" and str(path).endswith("c08"):
            raise OSError(5)
        return real_open(path, mode, *more)

    monkeypatch.setattr(builtins, "open", broken)
    again = powered(tmp_path)
    assert again.damaged
    assert (again.locked, again.mark, again.positive_proven) == ([62], F.MARK_LIVE, False)


def test_the_power_mark_and_a_lock_stand_in_two_pages(tmp_path):
    """The newest page may be the one that decays."""
    memory, world = commissioned(tmp_path)
    drive_and_stop(world, memory)
    at = memory.journal.at - 1
    path = tmp_path / f"journal{at // 16}"
    content = bytearray(path.read_bytes())
    content[at % 16 * 256 + 40] ^= 1
    path.write_bytes(content)
    again = powered(tmp_path)
    assert (again.locked, again.mark, again.positive_proven) == ([62], F.MARK_LIVE, False)


def test_new_records_follow_the_files_even_where_state_and_journal_are_lost(tmp_path):
    """Or what comes next would count as older than what lies in the files."""
    memory, world = commissioned(tmp_path)
    for _ in range(5):
        world.note(8)
        ticks(world, memory, 60)
    for name in ("state1", "state2", "where1", "where2"):
        spoil(tmp_path / name, "damaged")
    memory, world = powered(tmp_path), BenchWorld()
    world.live()
    world.note(8)
    ticks(world, memory, 6)
    assert counts(powered(tmp_path))[8] == 6


def test_a_mark_asked_for_anew_counts_once_its_own_page_is_there(tmp_path):
    memory, world = commissioned(tmp_path)
    memory.mark_live(1, 1)
    ticks(world, memory, 3)
    memory.mark_dead(2, 2)
    memory.mark_live(300, 400)
    assert memory.mark == F.MARK_DEAD
    world.tick(memory)
    assert memory.mark == F.MARK_LIVE
    assert powered(tmp_path).precharge_mj == 300


def test_a_line_whose_fold_was_interrupted_is_written_in_the_end(tmp_path):
    for steps in range(1, 8):
        folder = tmp_path / str(steps)
        folder.mkdir()
        memory, world = commissioned(folder)
        world.note(8)
        ticks(world, memory, steps)
        world.live()
        ticks(world, memory, 3)
        world.off()
        ticks(world, memory, 100)
        assert memory.idle()
        assert memory.lines()[-1][CODES] >> 8 & 1, steps


def test_the_warning_bit_goes_when_the_row_ends(tmp_path):
    memory, world = commissioned(tmp_path)
    world.note(7)
    ticks(world, memory, 3)
    assert memory.status(7) & (K.WARNING_INDICATOR | K.TEST_FAILED) == K.WARNING_INDICATOR | K.TEST_FAILED
    world.gone(7)
    ticks(world, memory, 1)
    assert memory.status(7) & (K.WARNING_INDICATOR | K.TEST_FAILED) == K.WARNING_INDICATOR
    world.end(7)
    ticks(world, memory, 1)
    assert not memory.status(7) & (K.WARNING_INDICATOR | K.TEST_FAILED)


def test_a_restart_that_only_discharges_is_no_drive_and_no_reading_is_no_drift(tmp_path):
    memory, world = commissioned(tmp_path)
    for stage in (15, 16, 17, 18, 0):
        world.phases.stage = stage
        ticks(world, memory, 2)
    assert not memory.log.drove
    lines = [[0, 1, ohm] for ohm in (4_000_000,) * 6 + (1 << 29,)]
    assert not has_drifted(lines)
    assert not has_drifted([[0, 1, 1 << 29], *lines])
    assert has_drifted([*lines, [0, 1, 2_000_000]])


def test_summary_lines_of_many_power_cycles_are_read_a_file_at_a_time(tmp_path, monkeypatch):
    """Opening a file takes more than a kilobyte of a board's heap, so no file is opened for each line."""
    memory, world = commissioned(tmp_path)
    for _ in range(30):
        memory, world = powered(tmp_path), BenchWorld()
        ticks(world, memory, 30)
        world.note(7)
        ticks(world, memory, 20)
    opened = []
    read = memory._read
    monkeypatch.setattr(memory, "_read", lambda name, kind: opened.append(name) or read(name, kind))
    found = [memory.line(cycle) for cycle in range(1, memory.cycle + 1)]
    assert len([line for line in found if line is not None]) >= 25
    assert len(opened) <= 30 // LINES + 2
