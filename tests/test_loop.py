"""The loop on a board made of numbers: order, lateness, what ends it, and what is remembered over a reset (S11)."""

import pytest
from memory.desk_flash import DeskFlash
from policy.rig import device_build

from loopwarden import loop as L
from loopwarden import signals as S
from loopwarden.convert.raw import Raw
from loopwarden.memory.flash import FlashMemory
from loopwarden.memory.ram import RamMemory

TICK_US = 20_000
SAMPLE_US, STEP_US, DRIVE_US = 500, 1_500, 300


class Reset(Exception):
    """The board was reset: nothing comes back from it."""


class Board:
    """Time passes only as told. `does` is what happened, in order; `during` maps a part of the tick to what it does."""

    def __init__(self, scratch=None):
        self.us = 1_000
        self.scratch = self.marks = [0, 0, 0, 0] if scratch is None else scratch
        self.mark_at = 0
        self.does = []
        self.during = {}
        self.free = 150_000
        self.out = None

    def now_us(self):
        return self.us

    def diff_us(self, one, other):
        return one - other

    def after_us(self, us, more):
        return us + more

    def _do(self, name, us):
        self.does.append(name)
        self.us += us
        if name in self.during:
            self.during[name]()

    def sample(self, raw):
        assert isinstance(raw, Raw)
        raw.levels = S.STOP | S.COIL_FAULT | S.LAMP_FAULT | S.LOOPS
        self._do("sample", SAMPLE_US)

    def drive(self, outputs):
        self.out = outputs
        self._do("drive", DRIVE_US)

    def feed(self):
        self._do("feed", 0)

    def off(self):
        self._do("off", 0)

    def reset(self):
        self._do("reset", 0)
        raise Reset

    def sleep_us(self, us):
        self._do("wait", us)

    def heap_free(self):
        return self.free

    def collect(self):
        self._do("collect", 15_000)
        self.free = 180_000


def made(board=None, memory=None):
    board = board or Board()
    made_loop = L.Loop(board, device_build(), memory or RamMemory())
    board.does.clear()
    return made_loop


def spied(loop, take_us=STEP_US):
    """Steps are told to the board, and take time; returns the list of (dt, late) that they saw."""
    seen = []
    step = loop.supervisor.step

    def told_step(inputs, outputs, dt_ms):
        seen.append((dt_ms, inputs.late_ms))
        loop.board._do("decide", take_us)
        step(inputs, outputs, dt_ms)

    loop.supervisor.step = told_step
    return seen


def ticks(loop, n):
    for _ in range(n):
        loop.tick()
        loop.pace()


def test_a_tick_goes_in_its_order_and_waits_for_the_next():
    loop = made()
    spied(loop)
    work = loop.memory.work

    def told_work(*args):
        loop.board._do("store", 100)
        return work(*args)

    loop.memory.work = told_work
    ticks(loop, 2)
    assert loop.board.does == ["sample", "decide", "drive", "feed", "store", "wait"] * 2


def test_ticks_are_a_period_apart_and_the_milliseconds_add_up():
    loop = made()
    seen = spied(loop)
    begin = loop.board.us
    ticks(loop, 500)
    assert loop.board.us - begin == 500 * TICK_US
    assert all(late == 0 for _, late in seen)
    assert abs(sum(dt for dt, _ in seen) - 499 * 20) <= 1


def test_a_board_whose_clock_gives_odd_microseconds_loses_none():
    loop = made()
    seen = spied(loop, take_us=TICK_US + 333)  # always a little late
    begin = loop.board.us
    ticks(loop, 300)
    assert abs(sum(dt for dt, _ in seen) * 1000 - (loop.board.us - begin)) < 2 * TICK_US + 2_000


def test_a_late_tick_is_told_counted_in_full_and_not_caught_up():
    """The catch-up policy: none. Two ticks in one would give the policy a time that did not pass."""
    loop = made()
    seen = spied(loop)
    ticks(loop, 3)
    slow = iter([30_000])
    loop.board.during["decide"] = lambda: setattr(loop.board, "us", loop.board.us + next(slow, 0))
    begin = loop.board.us
    ticks(loop, 4)
    late = [entry for entry in seen[3:] if entry[1]]
    assert len(late) == 1
    assert late[0][1] == pytest.approx(30 - 20 + 3, abs=2)
    assert late[0][0] == pytest.approx(32, abs=2)
    assert loop.board.us - begin == pytest.approx(30_000 + 2_300 + 3 * TICK_US, abs=200)


def test_three_late_ticks_are_a_fault():
    loop = made()
    spied(loop, take_us=25_000)
    ticks(loop, 120)
    assert loop.supervisor.faults.places[68]


