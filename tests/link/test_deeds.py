"""Clear, acknowledge, time, service: deliberate, refused with a reason, never without the wired button for a lock."""

from datetime import UTC, datetime

import pytest
from policy.rig import ID_OF, Rig

from .desk import Desk

CRASH = ID_OF["CRASH"]


def crashed():
    """Off and proven dead again after a crash, its signal gone: a lock stands."""
    rig = Rig().go_live()
    rig.crash = 1
    rig.run(200)
    rig.crash = 0
    rig.key = 0
    rig.until(lambda r: r.phase == "locked out" and not r.memory.mark, 200_000)
    return Desk(rig.run(12_000))


def healed():
    """Off and proven dead; a coolant stop is past and stored."""
    rig = Rig().go_live()
    rig.coolant = 0
    rig.until(lambda r: "COOLANT_STOPPED" in r.faults, 20_000)
    rig.coolant = 1
    rig.until(lambda r: not r.faults, 60_000)
    rig.key = 0
    rig.until(lambda r: r.phase == "off" and not r.memory.mark, 200_000)
    return Desk(rig.run(12_000))


def press(desk, ticks=10):
    """The button, pressed and let go once the console waits for it."""
    rig = desk.rig
    tick = rig.tick
    left = [ticks]

    def pressed():
        left[0] -= 1
        rig.ack = int(0 < left[0] < 5)
        tick()

    rig.tick = pressed


def test_a_plain_code_is_cleared_when_off_and_dead():
    desk = healed()
    assert desk.rig.stored == {"COOLANT_STOPPED"}
    assert desk.type("clear coolant stopped") == "coolant stopped: cleared\n"
    assert desk.rig.stored == set()
    assert "nothing is stored of it" in desk.type("clear coolant stopped")
    assert desk.type("faults").startswith("No codes, and no fault is active.\n")


def test_nothing_is_cleared_while_live():
    desk = Desk(Rig().go_live())
    desk.rig.coolant = 0
    desk.rig.run(8_000)
    for command in ("clear coolant stopped", "clear all"):
        assert desk.type(command) == "not cleared: only while nothing is started and every contactor is off\n"
        assert desk.ask(command)[-1]["kind"] == "error"
    assert "COOLANT_STOPPED" in desk.rig.stored


def test_a_fault_that_is_there_is_not_silenced():
    desk = healed()
    desk.rig.coolant = 1
    desk.rig.zones_dc = [-100] * len(desk.rig.zones_dc)
    desk.rig.run(5_000)
    assert "PACK_COLD" in desk.rig.faults
    assert "still active" in desk.type("clear pack cold")
    answer = desk.type("clear all", ticks=100)
    assert "coolant stopped: cleared" in answer
    assert "pack cold: stays: still active" in answer
    assert "not everything was cleared, see above" in answer
    assert "PACK_COLD" in desk.rig.faults


def test_a_lock_needs_the_button_and_says_so():
    desk = crashed()
    press(desk)
    answer = desk.type("clear crash", ticks=1_000)
    assert answer.splitlines() == [
        "crash: press the wired acknowledge button now, within 10 s",
        "crash: done; its record stays, and may be cleared as any other",
    ]
    assert CRASH not in desk.rig.memory.locked
    assert desk.type("clear crash", ticks=10) == "crash: cleared\n"


def test_a_lock_without_the_button_stays():
    desk = crashed()
    answer = desk.ask("acknowledge P1A3E", ticks=1_000)
    assert [shown["kind"] for shown in answer] == ["asked", "error"]
    assert answer[0]["row"] == CRASH
    assert "press the wired acknowledge button now" in answer[0]["what"]
    assert "the button was not pressed within 10 s" in answer[1]["error"]
    assert CRASH in desk.rig.memory.locked


def test_a_lock_whose_condition_is_there_stays():
    desk = crashed()
    desk.rig.crash = 1
    desk.rig.run(200)
    press(desk)
    assert "its condition is still there" in desk.type("clear crash", ticks=1_000)
    assert CRASH in desk.rig.memory.locked


def test_clear_all_leaves_what_needs_the_button():
    desk = crashed()
    answer = desk.type("clear all", ticks=10)
    assert "crash: stays: clear it by itself, it needs the button" in answer
    assert CRASH in desk.rig.memory.locked


def test_what_waits_for_no_button_is_not_acknowledged():
    desk = healed()
    assert "nothing waits for an acknowledgement" in desk.type("acknowledge coolant stopped")


@pytest.mark.parametrize("held", [{"bus_mv": 80_000}, {"bus_mv": None, "bus_state": 3}])
@pytest.mark.parametrize("command", ["clear crash", "acknowledge crash"])
def test_a_live_bus_refuses_everything(held, command):
    desk = crashed()
    desk.rig.held = held
    desk.rig.run(200)
    for asked in ("clear all", "service"):
        assert "the bus is not proven dead yet" in desk.type(asked), asked
    press(desk)
    assert "the bus is not proven dead" in desk.type(command, ticks=1_000)
    assert CRASH in desk.rig.memory.locked
    assert desk.served == 0


