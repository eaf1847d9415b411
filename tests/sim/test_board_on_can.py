"""The complete firmware with a CAN bus at its controller: what it tells, and what a hostile bus can do to it."""

import random
from dataclasses import replace

import pytest

from loopwarden_build.model import CanFrames
from loopwarden_can.frames import FIRST_ID, Heard
from loopwarden_sim.virtual_board import HANG

from .board_bench import fresh_image, on_board, scenario_of
from .test_virtual_board import live

FIRST = 0x610


class Bus:
    """Keeps what the board said, tick by tick; `gives` is what it hears in a tick."""

    def __init__(self, gives=lambda: ()):
        self.told = []
        self.heard = gives

    def say(self, frames):
        self.told.append(frames)


def with_can(scenario, first_id=FIRST):
    """The same vehicle, which sends frames."""
    return replace(scenario, build=scenario.build.model_copy(update={"can": CanFrames(first_id=first_id)}))


def drive(tmp_path, scenario, gives=lambda: ()):
    bus = Bus(gives)
    run, outcome, text = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"), stalls=False, bus=bus)
    assert not outcome.failure, (outcome.failure, text)
    assert not outcome.breaches
    return bus, run


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    """A drive with an isolation fault at speed."""
    return drive(tmp_path_factory.mktemp("can"), with_can(scenario_of("isolation_fault_at_speed_winds_down")))


def test_frames_tell_what_coils_and_lamps_do(driven):
    """What a frame says lies at the most some ticks behind."""
    bus, run = driven
    heard = Heard(FIRST)
    ticks = sorted(run.ticks)
    phases = set()
    status = None
    held = 0
    for tick, frames in zip(ticks, bus.told, strict=False):
        for frame in frames:
            if heard.hear(*frame) == "Status":
                status = heard.latest["Status"]
        if status is None:
            continue
        o = run.ticks[tick].commands
        told = (status["PositiveMain"], status["NegativeMain"], status["Precharge"], status["Discharge"])
        is_same = told == tuple(o[name] for name in ("positive", "negative", "precharge", "discharge"))
        held = 0 if is_same and status["HighVoltageLamps"] == o["lamp_hv"] else held + 1
        assert held <= 10, tick
        phases.add(status["Phase"])
    assert (heard.mangled, heard.lost, heard.repeated) == (0, 0, 0)
    assert {2, 3, 4, 6} <= phases
    assert heard.latest["Status"]["PowerCycle"] > 0


def test_the_active_fault_is_told_with_its_code(driven):
    heard = Heard(FIRST)
    codes = set()
    for frames in driven[0].told:
        for frame in frames:
            if heard.hear(*frame) == "Fault" and heard.latest["Fault"]["FaultRow"]:
                codes.add((heard.latest["Fault"]["FaultRow"], heard.latest["Fault"]["FaultCode"]))
    assert (8, 0x0AA600) in codes  # isolation fault, P0AA6


def test_at_most_one_frame_a_tick(driven):
    assert max(len(frames) for frames in driven[0].told) == 1


def test_a_tick_that_programs_flash_sends_nothing(tmp_path):
    bus = Bus()
    scenario = with_can(live(run_s=12))
    programs, at_once = [], []

    def deeds(run):
        board = run.board
        say = bus.say

        def said(frames):
            if programs and board.state.programs != programs[-1] and frames:
                at_once.append(frames)
            programs.append(board.state.programs)
            say(frames)

        bus.say = said

    on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"), deeds, stalls=False, bus=bus)
    assert len(set(programs)) > 5
    assert len(bus.told) > 500
    assert not at_once


def test_a_hostile_bus_changes_nothing(tmp_path):
    """S15: tick for tick the same commands, whatever is on the bus; no tick is late (a breach or a code says so)."""
    scenario = with_can(live(run_s=12))
    dice = random.Random(6)

    def flood():
        frames = [(dice.choice((FIRST, FIRST_ID, dice.randrange(1 << 30))), dice.randbytes(dice.randrange(9)))]
        return [*frames, *((FIRST + k, bytes(8)) for k in range(6))] * 9

    _, quiet = drive(tmp_path, scenario)
    bus, loud = drive(tmp_path, scenario, flood)
    assert {n: (t.phase, t.active, t.commands) for n, t in quiet.ticks.items()} == {
        n: (t.phase, t.active, t.commands) for n, t in loud.ticks.items()
    }
    assert sum(len(frames) for frames in bus.told) > 500


def test_a_build_without_frames_sends_none(tmp_path):
    bus, _ = drive(tmp_path, live(run_s=6))
    assert not any(bus.told)


def test_a_board_that_hangs_is_silent_and_tells_afterwards_that_it_began_anew(tmp_path):
    """A listener's own time limit says that nobody watches; the count of power cycles that somebody does again."""
    scenario = with_can(live(run_s=12))
    bus = Bus()

    def deeds(run):
        run.deeds[400] = lambda: setattr(run, "command", HANG)

    run, _, _ = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"), deeds, stalls=False, bus=bus)
    assert run.board.resets == ["watchdog"]
    heard, cycles = Heard(FIRST), []
    for frames in bus.told:
        for frame in frames:
            if heard.hear(*frame) == "Status":
                cycles.append(heard.latest["Status"]["PowerCycle"])
    assert cycles[-1] == cycles[0] + 1
