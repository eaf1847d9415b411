"""The coil test on the virtual board (S15): judged at the coils, behind the heartbeat gate and the coil supply."""

import random
from dataclasses import replace

import pytest
from sim.board_bench import RecordedBoard, fresh_image
from sim.scenario_files import CART, TRUCK
from sim.test_virtual_board import live

from loopwarden_sim.board_talk import BoardTalk
from loopwarden_sim.scenario import Action
from loopwarden_sim.virtual_board import VirtualBoard

TICK_MS = 20
BARE = (("pack_connected", 0.0), ("soaked_degc", 20.0))
TEST, SERVICE, RUN = 2.0, 1.0, 0.0


class Tried(RecordedBoard, BoardTalk):
    """Recorded tick by tick, with somebody at the console; `closed`: which contacts really were, by tick."""

    def __init__(self, scenario, board, typed):
        BoardTalk.__init__(self, scenario, board, typed)
        self.ticks, self.deeds, self.closed = {}, {}, {}

    def decide(self):
        circuit = self.world.plant.circuit
        contactors = ("positive", "negative", "precharge", "discharge")
        self.closed[self.tick] = [name for name in contactors if getattr(circuit, name).closed]
        return super().decide()


def tried(path, image, typed, *deeds, run_s=30, start=BARE):
    """Key on at 1 s; the switch goes to TEST at 12 s unless the deeds say otherwise."""
    scenario = live(path, run_s, *deeds)
    events = [event for event in scenario.events if event[0] not in (200, 215)]  # no start
    scenario = replace(scenario, start=start, events=tuple(events))
    board = VirtualBoard(scenario.build, fresh_image(scenario, image))
    try:
        run = Tried(scenario, board, typed)
        outcome = run.go(None, None)
        assert not outcome.failure, outcome.failure
        return run, outcome
    finally:
        board.close()


def switch(at_s, position):
    return at_s * 50, Action("set", "service", position)


def ticks_closed(run, name):
    return [tick for tick, closed in run.closed.items() if name in closed]


@pytest.mark.parametrize("path", [TRUCK, CART])
@pytest.mark.parametrize("coil", ["positive", "negative", "precharge", "discharge"])
def test_the_contact_closes_behind_the_gate_and_lets_go_after_two_seconds(path, coil, tmp_path):
    run, outcome = tried(path, tmp_path / "flash.img", [(800, f"coil {coil}")], switch(13, TEST), run_s=20)
    closed = ticks_closed(run, coil)
    assert closed
    assert 1900 <= len(closed) * TICK_MS <= 2060  # travel and release as the plant's contacts have them
    assert {name for names in run.closed.values() for name in names} == {coil}
    assert outcome.breaches == []
    assert outcome.exercised["S15"] == 1
    assert "commanded for 2.0 s" in run.said
    on = [tick for tick in run.ticks.values() if tick.commands[coil]]
    assert len(on) * TICK_MS <= 2000
    assert all(tick.commands["lamp_hv"] for tick in on)


def test_it_lets_go_within_the_hold_time_and_the_board_measures_it(tmp_path):
    """S11: hold time 100 ms, release 40 ms at the most, each seen once a tick."""
    typed = [(800, "coil positive hold"), (1000, "faults coil tested")]
    run, outcome = tried(TRUCK, tmp_path / "flash.img", typed, switch(13, TEST))
    assert outcome.breaches == []
    on = [number for number, tick in run.ticks.items() if tick.commands["positive"]]
    assert 1000 <= len(on) * TICK_MS <= 1000 + 100 + 2 * TICK_MS
    line = next(line for line in run.said.splitlines() if line.startswith("hold"))
    assert 100 <= int(line.split()[1]) <= 100 + 40 + 2 * TICK_MS, line
    after = [run.ticks[number] for number in range(on[-1] + 10, on[-1] + 100)]
    assert not [tick for tick in after if tick.commands["positive"]]
    assert "coil tested, code P1A51-00" in run.said
    assert "positive on" in run.said  # its freeze frame


