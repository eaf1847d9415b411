"""A board with little memory: what answers is loaded at rest and dropped, and nothing of it changes a tick (S11, S15).

A 64-bit heap, on which everything is about twice as big as on a board, beside the stand-ins. With RP2040 there is left
beside a page for people what an RP2040 has left there, some 47 KB (test_loop_cost.py, 32-bit build).
"""

import re

import pytest
from sim.board_bench import scenario_of
from sim.scenario_files import TRUCK
from sim.test_virtual_board import live

from loopwarden_sim.scenario import Action

from .chat import breaches, run_with_host, sealed

ROOMY, TIGHT, RP2040 = 422_000, 340_000, 362_000
ASKS = {75: b"status\r", 240: b"why start\r", 1500: b"status\r", 1800: b"why drive limit\r", 2000: sealed(3, b"status")}
ONCE = "For more, ask once at rest: where memory allows, it then stays for the drive."


@pytest.fixture(scope="module")
def talks(tmp_path_factory):
    scenario = scenario_of("start_drive_stop")
    folder = tmp_path_factory.mktemp("images")
    quiet = run_with_host(scenario, folder / "quiet.img", None)
    return quiet, {
        heap: run_with_host(
            scenario, folder / f"{heap}.img", lambda tick: ASKS.get(tick, b""), measured=(900, 3000), heap_bytes=heap
        )
        for heap in (ROOMY, TIGHT)
    }


def said(talk):
    return "".join(talk.said)


@pytest.mark.parametrize("heap", [ROOMY, TIGHT])
def test_loading_and_dropping_changes_no_decision(talks, heap):
    quiet, asked = talks
    assert breaches(quiet, asked[heap]) == 0


def test_with_some_room_a_drive_keeps_what_was_asked_for_at_rest(talks):
    told = said(talks[1][ROOMY])
    assert "nothing stands against a start" in told
    assert "phase         live for 24 s" in told
    assert "Drive limit 100 %: nothing limits it." in told
    assert told.count("Not answered") == 1  # the program's


def test_a_program_that_asks_for_the_first_time_in_a_drive_gets_a_line(talks):
    assert said(talks[1][ROOMY]).endswith(f"Not answered. Bus 402.4 V, live, no fault\r\n{ONCE}\r\n> ")


def test_with_little_room_the_drive_gets_what_can_always_be_told(talks):
    told = said(talks[1][TIGHT])
    short = r"Not answered. Bus -?0.\d V, checking, no fault\r\nToo little memory is left to tell more."
    assert len(re.findall(short, told)) == 2, "at rest, of both questions"
    assert f"Not answered. Bus 355.1 V, live, no fault\r\n{ONCE}" in told
    assert "live for" not in told


def test_what_was_dropped_is_gone_from_the_heap(talks):
    tight, roomy = talks[1][TIGHT].heap, talks[1][ROOMY].heap
    assert abs(tight[3000] - tight[900]) < 1024
    assert roomy[3000] - tight[3000] > 80_000


def test_a_lock_is_cleared_over_the_console_with_as_little_room_as_an_rp2040_has(tmp_path):
    """A crash at speed: told, cleared by request and button, told again; and `why`, for which there is no room."""
    events = (400, Action("set", "crash", 1.0)), (450, Action("set", "crash", 0.0)), (460, Action("set", "key", 0.0))
    events += (2000, Action("set", "key", 1.0)), (2620, Action("set", "ack", 1.0)), (2640, Action("set", "ack", 0.0))
    asks = {2400: b"status\r", 2500: b"faults\r", 2600: b"clear crash\r", 2800: b"faults\r", 2900: b"why start\r"}
    talk = run_with_host(
        live(TRUCK, 60, *events), tmp_path / "a.img", lambda tick: asks.get(tick, b""), heap_bytes=RP2040
    )
    assert not talk.outcome.failure
    assert not talk.outcome.breaches
    assert talk.resets == []
    told = said(talk)
    assert 44 <= int(re.search(r"(\d+) KB free", told)[1]) <= 50
    assert "active, kept until cleared" in told
    assert "crash: done" in told
    assert "past, stored" in told
    assert "Not answered" in told[told.index("why start") :]
    assert talk.ticks[2590].active
    assert not talk.ticks[2990].active
