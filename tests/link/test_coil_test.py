"""The coil test (S15): each condition refuses it, each change ends it in the same tick, 2 s, one coil, lamps, a log.

The desk's plant has a heartbeat gate of its own: it lets go when no edge came within the build's hold time.
"""

import json
import random
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest
from policy.rig import Rig, device_build, device_values
from policy.tick_frames import too_large

import loopwarden
from loopwarden import coil_test as C
from loopwarden import signals as S
from loopwarden.policy.phases import READY
from micropython_runs.runners import run_unix, run_wasm

from .desk import Desk

TRUCK, CART = "orchard_truck", "bench_cart"
TEST_MS = 2000  # the promise's own number
HOLD_MS = 100  # both shipped builds
ROW = 81


class Gate:
    """In front of the coils of a plant: they follow the outputs only while the heartbeat changes."""

    def __init__(self, plant, hold_ms):
        self.hold_ms, self.beat, self.age_ms = hold_ms, None, 0
        self.advance, plant.advance = plant.advance, self.through

    def through(self, out, dt_ms):
        self.age_ms = 0 if out.heartbeat != self.beat else self.age_ms + dt_ms
        self.beat = out.heartbeat
        if self.age_ms > self.hold_ms:
            out = SimpleNamespace(**{**vars(out), "positive": 0, "negative": 0, "precharge": 0, "discharge": 0})
        self.advance(out, dt_ms)


class TestDesk(Desk):
    """Nothing connected, switch in TEST, dead for longer than 10 s. `seen`: per tick, coils on, lamp and heartbeat."""

    __test__ = False

    def __init__(self, name=TRUCK, hold_ms=HOLD_MS, key=1, **changes):
        rig = Rig(device_build(name, **changes), pack_v=0.0)
        Gate(rig.plant, hold_ms)
        super().__init__(rig)
        self.seen = []
        self.then = lambda tick: None  # what happens to the world in a tick of the test
        rig.recorder = self.record
        rig.key, rig.service = key, 1
        rig.run(12_000)
        self.seen.clear()

    def record(self, rig):
        if self.loop.coil_test:
            self.loop.coil_test.step(rig.dt)
        on = tuple(sorted(rig.commanded))
        self.seen.append((on, rig.out.lamp_hv, rig.out.heartbeat))
        if on:
            self.then(sum(bool(one[0]) for one in self.seen))

    @property
    def on(self):
        return [coils for coils, _, _ in self.seen if coils]