def test_a_stall_that_was_meant_is_not_late(tmp_path):
    """An erase in the off phase may take 400 ms; it is no overrun."""
    flash = DeskFlash(tmp_path)
    board = Board()
    loop = made(board, FlashMemory(flash, str(tmp_path)))
    seen = spied(loop)
    ioctl, open_us = flash.ioctl, 45_000

    def stalling(operation, n):
        if operation == 6:
            board.us += open_us
        return ioctl(operation, n)

    flash.ioctl = stalling
    before = flash.erases
    ticks(loop, 200)  # a new memory stores its lock, and folds
    assert flash.erases > before
    assert all(late == 0 for _, late in seen)
    assert max(dt for dt, _ in seen) > 40


def test_a_tick_that_already_was_late_stores_nothing():
    loop = made()
    spied(loop)
    rooms = []
    loop.memory.work = lambda supervisor, room=True: rooms.append(room) or False
    loop.board.during["decide"] = lambda: setattr(loop.board, "us", loop.board.us + 30_000)
    ticks(loop, 3)
    assert rooms == [True, False, False]


def test_where_rows_are_marked_storing_is_left_to_the_next_tick_but_not_for_ever():
    """So that a tick does not do all at once; a power mark that a start waits for is stored at once."""
    loop, rooms = made(), []
    loop.memory.work = lambda supervisor, room=True: rooms.append(room) or False
    marked = iter([0, 1, 0, 0, 1, 1, 1, 1, 1, 0])
    loop.supervisor.step = lambda *_: setattr(loop.supervisor.faults, "marked", next(marked))
    ticks(loop, 10)
    assert rooms == [True, False, True, True, False, False, False, True, False, True]
    marked = iter([1])
    loop.memory.mark_live(1, 1)
    ticks(loop, 1)
    assert rooms[10:] == [True]


def test_a_tick_that_stored_leaves_the_link_to_the_next():
    class Link:
        calls = 0

        def work(self, loop):
            self.calls += 1
            return False

    board, memory = Board(), RamMemory()
    loop = L.Loop(board, device_build(), memory, Link())
    spied(loop)
    ticks(loop, 3)
    loop.supervisor.faults.trip(62)
    calls = loop.link.calls
    ticks(loop, 1)
    assert 62 in [code["row"] for code in memory.codes()]
    assert loop.link.calls == calls
    ticks(loop, 1)
    assert loop.link.calls == calls + 1


@pytest.mark.parametrize("mark", [0, 1, 2, 4])
def test_the_watchdog_is_fed_only_when_every_stage_left_its_mark_in_order(mark):
    board, seen = Board(), []
    for name in ("sample", "drive"):
        board.during[name] = lambda: seen.append(board.marks[0] & 0xFF)
    loop = made(board)
    step = loop.supervisor.step
    loop.supervisor.step = lambda *given: seen.append(board.marks[0] & 0xFF) or step(*given)
    loop.tick()
    assert (seen, board.does) == ([1, 2, 3], ["sample", "drive", "feed"])
    board.during["drive"] = lambda: board.marks.__setitem__(0, mark)  # as a stage that ran wild over the marks
    loop.tick()
    assert board.does == ["sample", "drive", "feed", "sample", "drive"]


PARTS = ["sample", "decide", "drive", "store"]


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("error", [ValueError("x"), KeyboardInterrupt(), SystemExit(), MemoryError()])
def test_whatever_is_raised_outputs_go_off_first_then_a_code_then_a_reset(part, error):
    memory = RamMemory()
    loop = made(memory=memory)
    spied(loop)
    work, calls = memory.work, []

    def told_work(*args):
        if not calls:
            loop.board._do("store", 0)
        return work(*args)

    memory.work = told_work
    ticks(loop, 5)

    def blow_up():
        calls.append(1)
        raise error

    loop.board.during[part] = blow_up
    loop.board.does.clear()
    with pytest.raises(Reset):
        loop.run()
    assert loop.board.does[-2:] == ["off", "reset"]
    assert loop.board.does.count("off") == 1
    codes = {code["row"]: code for code in memory.codes()}
    assert 69 in codes
    assert (
        L.told(codes[69]["latest"]["measured"])[0]
        == dict(zip(PARTS, ("sampling", "deciding", "driving", "storing"), strict=True))[part]
    )


def test_what_blows_up_while_the_memory_looks_on_is_stored_at_once(tmp_path):
    """A part of a tick that is called again after it ended must still work then: a generator would not."""
    memory = FlashMemory(DeskFlash(tmp_path), str(tmp_path))
    loop = made(memory=memory)
    spied(loop)
    ticks(loop, 5)

    def blow_up(_):
        raise MemoryError

    memory.log._sample = blow_up
    with pytest.raises(Reset):
        loop.run()
    assert 69 in [code["row"] for code in memory.codes() if code["stored"]]
    assert loop.board.scratch[2] == 1


