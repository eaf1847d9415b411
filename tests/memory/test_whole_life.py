"""Whole lives of one memory on the desk: what is called stored is there in every tick, and every step is pinned.

Three things are looked at, and they are worth differently.

1. In every tick of every life: all that the memory calls stored is read out of the flash by the reader of
   test_stored_layout.py, which knows nothing of the code that writes; at most one page is programmed or one file
   written or one block erased; only in the off phase a file is written or a block erased.
2. At every power cycle: what that reader has found before is what the memory knows afterwards, and nothing else.
3. After every step: a digest of all that is stored and told, as it was when the step was pinned. A digest proves
   nothing by itself. It makes each change of what is stored visible in a review; whoever changes it on purpose looks
   at why, and pins it anew with `PYTHONPATH=tests:firmware:host_sim python -m memory.test_whole_life`.
"""

import builtins
import json
import os
import struct
import sys
import tempfile
import zlib
from hashlib import sha256
from pathlib import Path

import pytest

from loopwarden.memory.flash import FlashMemory

from .guest.bench_world import ROWS, BenchWorld
from .test_stored_layout import BIRTH, ORDER, PAGE, Kept, LaidOut, record_of

PINS = Path(__file__).with_name("whole_life.json")
HEALING, KEYED, LOCK, CRASH, NEW = 7, 8, 44, 62, 76
PLAIN = [
    "ready",
    "new",
    "failed",
    "nearly_full",
    "damaged",
    "drifting",
    "foreign",
    "why_failed",
    "mark",
    "want",
    "positive_proven",
    "negative_proven",
    "precharge_mj",
    "discharge_mj",
    "under_load",
    "flats",
    "locked",
    "cycle",
    "clear_cycle",
    "birth",
    "told_s",
    "busy",
    "spares",
]