def test_a_key_that_is_on_keeps_nobody_from_clearing():
    """A board behind a hold relay has its supply through the key."""
    desk = healed()
    desk.rig.key = 1
    desk.rig.run(3_000)
    assert desk.rig.phase == "checking"
    assert desk.type("clear coolant stopped") == "coolant stopped: cleared\n"
    assert "resets into service" in desk.type("service")


def test_service_when_off_and_dead_and_stored():
    desk = healed()
    desk.rig.memory.waits = lambda: True
    assert "still storing" in desk.type("service")
    del desk.rig.memory.waits
    desk.rig.memory.mark = 1
    assert "not proven dead" in desk.type("service")
    desk.rig.memory.mark = 0
    assert desk.served == 0
    assert "resets into service" in desk.type("service")
    assert desk.served == 1


def test_what_resets_the_board_is_not_taken_for_a_failed_answer():
    desk = healed()

    def reset():
        raise RuntimeError("reset")

    desk.loop.service = reset
    desk.port.into += b"service\r"
    with pytest.raises(RuntimeError, match="reset"):
        desk.settle()


@pytest.mark.parametrize("coil", ["positive", "negative", "precharge", "discharge"])
def test_no_service_with_a_coil_on(coil):
    desk = healed()
    setattr(desk.rig.out, coil, 1)
    assert "only while nothing is started and every contactor is off" in desk.type("service")
    assert desk.served == 0


def test_conditions_are_looked_at_again_when_the_answer_is_out():
    desk = healed()
    desk.port.into += b"service\r"
    while desk.console.out.at >= desk.console.out.end or b"resets" not in desk.console.out.buffer:
        desk.console.work(desk.loop)
    desk.rig.memory.mark = 1
    desk.settle()
    assert desk.served == 0


def test_the_time_of_day_that_a_host_tells_dates_what_comes_after_it():
    """Reference for the date: Python's own datetime."""
    desk = Desk(Rig().go_live())
    desk.rig.coolant = 0
    desk.rig.run(8_000)
    desk.rig.run(8_000)
    told_s = 1_767_225_600
    assert desk.ask(f"time {told_s}") == [{"kind": "end", "lines": 0}]
    begin_ms = desk.rig.t_ms
    desk.rig.isolation_ohm = 100_000
    desk.rig.until(lambda rig: "ISOLATION_FAULT" in rig.stored, 20_000)
    frames = [shown for shown in desk.ask("faults isolation fault") if shown["kind"] == "frame"]
    passed_s = (desk.rig.t_ms - begin_ms) // 1000
    assert all(told_s <= frame["wall_s"] <= told_s + passed_s + 1 for frame in frames)
    page = desk.type("faults isolation fault")
    shown = datetime.fromtimestamp(frames[0]["wall_s"], UTC)
    assert f"time of day     {shown:%Y-%m-%d %H:%M} UTC" in page
    frames = [shown for shown in desk.ask("faults coolant stopped") if shown["kind"] == "frame"]
    assert [frame["wall_s"] for frame in frames] == [None, None]  # it came before
    assert "time of day     not told" in desk.type("faults coolant stopped")


def test_a_time_of_day_is_ten_digits_from_2020_on():
    desk = healed()
    assert desk.ask("time 1577836800") == [{"kind": "end", "lines": 0}]
    for wrong in (
        "time",
        "time 12",
        "time 17672256000",
        "time 0000000001",
        "time 1577836799",
        "time -767225600",
        "time 1e9",
    ):
        assert desk.ask(wrong)[-1]["kind"] == "error", wrong


def test_a_command_that_takes_nothing_refuses_what_follows_it():
    """Somebody who wants to read about service must not get it."""
    desk = healed()
    for command in ("service help", "status all", "storage now"):
        assert desk.type(command) == "it takes nothing after its name\n"
        assert desk.ask(command)[-1]["kind"] == "error"
    assert desk.served == 0


def test_what_is_not_stored_yet_is_not_called_cleared():
    """S8: a power cut would bring it back."""
    desk = healed()
    desk.rig.memory.stored = lambda row: False
    answer = desk.ask("clear coolant stopped", ticks=1_000)
    assert [shown["kind"] for shown in answer] == ["error"]
    assert "not stored yet" in answer[0]["error"]
    desk = healed()
    desk.rig.memory.waits = lambda: True
    assert "not stored yet" in desk.ask("clear all", ticks=1_000)[-1]["error"]


def test_a_memory_that_failed_does_not_keep_its_board_from_service():
    """Service is how somebody gets there to mend it; nothing says that everything was stored."""
    desk = healed()
    desk.rig.memory.waits = lambda: True
    desk.rig.memory.failed = True
    assert "not everything stored" in desk.type("storage")
    assert "resets into service" in desk.type("service")