def test_when_storing_is_what_is_broken_the_reset_comes_all_the_same():
    loop = made()

    def broken(*_):
        raise OSError(5)

    loop.memory.work = broken
    with pytest.raises(Reset):
        loop.run()
    assert loop.board.does[-2:] == ["off", "reset"]


def test_a_tick_past_the_hold_time_with_a_contactor_closed_ends_the_program():
    """S11: the coil drive has let go by then; the code says so."""
    loop = made()
    seen = spied(loop)
    ticks(loop, 3)
    loop.outputs.negative = 1
    loop.board.during["drive"] = lambda: setattr(loop.board, "us", loop.board.us + 120_000)
    with pytest.raises(Reset):
        loop.run()
    assert loop.board.does[-2:] == ["off", "reset"]
    assert loop.outputs.negative == 0
    assert len(seen) == 4  # and nothing was decided after the one that took so long


def test_after_a_bite_of_the_watchdog_the_code_says_what_was_being_done():
    scratch = [0, 0, 0, 0]
    loop = made(Board(scratch))
    spied(loop)
    ticks(loop, 3)
    loop.board.during["decide"] = lambda: (_ for _ in ()).throw(Reset())  # hangs: nothing after it runs
    with pytest.raises(Reset):
        loop.tick()
    memory = RamMemory()
    again = made(Board(scratch), memory)
    assert L.told(again.before)[0] == "deciding"
    ticks(again, 2)
    assert 69 in [code["row"] for code in memory.codes()]
    assert again.ends == 1


def test_an_end_that_stored_its_code_is_not_counted_twice():
    scratch, memory = [0, 0, 0, 0], RamMemory()
    loop = made(Board(scratch), memory)
    loop.board.during["sample"] = lambda: 1 // 0
    with pytest.raises(Reset):
        loop.run()
    again = made(Board(scratch), memory)
    ticks(again, 3)
    assert [code["count"] for code in memory.codes() if code["row"] == 69] == [1]


def test_a_loop_of_resets_ends_with_nothing_decided_any_more():
    """Three in a row: outputs off, no heartbeat, until the power is taken away."""
    scratch = [0, 0, 0, 0]
    for n in range(3):
        loop = made(Board(scratch))
        assert not loop.held, n
        loop.board.during["sample"] = lambda: 1 // 0
        with pytest.raises(Reset):
            loop.run()
    held = made(Board(scratch))
    assert held.held
    ticks(held, 50)
    assert held.supervisor is None
    out = held.board.out
    assert (out.heartbeat, out.positive, out.negative, out.precharge, out.discharge) == (0, 0, 0, 0, 0)
    assert out.lamp_hv
    assert not made(Board([0, 0, 0, 0])).held  # power taken away


def test_ten_quiet_minutes_forget_the_ends():
    scratch = [0, 0, 0, 0]
    loop = made(Board(scratch))
    loop.board.during["sample"] = lambda: 1 // 0
    with pytest.raises(Reset):
        loop.run()
    again = made(Board(scratch))
    assert again.ends == 1
    ticks(again, 10 * 60 * 50 + 50)
    assert again.ends == scratch[1] == 0


def test_a_reset_that_is_meant_does_not_count():
    scratch = [0, 0, 0, 0]
    loop = made(Board(scratch))
    ticks(loop, 3)
    with pytest.raises(Reset):
        loop.service()
    assert loop.board.does[-2:] == ["off", "reset"]
    assert scratch[3] == L.SERVICE
    again = made(Board(scratch))
    assert (again.ends, again.before) == (0, 0)


def test_the_heap_is_collected_only_at_rest():
    loop = made()
    spied(loop)
    loop.board.free = 50_000
    ticks(loop, 60)
    assert loop.board.does.count("collect") == 1
    assert loop.inputs.heap_free == 180_000
    loop.board.free = 50_000
    loop.supervisor.phases.stage = 8
    loop.supervisor.step = lambda *_: None
    ticks(loop, 120)
    assert loop.board.does.count("collect") == 1
    assert loop.inputs.heap_free == 50_000
    loop.supervisor.phases.stage = 1  # key on, nothing started: a board behind a hold relay knows no other rest
    loop.board.free = 50_000
    ticks(loop, 60)
    assert loop.board.does.count("collect") == 2
    loop.board.free = 50_000
    loop.supervisor.phases.stage = 0
    loop.outputs.discharge = 1
    ticks(loop, 120)
    assert loop.board.does.count("collect") == 2