class Life:
    """One board. `step` pins what is stored and told; `tick` and `power` look at what must hold."""

    def __init__(self, folder):
        self.folder = folder
        self.steps = []
        self.heard = []  # what was returned and told, since the last step
        self.written = []  # names of files that were opened for writing
        self.allowed_to_lose = False  # the flash was tampered with: nobody can know what it held
        self.real_open = builtins.open
        self.power()

    def open(self, path, mode="r", *more):
        if "w" in mode:
            self.written.append(Path(path).name)
        return self.real_open(path, mode, *more)

    def power(self):
        """Off and on again; the world knows nothing of before, the policy raises its locks anew."""
        before = None
        if (self.folder / "journal3").exists() and not self.allowed_to_lose:
            before = Kept(self.folder)
        self.feeds = 0
        builtins.open, os_urandom, os.urandom = self.open, os.urandom, lambda n: BIRTH[:n]
        try:
            self.memory = FlashMemory(LaidOut(self.folder), str(self.folder))
            self.memory.begin(self._feed)
        finally:
            builtins.open, os.urandom = self.real_open, os_urandom
        self.world = BenchWorld()
        for row in self.memory.locked:
            self.world.faults.places[row] = 1
        self.heard.append((self.feeds, self.memory.flash.programs, self.memory.flash.erases))
        if before:
            self._is_what_was_kept(before)
        self.allowed_to_lose = False

    def _feed(self):
        self.feeds += 1

    def _is_what_was_kept(self, before):
        """Nothing lost, nothing invented; what is 40 power cycles old is forgotten, but no lock (S8, S9)."""
        memory, state = self.memory, before.state
        assert sorted(memory.locked) == state["locks"]
        assert (memory.mark, memory.cycle) == (state["mark"], state["cycle"] + 1)
        assert memory.positive_proven is bool(state["positive_proven"] and not state["mark"])
        assert memory.negative_proven is bool(state["negative_proven"])
        assert memory.new is bool(state["new"])
        for name in ("precharge_mj", "discharge_mj", "under_load", "flats"):
            assert getattr(memory, name) == state[name]
        expected = {row: record for row, record in before.records.items() if record["count"]}
        for row in list(expected):
            if row not in memory.locked and memory.cycle - expected[row]["cycles"][1] > 40:
                del expected[row]
        told = {row: record_of(bytes(memory.raw(row))) for row in range(ROWS) if memory.raw(row)}
        assert without_flags(told) == without_flags(expected)
        assert all(told[row]["flags"] == 0 or row in memory.locked for row in told)
        if before.strip:
            assert memory.strip() == before.strip

    def tick(self, n=1, room=True):
        """So many ticks, each with other readings; what must hold is looked at in each."""
        flash = self.memory.flash
        for _ in range(n):
            self.world.faults.clock_ms += self.world.faults.dt
            readings(self.world)
            before = flash.programs, flash.erases, len(self.written)
            builtins.open = self.open
            try:
                worked = self.memory.work(self.world, room)
            finally:
                builtins.open = self.real_open
            programs, erases, files = (
                now - then for now, then in zip((flash.programs, flash.erases, len(self.written)), before, strict=True)
            )
            self.heard.append((worked, self.memory.busy, self.memory.mark, programs, erases, files))
            self._holds(worked, programs, erases, files, room)

    def _holds(self, worked, programs, erases, files, room):
        memory, world = self.memory, self.world
        o = world.outputs
        assert programs <= 1
        assert erases + files <= 1
        assert programs + files == 0 or room
        off = world.phases.stage == 0 and not (o.positive or o.negative or o.precharge or o.discharge)
        assert off or not (worked or erases or files)
        assert worked or not (erases or files)
        if memory.failed:
            assert (memory.ready, memory.idle()) == (False, True)
            return
        waits = bool(memory.state_waits or memory.strip_waits or any(not memory.stored(row) for row in range(ROWS)))
        assert memory.waits() is waits
        assert not (memory.idle() and waits)
        if programs or erases or files:
            self.kept = Kept(self.folder)
            self._is_stored()

    def _is_stored(self):
        memory, kept = self.memory, self.kept
        for row in range(ROWS):
            if memory.stored(row):
                record = memory.raw(row)
                found = kept.records.get(row, {"count": 0})
                if record:
                    assert without_flags({0: found}) == without_flags({0: record_of(bytes(record))}), row
                else:
                    assert not found["count"], row
        if not memory.state_waits:
            state = kept.state
            assert sorted(memory.locked) == state["locks"]
            assert memory.mark == memory.want == state["mark"]
            assert (memory.positive_proven, memory.new) == (bool(state["positive_proven"]), bool(state["new"]))
            for name in ("precharge_mj", "discharge_mj", "under_load", "cycle"):
                assert getattr(memory, name) == state[name]

    def step(self, name):
        """Pin what is stored and told by now."""
        memory = self.memory
        told = [(name, getattr(memory, name)) for name in PLAIN]
        told += [memory.codes(), memory.strip().hex(), [(row, memory.status(row)) for row in range(1, ROWS)]]
        told += [[list(line) for line in memory.lines()], list(memory.line(memory.cycle))]
        told += [[row for row in range(ROWS) if not memory.stored(row)], memory.waits(), memory.idle()]
        told += [[memory.wall_s(self.world)], memory.log.drove, memory.log.drove_since_clear]
        if memory.journal:
            told.append((memory.journal.used, memory.journal.free, memory.journal.damaged, memory.journal.sequence))
        files = {path.name: sha256(path.read_bytes()).hexdigest() for path in sorted(self.folder.iterdir())}
        digest = sha256(repr((told, self.heard, sorted(files.items()), self.written)).encode()).hexdigest()[:16]
        codes = " ".join(f"{code['row']}x{code['count']}" for code in memory.codes())
        self.steps.append(f"{name}: cycle {memory.cycle}, mark {memory.mark}, locks {memory.locked}, {codes}; {digest}")
        self.heard.clear()
        self.written.clear()

    # What happens

    def note(self, *rows, places=1):
        for row in rows:
            self.world.note(row, places)

    def end(self, *rows):
        for row in rows:
            self.world.end(row)

    def stages(self, *stages, ticks=3):
        for stage in stages:
            self.world.phases.stage = stage
            self.world.phases.phase = 0 if stage == 0 else 2 if stage < 8 else 3 if stage == 8 else 4
            self.tick(ticks)

    def start(self, precharge_mj=1_500, discharge_mj=2_500):
        """Up, until both mains are closed."""
        self.world.phases.stage = 1
        self.memory.prove_negative()
        self.memory.mark_live(precharge_mj, discharge_mj)
        self.tick(2)
        self.world.outputs.negative = self.world.outputs.precharge = 1
        self.stages(5, 6, ticks=12)
        self.memory.spend_positive()
        self.world.outputs.positive = 1
        self.stages(7)
        self.world.outputs.precharge = 0
        self.stages(8)
        self.world.faults.column = 1

    def stop(self, precharge_mj=700, discharge_mj=800):
        """Down again, the bus proven dead."""
        self.world.outputs.positive = self.world.outputs.negative = 0
        self.world.outputs.discharge = 1
        self.stages(15, 16, ticks=7)
        self.world.faults.column = 0
        self.stages(17, 18, ticks=5)
        self.world.outputs.discharge = 0
        self.memory.prove_positive()
        self.memory.mark_dead(precharge_mj, discharge_mj)
        self.stages(0, ticks=1)

    def commission(self):
        self.note(NEW)
        self.tick(3)
        self.end(NEW)
        self.tick(60)

    def spoil(self, name, at=20, bit=1):
        content = bytearray((self.folder / name).read_bytes())
        content[at] ^= bit
        (self.folder / name).write_bytes(content)
        self.allowed_to_lose = True

    def spoil_page(self, n, at=40):
        self.spoil(f"journal{n // 16}", n % 16 * PAGE + at)