def test_in_the_service_position_no_coil_has_a_supply(tmp_path):
    """The second pole of the switch: commanded, and no contact of the three moves."""
    run, outcome = tried(TRUCK, tmp_path / "flash.img", [(800, "coil negative")], switch(13, SERVICE), run_s=20)
    assert ticks_closed(run, "negative") == []
    assert [tick for tick in run.ticks.values() if tick.commands["negative"]]
    assert "open before, open at the end, open after" in run.said
    assert outcome.breaches == []


@pytest.mark.parametrize(
    ("start", "position", "words"),
    [
        (BARE, RUN, "the service input is not high"),
        ((("soaked_degc", 20.0),), TEST, "voltage on the pack side"),
        ((*BARE, ("pack_source_v", 60.0)), TEST, "voltage on the pack side"),
        ((*BARE, ("bus_source_v", 60.0)), TEST, "the bus is not proven dead"),
        ((*BARE, ("stop", 1.0)), TEST, "emergency stop"),
    ],
)
def test_without_the_switch_or_with_voltage_nothing_moves(start, position, words, tmp_path):
    run, outcome = tried(
        TRUCK, tmp_path / "flash.img", [(800, "coil precharge")], switch(13, position), run_s=18, start=start
    )
    assert words in run.said
    assert not [tick for tick in run.ticks.values() if tick.commands["precharge"]]
    assert outcome.breaches == []


@pytest.mark.parametrize(
    "deed",
    [
        Action("set", "service", RUN),
        Action("set", "stop", 1.0),
        Action("set", "crash", 1.0),
        Action("strike", "loop_open", "battery lid and service disconnect", {}),
        Action("set", "start", 1.0),
        Action("set", "pack_connected", 1.0),
        Action("set", "bus_v", 80.0),
    ],
    ids=lambda deed: deed.name,
)
def test_a_change_ends_it_at_once(deed, tmp_path):
    """The monitor would tell a tick too many; here it is counted as well."""
    run, outcome = tried(
        TRUCK, tmp_path / "flash.img", [(800, "coil negative")], switch(13, TEST), (840, deed), run_s=20
    )
    on = [number for number, tick in run.ticks.items() if tick.commands["negative"]]
    assert on
    assert on[-1] <= 840
    assert "ended early" in run.said
    assert [breach for breach in outcome.breaches if breach.promise != "S5"] == []


def test_a_start_is_refused_while_the_switch_is_not_in_run(tmp_path):
    """And starts once it is; the pack was connected all along."""
    press = [(700, 1.0), (715, 0.0), (900, 1.0), (915, 0.0)]
    deeds = [(tick, Action("set", "start", value)) for tick, value in press]
    scenario = live(TRUCK, 26, switch(13, TEST), switch(17, RUN), *deeds)
    scenario = replace(scenario, events=tuple(event for event in scenario.events if not 150 < event[0] < 300))
    board = VirtualBoard(scenario.build, fresh_image(scenario, tmp_path / "flash.img"))
    try:
        run = Tried(scenario, board, [(780, "why start")])
        outcome = run.go(None, None)
    finally:
        board.close()
    assert "Start waits" in run.said
    assert "service input high" in run.said
    assert not [
        n for n, tick in run.ticks.items() if n < 900 and (tick.commands["precharge"] or tick.commands["negative"])
    ]
    assert run.ticks[1250].phase == 3
    assert outcome.breaches == []


def test_a_console_gone_wild_moves_no_coil_without_the_switch(tmp_path):
    source = random.Random(5)
    coils = ("positive", "negative", "precharge", "discharge")
    typed = []
    for tick in range(600, 1500, 3):
        line = list(f"coil {source.choice(coils)}{source.choice(('', ' hold'))}")
        if source.random() < 0.5:
            line[source.randrange(len(line))] = chr(source.randrange(32, 127))
        typed.append((tick, "".join(line)))
    run, outcome = tried(CART, tmp_path / "flash.img", typed, run_s=32)
    assert "the service input is not high" in run.said
    assert not [tick for tick in run.ticks.values() if any(tick.commands[coil] for coil in coils)]
    assert outcome.breaches == []