def test_the_link_gets_the_time_that_is_left_and_no_more():
    class Chatty:
        def __init__(self):
            self.calls = 0

        def work(self, loop):
            self.calls += 1
            loop.board.us += 400
            return True

    board = Board()
    loop = L.Loop(board, device_build(), RamMemory(), Chatty())
    spied(loop)
    begin = board.us
    ticks(loop, 100)
    assert board.us - begin < 100 * TICK_US + 1_000
    assert loop.link.calls > 100 * 30
    assert loop.late_ms <= 1
    loop.link.calls = 0
    loop.supervisor.phases.stage = 8  # live: one piece of work a tick, whatever the host does (S15)
    loop.supervisor.step = lambda *_: None
    ticks(loop, 50)
    assert loop.link.calls == 50


def test_where_every_tick_is_late_what_waits_is_stored_all_the_same(tmp_path):
    """S8: a board that cannot keep up must not forget a crash."""
    memory = FlashMemory(DeskFlash(tmp_path), str(tmp_path))
    loop = made(memory=memory)
    spied(loop, take_us=25_000)
    ticks(loop, 10)
    loop.supervisor.faults.trip(62)
    ticks(loop, 60)
    assert memory.stored(62)


def test_a_second_end_in_one_power_cycle_counts():
    scratch, memory = [0, 0, 0, 0], RamMemory()
    for _ in range(2):
        loop = made(Board(scratch), memory)
        loop.board.during["sample"] = lambda: 1 // 0
        with pytest.raises(Reset):
            loop.run()
    assert [code["count"] for code in memory.codes() if code["row"] == 69] == [2]


def test_a_code_that_could_not_be_stored_at_the_end_is_told_at_the_next_start():
    scratch, memory = [0, 0, 0, 0], RamMemory()
    memory.stored = lambda row: False
    loop = made(Board(scratch), memory)
    loop.board.during["sample"] = lambda: 1 // 0
    with pytest.raises(Reset):
        loop.run()
    assert scratch[2] == 0
    again = RamMemory()
    made(Board(scratch), again)
    assert 69 in [code["row"] for code in again.codes()]


def test_when_even_switching_off_fails_the_reset_comes():
    """A second Ctrl-C may fall anywhere."""
    loop = made()
    loop.board.during["sample"] = lambda: 1 // 0
    loop.board.during["off"] = lambda: (_ for _ in ()).throw(KeyboardInterrupt())
    with pytest.raises(Reset):
        loop.run()
    assert loop.board.does[-1] == "reset"


def test_what_fails_while_the_loop_is_made_ends_off_and_in_a_reset():
    class Broken(RamMemory):
        def begin(self, feed=None):
            raise MemoryError("no store")

    scratch = [0, 0, 0, 0]
    for _ in range(3):
        board = Board(scratch)
        with pytest.raises(Reset):
            L.start(board, device_build(), Broken(), None, lambda error, board=board: board.does.append(str(error)))
        assert board.does == ["off", "no store", "reset"]
    assert made(Board(scratch), Broken()).held  # and not for ever


def test_a_bite_before_the_first_storing_leaves_its_code_at_the_next_start():
    """Or three of them would end in silence."""
    scratch, memory = [0, 0, 0, 0], RamMemory()
    for _ in range(2):
        loop = made(Board(scratch), memory)
        loop.board.during["sample"] = lambda: (_ for _ in ()).throw(Reset())
        with pytest.raises(Reset):
            loop.tick()
    made(Board(scratch), memory)
    assert 69 in [code["row"] for code in memory.codes()]


def test_what_the_clock_itself_takes_is_not_lost():
    """Fifteen microseconds a call would be 27 s an hour at fifty ticks a second."""
    board = Board()
    plain = board.now_us

    def slow_clock():
        board.us += 15
        return plain()

    loop = made(board)
    board.now_us = slow_clock
    seen = spied(loop)
    begin = board.us
    ticks(loop, 500)
    assert abs(sum(dt for dt, _ in seen) * 1000 - (board.us - begin)) < 2 * TICK_US


def test_a_coil_test_has_its_turn_after_the_decision_and_before_the_outputs():
    """S15: whatever the supervisor decides in a tick, the test sees it before a pin does."""
    loop = made()
    spied(loop)

    class Tried:
        def step(self, dt_ms):
            loop.board.does.append(("tried", dt_ms))

    ticks(loop, 1)
    assert loop.coil_test is None
    assert [what for what in loop.board.does if what[0] == "tried"] == []
    loop.coil_test = Tried()
    loop.board.does.clear()
    ticks(loop, 1)
    does = loop.board.does
    assert does.index("decide") < does.index(("tried", 20)) < does.index("drive")