def without_flags(records):
    return {row: {name: value for name, value in record.items() if name != "flags"} for row, record in records.items()}


def readings(world):
    """Other ones in every tick; now and then one that is not valid."""
    t = world.faults.clock_ms
    i, o, th = world.inputs, world.outputs, world.thermal
    i.bus_mv, i.pack_mv = 300_000 + 7 * t % 90_000, 379_000 - 3 * t % 70_000
    i.current_ma, i.speed_mm_s = 12_345 - 11 * t % 60_000, 13 * t % 9_000
    i.isolation_ohm = 2_000_000 - 17 * t % 900_000
    i.isolation_state = t // 700 % 7 == 3
    i.current_state = t // 500 % 5 == 4
    i.speed_state = t // 300 % 6 == 5
    world.electrics.bus_ok = t // 800 % 6 != 5
    world.electrics.pack_ok = t // 600 % 8 != 7
    th.hottest_dc, th.coldest_dc = 250 + t // 20 % 90, 100 - t // 20 % 70
    th.inverter_dc, th.motor_dc = 400 - t // 40 % 300, 333 + t // 60 % 111
    th.valid = t // 1_000 % 4 != 2
    o.drive_limit_permille, o.charge_limit_permille = 1_000 - t // 20 % 500, t // 20 % 700
    world.switches.word = 1 + t // 20
    world.faults.measured[:] = [1_000 * row + t // 20 for row in range(ROWS)]


# Lives


def first_days(life):
    life.step("made")
    life.note(NEW)
    for _ in range(6):
        life.tick()
        life.step("not commissioned")
    life.power()
    life.step("still new")
    life.tick(40)
    life.step("a lock is folded")
    life.end(NEW)
    life.tick(2)
    life.step("commissioned")
    life.tick(40)
    life.power()
    life.step("not new any more")
    life.note(46)
    life.tick(30)
    life.power()
    life.end(46)
    life.tick(30)
    life.step("the meter check stands for the proof")
    life.power()
    life.step("the proof is kept")
    life.tick(30)
    life.power()
    life.step("a day without anything")


def drives(life):
    life.commission()
    life.memory.tell_time(100_000_000, life.world)
    for drive in range(4):
        life.start(1_000 + drive, 2_000 + drive)
        life.step("live")
        life.tick(150)
        life.note(HEALING, places=1 << drive)
        life.tick(3)
        life.world.gone(HEALING)
        life.tick(20)
        life.note(HEALING, KEYED, places=2)
        life.memory.count_under_load()
        life.memory.flats = drive
        life.tick(5)
        life.end(HEALING)
        life.tick(250)
        life.step("driven")
        life.world.faults.worst = 4 + drive % 3  # refusing keeps no strip
        life.note(57)
        life.tick(4)
        life.world.faults.worst = 0
        life.step("a reaction")
        life.stop(drive, 10 + drive)
        life.step("off")
        life.end(KEYED, 57)
        for _ in range(12):
            life.tick()
            life.step("folding")
        life.tick(30)
        life.step("folded")
        if drive % 2:
            life.power()
            life.step("the next day")
            life.note(KEYED)
            life.tick(30)
    life.note(79, 80)
    life.tick(40)
    life.step("three flat starts, and an inspection due")
    life.power()
    life.end(79, 80)
    life.tick(40)
    life.step("inspected")
    life.power()
    life.step("kept")


def cut_while_live(life):
    life.commission()
    life.start()
    life.note(CRASH, KEYED, 50)
    life.tick(1)
    life.step("one page of it")
    life.power()
    life.step("on again")
    life.start()
    life.note(CRASH, 61, 50, places=4)
    life.tick(8)
    life.power()
    life.step("all of it is there")
    life.tick(40)
    life.step("folded")
    life.end(CRASH, 61)
    life.tick(1)
    life.power()
    life.step("a lock ended just before the power went")
    life.memory.mark_dead(1, 2)
    life.tick(40)
    for steps in range(1, 14):
        life.note(KEYED, 50)
        life.world.faults.column, life.world.faults.worst = 1, 6
        life.tick(3)
        life.world.faults.column = life.world.faults.worst = 0
        life.tick(steps)
        life.power()
        life.step("the power went while folding")


def interrupted(life):
    """What comes while the journal is folded is not erased with it."""
    life.commission()
    for steps in range(12):
        life.world.phases.stage = 8
        life.note(KEYED, 51)
        life.tick(2)
        life.world.phases.stage = 0
        life.tick(steps)
        life.note(9 + steps)
        life.tick(steps % 3)
        life.world.phases.stage = 1
        life.tick(2)
        for output in ("positive", "negative", "precharge", "discharge"):
            life.world.phases.stage = 0
            setattr(life.world.outputs, output, 1)
            life.tick(1)
            setattr(life.world.outputs, output, 0)
        life.tick(1, room=False)
        life.step("begun")
        if steps % 4 == 3:
            life.power()
        life.tick(60)
        assert life.memory.idle()
        life.step("done")


def full(life):
    """Up to the pages that are kept for locks and marks, and past them."""
    life.commission()
    life.start()
    life.world.faults.worst = 5
    for k in range(70):
        life.note(HEALING, places=1 << k % 6)
        if k % 20 == 0:
            life.note(20 + k // 20)
        free = life.memory.journal.free
        life.tick(1)
        if free != life.memory.journal.free in (17, 16, 15, 9, 8):
            life.step("filling")
    assert life.memory.journal.free == 8
    life.world.faults.worst = 6
    life.tick(5)
    life.step("what heals waits, and so does the strip")
    for row in (CRASH, 18, 34, 79):
        life.note(row)
        life.tick(5)
        life.step("a lock still has room")
    assert life.memory.journal.free == 0
    life.note(45)
    life.tick(5)
    life.step("nothing has room")
    assert not life.memory.stored(45)
    life.stop()
    life.tick(80)
    life.step("all is folded in the end")
    life.power()
    life.step("and kept")
    life.start()
    for row in range(1, ROWS):
        life.note(row)
    life.tick(1)
    life.step("everything at once")
    life.tick(70)
    life.step("as much as there is room for")
    life.power()
    life.step("what was stored of it")
    life.tick(150)
    life.power()
    life.step("folded")


def cleared(life):
    life.commission()
    life.note(KEYED, LOCK, 57)
    life.tick(5)
    life.heard.append([life.memory.clear(row) for row in (KEYED, LOCK, 57, 3)])
    life.step("cleared, not yet stored")
    life.tick(1)
    life.step("one of them stored")
    life.tick(1)
    life.power()
    life.step("gone for good")
    life.note(KEYED)
    life.tick(60)
    life.heard.append([life.memory.clear(KEYED), life.memory.clear(KEYED)])
    life.note(KEYED)
    life.tick(60)
    life.step("again, from one on")
    life.memory.clear(KEYED)
    life.tick(60)
    life.step("an empty file")
    life.power()
    life.step("is no record")
    life.start()
    life.stop()
    life.tick(40)
    life.step("driven since")
    life.end(LOCK)
    life.tick(3)
    life.heard.append(life.memory.clear(LOCK))
    life.tick(40)
    life.power()
    life.step("the lock's record too")


def aging(life):
    life.commission()
    life.note(KEYED, LOCK, 57)
    life.tick(40)
    for cycle in range(44):
        life.power()
        if cycle == 20:
            life.note(57)
            life.tick(40)
        if cycle > 35:
            life.step("older")
        if cycle % 2:
            life.tick(3)
    life.end(LOCK)
    life.tick(40)
    life.power()
    life.step("a lock that ended ages as well")
    life.power()
    life.step("and is gone")


def drifting(life):
    """Isolation falls from drive to drive."""
    life.commission()
    for ohm in (4_000_000, 3_900_000, 3_800_000, 3_000_000, 2_500_000, 2_000_001, 1_900_000, 1_500_000):
        life.start()
        line = life.memory.log.line
        life.tick(30)
        line[2] = ohm
        life.stop()
        life.tick(40)
        life.power()
        life.step("driven")
    life.tick(40)
    for _ in range(45):
        life.power()
        life.note(57)
        life.tick(40)
    life.step("long ago")


def damaged(life):
    """One thing after another: files, pages, both copies."""
    life.commission()
    life.note(KEYED, LOCK, 51, 57)
    life.world.faults.column, life.world.faults.worst = 1, 6
    life.tick(60)
    names = sorted(path.name for path in life.folder.iterdir() if not path.name.startswith("journal"))
    for name in names:
        for at in (1, 5, 20, -1):
            if life.memory.raw(KEYED) is None:
                life.note(KEYED)
            life.note(51)
            life.tick(3)
            life.spoil(name, at)
            life.power()
            assert life.memory.damaged or name == "s00"  # a line that is lost is no news
            assert LOCK in life.memory.locked
            life.step(f"{name} damaged at {at}")
            life.tick(30)
    for name in names:
        for size in (0, 12, 13, 30):
            life.note(51)
            life.tick(3)
            (life.folder / name).write_bytes((life.folder / name).read_bytes()[:size])
            life.allowed_to_lose = True
            life.power()
            assert life.memory.damaged or name == "s00" or not size  # an empty file is one that was never written
            assert LOCK in life.memory.locked
            life.step(f"{name} cut off at {size}")
            life.tick(30)
    for name in names:
        (life.folder / name).unlink()
        life.allowed_to_lose = True
        life.power()
        life.step(f"{name} gone")
        life.tick(30)


def lost(life):
    """Both copies of something; a start in between, which only the journal knows of."""
    for pair in (("state1", "state2"), ("where1", "where2"), ("state1", "state2", "where1", "where2")):
        for live in (False, True):
            life.end(NEW)
            life.tick(40)
            life.memory.prove_positive()
            life.tick(40)
            if live:
                life.start()
                life.note(LOCK)
                life.tick(5)
            for name in pair:
                life.spoil(name)
            life.power()
            life.step(f"{pair} damaged, live {live}")
            life.memory.mark_dead(0, 0)
            life.note(KEYED)
            life.tick(60)
            life.power()
            life.step("next day")
            life.end(LOCK)
            life.tick(5)


def decayed(life):
    """Pages of the journal."""
    life.commission()
    for at in (0, 2, 3, 4, 9, 70, 120, 252):
        life.start()
        for row in (KEYED, 51, CRASH, LOCK):
            life.note(row)
            life.tick(3)
        last = life.memory.journal.at - 1
        life.spoil_page((last - at % 5) % 64, at)
        life.power()
        life.step(f"{at % 5} before the last, at {at}")
        life.memory.mark_dead(0, 0)
        life.end(CRASH, LOCK)
        life.tick(60)
    for block in range(4):
        life.spoil_page(16 * block, 3)
        life.power()
        life.step("an erase that was cut short")
        life.tick(10)
    for half in (1, 100, 255):
        n = life.memory.journal.at
        path = life.folder / f"journal{n // 16}"
        content = bytearray(path.read_bytes())
        content[n % 16 * PAGE : n % 16 * PAGE + half] = bytes(half)
        path.write_bytes(content)
        life.power()
        life.step("a page that the power cut in two")
        life.start()
        life.note(KEYED)
        life.tick(3)
        life.memory.mark_dead(0, 0)
        life.stages(0, ticks=40)


def weak(life):
    """Pages and blocks that do not hold what is written."""
    life.commission()
    flash = life.memory.flash
    life.start()

    def page(n):
        return ORDER[n // 16], n % 16 * PAGE

    for bad in ((0,), (0, 1), (0, 2)):
        flash.bad_pages |= {page((life.memory.journal.at + k) % 64) for k in bad}
        life.note(KEYED)
        for _ in range(4):
            life.tick()
            life.step("a page does not hold")
    flash.bad_pages.clear()
    life.stop()
    life.tick(60)
    life.step("written elsewhere")
    life.power()
    flash = life.memory.flash
    flash.bad_pages |= {page((life.memory.journal.at + k) % 64) for k in range(4)}
    life.world.phases.stage = 8
    life.note(KEYED)
    for _ in range(5):
        life.tick()
        life.step("three in a row do not hold")
    life.power()
    life.step("on again")
    life.memory.flash.bad_pages.add((ORDER[2], 0))
    life.world.phases.stage = 8
    for _ in range(40):
        life.note(KEYED)
        life.tick()
    life.world.phases.stage = 0
    life.tick(40)
    life.step("a block does not erase")
    life.power()
    life.step("on again, it does")


def foreign(life):
    """Another version was here."""
    life.commission()
    life.note(KEYED)
    life.tick(60)
    life.start()
    life.note(51)
    life.tick(5)
    page = life.memory.journal.at - 1
    was = {path.name: path.read_bytes() for path in life.folder.iterdir()}
    places = [(name, 0, len(was[name])) for name in ("state1", "state2", "where1", "where2", "c08", "s00")]
    for name, at, size in [*places, (f"journal{page // 16}", page % 16 * PAGE, PAGE)]:
        content = bytearray(was[name])
        content[at + 3] += 1  # the schema
        content[at + size - 4 : at + size] = struct.pack("<I", zlib.crc32(content[at : at + size - 4]))
        (life.folder / name).write_bytes(content)
        life.allowed_to_lose = True
        life.power()
        assert life.memory.foreign
        life.step(f"{name} is foreign")
        life.tick(5)
        assert (life.folder / name).read_bytes() == content
        life.step("left alone")
        for other, before in was.items():
            (life.folder / other).write_bytes(before)
        life.allowed_to_lose = True


LIVES = (
    first_days,
    drives,
    cut_while_live,
    interrupted,
    full,
    cleared,
    aging,
    drifting,
    damaged,
    lost,
    decayed,
    weak,
    foreign,
)


def lived(of, folder):
    life = Life(folder)
    of(life)
    return life.steps


@pytest.mark.parametrize("of", LIVES, ids=lambda of: of.__name__)
def test_a_whole_life_stores_and_tells_what_it_did_when_it_was_pinned(tmp_path, of):
    """And in each of its ticks what is called stored is there."""
    pinned = json.loads(PINS.read_text(encoding="utf-8"))
    for found, expected in zip(lived(of, tmp_path), pinned[of.__name__], strict=True):
        assert found == expected


def test_every_pinned_life_is_lived():
    assert list(json.loads(PINS.read_text(encoding="utf-8"))) == [of.__name__ for of in LIVES]


def main():
    """Pin anew."""
    found = {}
    for of in LIVES:
        with tempfile.TemporaryDirectory() as folder:
            found[of.__name__] = lived(of, Path(folder))
    PINS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
