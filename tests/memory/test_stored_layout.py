"""What lies in the flash, byte by byte: read by a reader of its own, written from the layout that flash.py documents.

The reader knows struct and zlib, and nothing of the code that writes. Two versions of the firmware may meet in one
flash, and a host may read an image: so places, units and sizes are a promise, not an inner matter.
"""

import os
import struct
import zlib

import pytest

from loopwarden.memory.flash import FlashMemory

from .desk_flash import BLOCK, DeskFlash
from .guest.bench_world import ROWS, BenchWorld

ORDER = (5, 2, 7, 1)  # block of each journal file: not the first ones, and not in a row
PAGE = 256
ERASED, STATE, CODE, STRIP, LINES, WHERE = range(6)  # kinds
STATE_NAMES = [
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
FRAME_NAMES = [
    "t_ms",
    "phase",
    "bus_mv",
    "pack_mv",
    "current_ma",
    "isolation_ohm",
    "hottest_dc",
    "coldest_dc",
    "speed_mm_s",
    "drive_permille",
    "charge_permille",
    "commands",
    "switches",
    "measured",
]
LINE_NAMES = ["cycle", "flags", "lowest_ohm", "hottest_dc", "inverter_dc", "motor_dc", "precharge_ms", "discharge_ms"]
NONE = -1_073_741_823  # a reading that was not valid
BIRTH = bytes((4, 0, 0, 0, 0x0C, 0, 0, 0x40))  # what the board's own chance says in these tests


class LaidOut(DeskFlash):
    """The journal's files lie where ORDER says; what is outside of them is not to be touched."""

    def _file(self, n):
        return self.folder / (f"journal{ORDER.index(n)}" if n in ORDER else "outside")

    def ioctl(self, operation, n):
        return 9 if operation == 4 else super().ioctl(operation, n)


def unsealed(data):
    """(kind, sequence, content) of a sealed record of this schema; None for anything else."""
    marker, kind, schema, sequence = struct.unpack("<2sBBI", data[:8])
    whole = zlib.crc32(data[:-4]) == struct.unpack("<I", data[-4:])[0]
    return (kind, sequence, bytes(data[8:-4])) if whole and (marker, schema) == (b"LW", 2) else None


def state_of(content):
    """A state as a dict; locks: row ids, 28 to each of three integers."""
    numbers = struct.unpack("<16i", content[:64])
    found = dict(zip(STATE_NAMES, numbers, strict=False))
    found["locks"] = [28 * k + bit for k in range(3) for bit in range(28) if numbers[10 + k] >> bit & 1]
    assert numbers[13:] == (0, 0, 0)
    return found


def record_of(content):
    """A code record as a dict."""
    numbers = struct.unpack("<36i", content)
    row, count, places, flags, first_cycle, latest_cycle = numbers[:6]
    return {
        "row": row,
        "count": count,
        "places": places,
        "flags": flags,
        "cycles": (first_cycle, latest_cycle),
        "first": dict(zip(FRAME_NAMES, numbers[6:20], strict=True)),
        "latest": dict(zip(FRAME_NAMES, numbers[20:34], strict=True)),
        "walls_s": numbers[34:36],
    }


def line_of(content):
    """A summary line as a dict; rows: the codes that occurred, 28 to each of three integers."""
    numbers = struct.unpack("<11i", content)
    found = dict(zip(LINE_NAMES, numbers, strict=False))
    found["rows"] = [28 * k + bit for k in range(3) for bit in range(28) if numbers[8 + k] >> bit & 1]
    return found


class Kept:
    """All that a flash holds, the newest of everything. Attributes: state, records (by row), strip, files, pages."""

    def __init__(self, folder):
        self.files = {
            path.name: unsealed(path.read_bytes()) if path.stat().st_size > 12 else None
            for path in folder.iterdir()
            if not path.name.startswith("journal")
        }
        blocks = [(folder / f"journal{k}").read_bytes() for k in range(len(ORDER))]
        assert [len(block) for block in blocks] == [BLOCK] * len(ORDER)
        raw = [block[at : at + PAGE] for block in blocks for at in range(0, BLOCK, PAGE)]
        self.pages = [unsealed(page) for page in raw]
        stored = [page for page in self.pages if page and page[0] != ERASED]
        states = [self.files.get("state1"), self.files.get("state2"), *stored]
        self.state = state_of(max((found for found in states if found), key=lambda found: found[1])[2])
        self.records = {}
        codes = [found for name, found in self.files.items() if name[0] == "c" and found]
        codes += [(kind, sequence, content[64 : 64 + 144]) for kind, sequence, content in stored if kind == CODE]
        for kind, _, content in sorted(codes, key=lambda found: found[1]):
            assert kind == CODE
            record = record_of(content)
            self.records[record["row"]] = record
        strips = [found for found in (self.files.get("strip"),) if found]
        strips += [(kind, sequence, content[64 : 64 + 168]) for kind, sequence, content in stored if kind == STRIP]
        self.strip = max(strips, key=lambda found: found[1])[2] if strips else None


def powered(folder):
    """Power up a memory whose journal lies here and there."""
    memory = FlashMemory(LaidOut(folder), str(folder))
    memory.begin()
    return memory


def ticks(world, memory, n):
    for _ in range(n):
        world.tick(memory)


@pytest.fixture(name="fated")
def _fated(monkeypatch):
    """What is drawn by chance is always the same."""
    monkeypatch.setattr(os, "urandom", lambda n: BIRTH[:n])


def telling_world(k):
    """No two readings are equal, and none is that of another k."""
    world = BenchWorld()
    i, o, t = world.inputs, world.outputs, world.thermal
    i.bus_mv, i.pack_mv, i.current_ma, i.isolation_ohm, i.speed_mm_s = (
        380_100 + k,
        381_200 + k,
        -4_300 - k,
        2_500_000 + k,
        6_400 + k,
    )
    o.drive_limit_permille, o.charge_limit_permille = 710 + k, 820 + k
    t.hottest_dc, t.coldest_dc, t.inverter_dc, t.motor_dc = 313 + k, 131 + k, 414 + k, 515 + k
    world.switches.word, world.phases.phase = 0x5A00 + k, 3
    world.faults.measured[8] = 90_000 + k
    return world


def frame(k, t_ms, phase, commands):
    """What a frame of `telling_world(k)` holds."""
    return {
        "t_ms": t_ms,
        "phase": phase,
        "bus_mv": 380_100 + k,
        "pack_mv": 381_200 + k,
        "current_ma": -4_300 - k,
        "isolation_ohm": 2_500_000 + k,
        "hottest_dc": 313 + k,
        "coldest_dc": 131 + k,
        "speed_mm_s": 6_400 + k,
        "drive_permille": 710 + k,
        "charge_permille": 820 + k,
        "commands": commands,
        "switches": 0x5A00 + k,
        "measured": 90_000 + k,
    }


def test_a_memory_just_made_is_these_files_and_no_others(tmp_path, fated):
    memory = powered(tmp_path)
    sizes = {path.name: path.stat().st_size for path in tmp_path.iterdir()}
    assert sizes == {f"journal{k}": BLOCK for k in range(4)} | {"state1": 76, "state2": 76, "where1": 36, "where2": 36}
    assert memory.birth == (1, 0x10000003)
    for name in ("where1", "where2"):
        kind, sequence, content = unsealed((tmp_path / name).read_bytes())
        assert (kind, sequence) == (WHERE, 0)
        assert struct.unpack("<6i", content) == (1, 0x10000003, *ORDER)
    for name in ("state1", "state2"):
        kind, sequence, content = unsealed((tmp_path / name).read_bytes())
        assert (kind, sequence) == (STATE, 0)
        assert state_of(content)["new"] == 1
    kept = Kept(tmp_path)
    blank = [n for n, page in enumerate(kept.pages) if page is None]
    assert [n for n in range(64) if n not in blank] == [0, 1, 16, 32, 48]
    assert [kept.pages[16 * k][:2] for k in range(4)] == [(ERASED, k + 1) for k in range(4)]
    assert not any(kept.pages[0][2])  # nothing of what stood there before
    assert kept.pages[1][:2] == (STATE, 5)
    assert kept.state == state_of(struct.pack("<16i", 0, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0, 0, 0))
    for k in range(4):
        block = (tmp_path / f"journal{k}").read_bytes()
        assert block[2 * PAGE :] == b"\xff" * (BLOCK - 2 * PAGE)


def test_the_journals_files_are_found_by_what_is_in_them(tmp_path, fated, monkeypatch):
    """Before its first erase each block says whose it is: a text, the birth id, its number and one word more."""
    seen = {}
    find = LaidOut.readblocks

    def watched(self, n, buffer, offset=0):
        find(self, n, buffer, offset)
        if n in ORDER and len(buffer) == 32 and self._file(n).exists():
            seen[ORDER.index(n)] = self._file(n).read_bytes()

    monkeypatch.setattr(LaidOut, "readblocks", watched)
    powered(tmp_path)
    for k in range(4):
        assert seen[k] == struct.pack("<16sIIII", b"loopwarden pages", 1, 0x10000003, k, 0x10057A6D) * 128


@pytest.mark.parametrize("folded", [False, True])
def test_a_record_is_stored_field_by_field(tmp_path, fated, folded):
    """Two occurrences in two power cycles, by a clock that a host has set in the second one only."""
    memory, world = powered(tmp_path), telling_world(0)
    world.outputs.positive = world.outputs.negative = 1
    world.phases.stage = 8
    world.note(8, 0b001)
    ticks(world, memory, 2)
    memory, world = powered(tmp_path), telling_world(4)
    world.outputs.positive = world.outputs.precharge = world.outputs.discharge = 1
    world.phases.stage, world.phases.phase = 8, 5
    world.faults.clock_ms = 7_980
    memory.tell_time(200_000_000, world)
    world.note(8, 0b100)
    ticks(world, memory, 2)
    if folded:
        world.outputs.positive = world.outputs.precharge = world.outputs.discharge = 0
        world.phases.stage = 0
        ticks(world, memory, 40)
        assert not memory.journal.used
        assert len((tmp_path / "c08").read_bytes()) == 156
    assert Kept(tmp_path).records[8] == {
        "row": 8,
        "count": 2,
        "places": 0b101,
        "flags": 0b11,
        "cycles": (1, 2),
        "first": frame(0, 20, 3, 0b0011),
        "latest": frame(4, 8_000, 5, 0b1101),
        "walls_s": (0, 200_000_001),
    }


def test_a_reading_that_was_not_valid_is_stored_as_none(tmp_path, fated):
    """S10; of no field is that number a value."""
    memory, world = powered(tmp_path), telling_world(0)
    world.electrics.bus_ok = world.electrics.pack_ok = world.thermal.valid = 0
    world.inputs.current_state = world.inputs.isolation_state = world.inputs.speed_state = 1
    world.note(8)
    world.tick(memory)
    world.tick(memory)
    world.tick(memory)
    first = Kept(tmp_path).records[8]["first"]
    none = ("bus_mv", "pack_mv", "current_ma", "isolation_ohm", "hottest_dc", "coldest_dc", "speed_mm_s")
    assert {name for name, number in first.items() if number == NONE} == set(none)


def test_the_state_is_stored_field_by_field_and_twice(tmp_path, fated):
    memory, world = powered(tmp_path), BenchWorld()
    ticks(world, memory, 20)
    memory.clear_cycle = 3  # as clear leaves it
    memory.prove_positive()
    memory.prove_negative()
    memory.mark_live(1_001, 2_002)
    memory.flats = 2
    for _ in range(5):
        memory.count_under_load()
    for row in (18, 34, 44, 62):
        world.note(row)
    world.live()
    world.tick(memory)
    expected = {
        "mark": 1,
        "positive_proven": 1,
        "negative_proven": 1,
        "precharge_mj": 1_001,
        "discharge_mj": 2_002,
        "under_load": 5,
        "flats": 2,
        "new": 1,
        "cycle": 1,
        "clear_cycle": 3,
        "locks": [18, 34, 44, 62],
    }
    assert Kept(tmp_path).state == expected
    world.off()
    memory.mark_dead(11, 22)
    world.note(76)
    world.end(76)
    memory.spend_positive()
    ticks(world, memory, 60)
    kept = Kept(tmp_path)
    assert not any(page and page[0] for page in kept.pages)
    assert kept.files["state1"] == kept.files["state2"]
    expected |= {"mark": 0, "precharge_mj": 11, "discharge_mj": 22, "new": 0, "positive_proven": 0}
    assert kept.state == expected
    again = powered(tmp_path)
    assert {name: int(getattr(again, name)) for name in STATE_NAMES} == {
        name: expected[name] for name in STATE_NAMES
    } | {"cycle": 2}
    assert again.locked == [18, 34, 44, 62]


@pytest.mark.parametrize("row", [row for row in range(1, ROWS) if row not in (46, 76, 79, 80)])
def test_a_lock_of_any_row_is_stored_as_its_own(tmp_path, fated, row):
    memory, world = powered(tmp_path), BenchWorld()
    memory.locked.append(row)
    memory.mark_dead(0, 0)
    world.tick(memory)
    assert Kept(tmp_path).state["locks"] == [row]
    assert powered(tmp_path).locked == [row]


def test_a_page_holds_the_state_before_what_it_is_for(tmp_path, fated):
    """One page is enough to know all that a start asks for, whatever it was written for (S8)."""
    memory, world = powered(tmp_path), BenchWorld()
    ticks(world, memory, 20)
    begin = memory.journal.sequence
    world.live()
    world.note(7)
    memory.mark_live(5, 6)
    ticks(world, memory, 3)
    kept = Kept(tmp_path)
    stored = [page for page in kept.pages if page and page[0]]
    assert [page[:2] for page in stored] == [(STATE, begin), (STATE, begin + 1), (CODE, begin + 2)]
    assert all(len(content) == 244 for _, _, content in stored)
    for _, _, content in stored:
        assert state_of(content) == kept.state
    assert (kept.state["mark"], kept.state["precharge_mj"], kept.state["discharge_mj"]) == (1, 5, 6)
    assert record_of(stored[2][2][64:208])["row"] == 7


def test_pages_are_programmed_one_after_another_and_never_the_first_of_a_block(tmp_path, fated):
    """Over the end of a block and over the end of the last one; sequences grow by one."""
    memory, world = powered(tmp_path), BenchWorld()
    ticks(world, memory, 20)
    world.live()
    for k in range(52):
        world.note(7, 1 << k % 3)
        world.tick(memory)
    kept = Kept(tmp_path)
    used = [n for n, page in enumerate(kept.pages) if page and page[0]]
    expected = [n for n in range(64) if n % 16]
    at = expected.index(used[0]) if used != expected[:52] else 0
    assert used == expected[at : at + 52]
    sequences = [kept.pages[n][1] for n in used]
    assert sequences == list(range(sequences[0], sequences[0] + 52))
    assert [record_of(kept.pages[n][2][64:208])["count"] for n in used] == list(range(1, 53))


def test_a_strip_is_twelve_samples_of_seven_numbers(tmp_path, fated):
    """Half a second apart; tenths of a volt and of an ampere, cm/s, permille, phase, kohm; none is -1."""
    memory, world = powered(tmp_path), BenchWorld()
    ticks(world, memory, 20)
    world.live()
    world.faults.column = 1
    i, o = world.inputs, world.outputs
    begin = world.faults.clock_ms
    for k in range(1, 300):
        at = begin + 20 * k
        i.bus_mv, i.pack_mv, i.current_ma = 300_000 + at, 310_000 + at, -5_000 - at
        i.speed_mm_s, i.isolation_ohm, o.drive_limit_permille = 4_000 + at, 1_000_000 + 10 * at, at % 1_000
        world.phases.phase = 3 + k % 2
        i.speed_state = at > 3_500
        if k == 299:
            world.faults.worst = 5
        world.tick(memory)
    ticks(world, memory, 1)
    strip = Kept(tmp_path).strip
    assert len(strip) == 168
    samples = [struct.unpack_from("<7h", strip, 14 * n) for n in range(12)]
    latest = begin + 20 * 299
    moments = [*[at for at in range(500, latest, 500) if at > begin][-11:], latest]
    for at, sample in zip(moments, samples, strict=True):
        assert sample == (
            (300_000 + at) // 100,
            (310_000 + at) // 100,
            (-5_000 - at) // 100,
            -1 if at > 3_500 else (4_000 + at) // 10,
            at % 1_000,
            3 + (at - begin) // 20 % 2,
            (1_000_000 + 10 * at) // 1_000,
        )
    world.off()
    world.faults.column = 0
    ticks(world, memory, 60)
    kind, _, content = unsealed((tmp_path / "strip").read_bytes())
    assert (kind, content) == (STRIP, strip)
    assert powered(tmp_path).strip() == strip


def test_a_summary_line_stands_in_its_place_by_the_number_of_its_power_cycle(tmp_path, fated):
    """Eleven lines to a file, twenty files, then the oldest file's place again: cycle 220 is the first one's."""
    for cycle in range(1, 14):
        memory, world = powered(tmp_path), BenchWorld()
        assert memory.cycle == cycle
        world.inputs.isolation_ohm = 500_000 + cycle
        t = world.thermal
        t.hottest_dc, t.inverter_dc, t.motor_dc = 300 + cycle, 400 + cycle, 500 + cycle
        ticks(world, memory, 30)
        world.note(7)
        world.note(28 + cycle % 2)
        world.note(62)
        ticks(world, memory, 40)
    for name, cycles in (("s00", range(11)), ("s01", range(11, 14))):
        kind, _, content = unsealed((tmp_path / name).read_bytes())
        assert (kind, len(content)) == (LINES, 484)
        for slot, cycle in enumerate(cycles):
            if cycle:
                assert line_of(content[44 * slot : 44 * slot + 44]) == {
                    "cycle": cycle,
                    "flags": 0,
                    "lowest_ohm": 500_000 + cycle,
                    "hottest_dc": 300 + cycle,
                    "inverter_dc": 400 + cycle,
                    "motor_dc": 500 + cycle,
                    "precharge_ms": 0,
                    "discharge_ms": 0,
                    "rows": sorted((7, 28 + cycle % 2, 62)),
                }
        assert not any(content[44 * len(cycles) :])
    assert not any(unsealed((tmp_path / "s00").read_bytes())[2][:44])


@pytest.mark.parametrize(
    ("cycle", "name", "slot"), [(12, "s01", 1), (219, "s19", 10), (220, "s00", 0), (221, "s00", 1), (230, "s00", 10)]
)
def test_lines_come_round_after_two_hundred_and_twenty_power_cycles(tmp_path, fated, cycle, name, slot):
    memory, world = powered(tmp_path), BenchWorld()
    ticks(world, memory, 20)
    memory.cycle = cycle - 1
    memory.mark_dead(0, 0)
    world.tick(memory)
    memory, world = powered(tmp_path), BenchWorld()
    world.note(7)
    ticks(world, memory, 40)
    _, _, content = unsealed((tmp_path / name).read_bytes())
    assert line_of(content[44 * slot : 44 * slot + 44])["cycle"] == cycle == memory.cycle
    assert memory.lines(1)[0][0] == cycle  # from the file that was read last, had it not changed
    assert memory.lines()[-1][0] == cycle