@pytest.mark.parametrize("key", [0, 1])
@pytest.mark.parametrize("coil", C.COILS)
def test_one_coil_is_on_for_two_seconds_with_the_lamps_lit_and_nothing_else(coil, key):
    desk = TestDesk(key=key)
    answer = desk.ask(f"coil {coil}", ticks=400)
    assert [shown["kind"] for shown in answer] == ["coil", "end"]
    assert desk.on == [(coil,)] * (TEST_MS // 20)
    lit = [lamp for coils, lamp, _ in desk.seen if coils]
    assert all(lit)
    beats = [beat for _, _, beat in desk.seen]
    assert all(a != b for a, b in pairwise(beats))
    assert answer[0]["name"] == coil
    assert answer[0]["on_ms"] == TEST_MS
    assert desk.rig.commanded == set()
    assert desk.loop.coil_test is None
    desk.rig.run(100)
    assert desk.rig.out.lamp_hv == 0  # it was dead all along


@pytest.mark.parametrize("coil", C.COILS)
def test_every_test_is_logged_as_its_own_row_with_the_coil_for_its_place(coil):
    desk = TestDesk()
    for count in (1, 2):
        desk.ask(f"coil {coil}", ticks=400)
        desk.rig.run(40)
        [record] = [code for code in desk.rig.memory.codes() if code["row"] == ROW]
        assert (record["count"], record["present"]) == (count, False)
        assert record["latest"]["commands"] == 1 << C.COILS.index(coil)  # 1 positive, 2 negative, 4, 8
        assert record["places"] == 1 << C.COILS.index(coil)
        assert "COIL_TESTED" not in desk.rig.faults
    assert f"{coil}" in desk.type("faults coil tested")


def test_contacts_are_told_before_during_and_after():
    """The tiny plant's contacts travel for the build's close_time and release_time, 30 and 40 ms: whole ticks of 20."""
    for coil in ("positive", "negative"):
        answer = TestDesk().ask(f"coil {coil}", ticks=400)[0]
        assert (answer["before"], answer["during"], answer["after"]) == (0, 1, 0)
        assert (answer["closed_ms"], answer["opened_ms"]) == (40, 40)
        assert answer["coil_fault"] == 0
    for coil in ("precharge", "discharge"):  # no feedback contact
        answer = TestDesk().ask(f"coil {coil}", ticks=400)[0]
        assert [answer[name] for name in ("before", "during", "after", "closed_ms", "opened_ms")] == [None] * 5


def test_a_coil_that_does_not_move_is_told():
    desk = TestDesk()
    desk.rig.plant.negative.stuck = True
    answer = desk.ask("coil negative", ticks=400)[0]
    assert (answer["before"], answer["during"], answer["after"]) == (0, 0, 0)
    assert answer["closed_ms"] is None


def test_a_driver_that_differs_from_its_command_is_told():
    desk = TestDesk()
    desk.then = lambda tick: setattr(desk.rig, "coil_fault", int(tick > 10))
    assert desk.ask("coil precharge", ticks=400)[0]["coil_fault"] == 1


def hold(**values):
    return lambda rig: rig.held.update(values)


def world(**values):
    return lambda rig: [setattr(rig, name, value) for name, value in values.items()]


DEAD_MV = device_build().dead_mv
# What makes a coil impossible, and words of the reason.
AGAINST = {
    "switch in RUN": (world(service=0), "service input"),
    "switch unreadable": (world(unreadable=S.SERVICE), "service input"),
    "start pressed": (world(start=1), "start button"),
    "emergency stop": (world(stop=1), "emergency stop"),
    "emergency stop unreadable": (world(unreadable=S.STOP), "emergency stop"),
    "crash": (world(crash=1), "crash"),
    "hard loop open": (world(loops=0b110), "hard loop"),
    "bus at the dead level": (hold(bus_mv=DEAD_MV), "bus is not proven dead"),
    "bus unreadable": (hold(bus_mv=None, bus_state=S.OPEN), "bus is not proven dead"),
    "pack at the dead level": (hold(pack_mv=DEAD_MV), "pack side"),
    "pack unreadable": (hold(pack_mv=None, pack_state=S.OPEN), "pack channel"),
    "pack without a value": (hold(pack_mv=None), "pack channel"),
    "pack below nothing": (hold(pack_mv=-device_build().noise_mv - 1), "pack channel"),
    "power mark live": (lambda rig: setattr(rig.memory, "want", 1), "bus is not proven dead"),
    "another coil": (lambda rig: setattr(rig.out, "negative", 1), "output is on"),
    "an enable": (lambda rig: setattr(rig.out, "inverter_enable", 1), "output is on"),
    "a limit": (lambda rig: setattr(rig.out, "hv_loads_enable", 1), "output is on"),
    "memory failed": (lambda rig: setattr(rig.memory, "failed", True), "fault memory"),
    "journal nearly full": (lambda rig: setattr(rig.memory, "nearly_full", True), "fault memory"),
    "memory not ready": (lambda rig: setattr(rig.memory, "ready", False), "fault memory"),
}


@pytest.mark.parametrize("hold_it", ["", " hold"])
@pytest.mark.parametrize("why", AGAINST)
def test_each_condition_refuses_with_its_reason(why, hold_it):
    desk = TestDesk()
    change, words = AGAINST[why]
    change(desk.rig)
    desk.rig.run(40)
    desk.seen.clear()
    answer = desk.ask("coil precharge" + hold_it, ticks=400)
    assert [shown["kind"] for shown in answer] == ["error"]
    assert answer[0]["error"].startswith("no coil test: ")
    assert words in answer[0]["error"]
    assert len(answer[0]["error"]) <= 80
    assert not [coils for coils in desk.on if "precharge" in coils]
    assert ROW not in [code["row"] for code in desk.rig.memory.codes()]


@pytest.mark.parametrize("at", [1, 2, 30, 54])  # in the first tick, in a later one, with the heartbeat stopped
@pytest.mark.parametrize("why", AGAINST)
def test_whatever_changes_ends_it_in_the_same_tick(why, at):
    """`then` acts after tick `at` of the test; the tick that sees it has the coil off again, before the pins do."""
    desk = TestDesk()
    change, _ = AGAINST[why]
    desk.then = lambda tick: change(desk.rig) if tick == at and desk.loop.coil_test else None
    answer = desk.ask("coil positive hold", ticks=400)
    assert answer[-1]["kind"] == "error"
    assert answer[-1]["error"].startswith("ended early: ")
    # The power mark is the memory's: wanted in this tick, it is there in the next, as with a start.
    assert len([coils for coils in desk.on if "positive" in coils]) == at
    assert desk.loop.coil_test is None


def test_a_key_that_starts_something_ends_it():
    desk = TestDesk()

    def start(tick):
        if tick == 20:
            desk.rig.sup.phases.enter(2)  # as if a start had passed its checks

    desk.then = start
    assert "something is started" in desk.ask("coil discharge", ticks=400)[-1]["error"]
    assert len(desk.on) == 20


def test_neither_live_nor_soon_after():
    desk = Desk(Rig().go_live())
    desk.rig.service = 1
    desk.rig.run(100)
    assert "something is started" in desk.ask("coil discharge", ticks=100)[-1]["error"]
    desk = TestDesk()
    desk.rig.held = {"bus_mv": DEAD_MV}
    desk.rig.run(20)
    desk.rig.held = {}
    desk.rig.run(9_900)
    assert "not proven dead" in desk.ask("coil discharge", ticks=100)[-1]["error"]
    desk.rig.run(200)
    assert desk.ask("coil discharge", ticks=400)[-1]["kind"] == "end"


def test_a_program_that_was_stopped_tests_nothing():
    desk = TestDesk()
    desk.loop.supervisor = None
    desk.loop.held = True
    assert "not while the program is stopped" in desk.ask("coil positive")[-1]["error"]


@pytest.mark.parametrize("dt_ms", [1, 7, 20, 21, 33, 50, 100])
def test_two_seconds_are_never_passed_however_long_a_tick_takes(dt_ms):
    """On from the tick that commands it to the one that takes it back; only one longer than the build's passes them."""
    desk = TestDesk()
    test = desk.loop.coil_test = C.CoilTest(desk.loop, 3, False)
    test.step(dt_ms)
    assert desk.rig.commanded == {"discharge"}
    on_ms = 0
    while desk.rig.commanded:
        on_ms += dt_ms
        test.step(dt_ms)
    assert on_ms == test.on_ms
    assert TEST_MS - max(dt_ms, 20) <= on_ms <= TEST_MS + max(dt_ms - 20, 0)


def test_no_second_one_before_the_first_has_let_go():
    """S6: for the release time of a contactor nothing else is commanded."""
    desk = TestDesk()
    desk.loop.coil_test = C.CoilTest(desk.loop, 0, False)
    assert "another one has not ended yet" in desk.ask("coil discharge")[-1]["error"]
    desk = TestDesk()
    desk.ask("coil positive", ticks=400)
    last = max(n for n, (coils, _, _) in enumerate(desk.seen) if coils)
    assert (len(desk.seen) - 1 - last) * 20 >= device_build().release_ms


@pytest.mark.parametrize("gate_ms", [40, 60, 100])
@pytest.mark.parametrize("coil", ["positive", "negative"])
def test_hold_measures_from_the_last_edge_to_the_contact_that_reports_open(coil, gate_ms):
    """The plant's own: gate, then the build's release_time of 40 ms; both seen once a tick of 20 ms."""
    desk = TestDesk(hold_ms=gate_ms)
    answer = desk.ask(f"coil {coil} hold", ticks=400)[0]
    assert gate_ms + 40 <= answer["held_ms"] <= gate_ms + 40 + 2 * 20
    assert (answer["release_ms"], answer["heartbeat_hold_ms"], answer["seen"]) == (40, HOLD_MS, 1)
    beats = [beat for coils, _, beat in desk.seen if coils]
    edges = sum(a != b for a, b in pairwise(beats))
    assert edges == 1000 // 20 - 1  # for 1 s, and then none
    on_ms = answer["on_ms"]
    assert on_ms <= 1000 + answer["held_ms"]


def test_a_gate_that_holds_for_ever_ends_after_half_a_second():
    desk = TestDesk(hold_ms=10_000)
    answer = desk.ask("coil positive hold", ticks=400)[0]
    assert (answer["held_ms"], answer["seen"]) == (None, 1)
    assert len(desk.on) * 20 <= 1000 + 500
    assert desk.rig.commanded == set()
    assert "ITS CONTACT STAYED CLOSED" in TestDesk(hold_ms=10_000).type("coil positive hold", ticks=400)


def test_a_build_without_feedback_says_that_the_board_cannot_see_it():
    desk = TestDesk(CART)
    answer = desk.ask("coil negative hold", ticks=400)[0]
    assert (answer["held_ms"], answer["seen"]) == (None, 0)
    assert "the board cannot see this coil let go" in TestDesk(CART).type("coil precharge hold", ticks=400)


def test_the_drivers_line_may_tell_for_a_coil_without_a_contact():
    desk = TestDesk(hold_ms=80)
    plant = desk.rig.plant
    desk.then = lambda tick: setattr(desk.rig, "coil_fault", int(not plant.precharge.command and tick > 10))
    assert 80 <= desk.ask("coil precharge hold", ticks=400)[0]["held_ms"] <= 80 + 3 * 20


def test_hold_needs_a_contact_that_closed():
    desk = TestDesk()
    desk.rig.plant.positive.stuck = True
    assert "did not report closed" in desk.ask("coil positive hold", ticks=400)[-1]["error"]
    assert len(desk.on) * 20 == 1000


def test_the_proof_of_the_positive_pole_is_spent():
    """It holds until positive is commanded closed again."""
    for coil, left in (("negative", True), ("positive", False)):
        desk = TestDesk()
        assert desk.rig.memory.positive_proven
        desk.ask(f"coil {coil}", ticks=400)
        assert desk.rig.memory.positive_proven is left


def test_a_dead_pack_heats_no_resistor():
    """Nothing flowed; a start afterwards needs no wait for it."""
    desk = TestDesk()
    desk.ask("coil precharge", ticks=400)
    r = desk.rig.sup.resistors
    desk.rig.run(1_000)
    assert (r.precharge_mj, r.doubt_mj) == (0, 0)


@pytest.mark.parametrize("unreadable", [0, S.SERVICE])
def test_no_start_while_the_service_input_is_high_or_unread(unreadable):
    rig = Rig().wake().turn_key()
    rig.service, rig.unreadable = int(not unreadable), unreadable
    rig.press_start().run(3_000)
    assert rig.commanded == set()
    assert rig.phase == "checking"
    desk = Desk(rig)
    assert "Start waits" in desk.type("why start")
    rig.service = rig.unreadable = 0
    rig.press_start()
    rig.until(lambda r: r.phase == "live", 5_000)


def test_the_discharge_coil_is_there_only_where_the_build_has_one():
    assert "no discharge coil" in TestDesk(discharge_kind=2).ask("coil discharge")[-1]["error"]
    assert "no discharge coil" in TestDesk(discharge_kind=1).ask("coil discharge")[-1]["error"]


@pytest.mark.parametrize("line", ["coil", "coil hold", "coil main", "coil positive hold now", "coil positive negative"])
def test_a_coil_that_is_not_named_rightly_is_asked_for_again(line):
    desk = TestDesk()
    assert desk.type(line).startswith("which coil? ")
    assert desk.on == []


def test_pages_for_people_fit_the_screen():
    for name in (TRUCK, CART):
        for line in ("coil positive", "coil positive hold", "coil precharge hold"):
            page = TestDesk(name).type(line, ticks=400)
            assert max(map(len, page.splitlines())) <= 80, page
            assert page.startswith(line.split()[1])


def test_a_console_gone_wild_gets_no_coil_without_the_switch():
    """Every line is a coil test, whole or damaged; the switch is in RUN."""
    source = random.Random(1)
    desk = TestDesk()
    desk.rig.service = 0
    desk.rig.run(20)
    for _ in range(400):
        line = bytearray(f"coil {source.choice(C.COILS)}{source.choice(('', ' hold'))}".encode())
        for _ in range(source.randrange(3)):
            line[source.randrange(len(line))] = source.randrange(256)
        desk.port.into += line + b"\r"
        desk.settle(4)
        desk.rig.tick()
    assert len(desk.seen) > 400
    assert desk.on == []
    assert desk.rig.sup.phases.stage <= READY


def test_no_function_of_its_tick_takes_its_frame_from_the_heap():
    assert too_large(Path(C.__file__)) == {}


@pytest.mark.parametrize("run", [run_wasm, run_unix], ids=["32 bit", "64 bit"])
def test_no_tick_of_it_takes_from_the_heap(run):
    script = (Path(__file__).parent / "guest" / "coil_heap.py").read_text(encoding="utf-8")
    files = {"build.json": json.dumps(device_values(TRUCK)).encode()}
    answer = run(script, path=[Path(loopwarden.__file__).parents[1]], files=files)
    seen = json.loads(answer if isinstance(answer, str) else answer.stdout)
    assert {name: heap for name, (heap, _, _) in seen.items() if heap} == {}
    assert all(on_ms == TEST_MS for name, (_, on_ms, _) in seen.items() if "hold" not in name)
    assert all(100 <= held_ms <= 500 for name, (_, _, held_ms) in seen.items() if "hold" in name)
