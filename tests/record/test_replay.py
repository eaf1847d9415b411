"""A recording decided again: the same program decides the same, and what differs is shown."""

import json
import re
import zlib
from contextlib import closing
from dataclasses import replace

import pytest
from board.chat import sealed
from sim.board_bench import RecordedBoard, fresh_image, scenario_of

from loopwarden.policy import limits
from loopwarden.policy.phases import DISCHARGING, LIVE, OPENING, PRECHARGING, WINDING
from loopwarden_cli.main import main
from loopwarden_link.errors import Lost
from loopwarden_record import capture as capture_module
from loopwarden_record.capture import capture
from loopwarden_record.recording import RecordingError, read
from loopwarden_record.replay import replay
from loopwarden_record.simulated import record_scenario
from loopwarden_sim.scenario import load_scenario
from loopwarden_sim.virtual_board import VirtualBoard
from record import SCENARIOS

TICKS_OF_REST = 750
START = 251 + TICKS_OF_REST
ENDED = 4_100  # tick; the board lets its supply go some hundred ticks later


@pytest.fixture(scope="module")
def warned(tmp_path_factory):
    """A drive in which isolation falls below its warning level and recovers."""
    path = tmp_path_factory.mktemp("replay") / "warned.rec"
    record_scenario(load_scenario(SCENARIOS / "isolation_warning_limits_and_heals.toml"), path)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "start_drive_stop",
        "emergency_stop_at_speed",
        "memory_new_cart",
        "heap_low",
        "charge_to_the_end_voltage",
        "bus_shorted",
    ],
)
def test_what_was_recorded_is_decided_again_the_same(name, tmp_path):
    path = tmp_path / "x.rec"
    ticks, _ = record_scenario(load_scenario(SCENARIOS / f"{name}.toml"), path)
    found = replay(read(path))
    assert (found.identical, found.ticks, found.remarks) == (True, ticks, [])


def test_a_program_that_decides_otherwise_is_found_out_in_its_first_tick(warned, monkeypatch):
    """Planted: isolation limits to 81 % in place of 80 %."""
    at = replay(read(warned))
    assert at.identical
    original = limits.Limits.step

    def step(self, dt):
        original(self, dt)
        if self.outputs.drive_limit_permille == 800:
            self.outputs.drive_limit_permille = 810

    monkeypatch.setattr(limits.Limits, "step", step)
    found = replay(read(warned))
    assert not found.identical
    assert ("drive_limit_permille", 800, 810) in found.difference.what


def test_every_tick_is_given_on_whether_or_not_it_was_the_same(warned):
    seen = []
    replay(read(warned), lambda frames, inputs, outputs, supervisor: seen.append((inputs.pack_mv, outputs.positive)))
    assert len(seen) == 6_250
    assert any(positive for _, positive in seen)


def board_file(scenario, path, answers):
    """Record on the virtual board: what its console sent goes through the same reader as from a port."""
    sent = []
    with closing(VirtualBoard(scenario.build, fresh_image(scenario, path.with_suffix(".img")), stalls=False)) as board:
        run = RecordedBoard(scenario, board)
        begin = run.begin

        def begin_and_talk(tick):
            begin(tick)
            sent.append(board.console_bytes())
            if tick in answers:
                board.send(answers[tick])

        run.begin = begin_and_talk
        outcome = run.go(None, None)
        sent.append(board.console_bytes())
    assert not outcome.breaches
    assert not outcome.failure
    return run, sent


class Port:
    """Plays back what a board sent, then goes away, as a cable does."""

    def __init__(self, sent):
        self.sent = list(sent)
        self.written = b""

    def read(self):
        if not self.sent:
            raise Lost("the port went away; was it unplugged?")
        return self.sent.pop(0)

    def write(self, data):
        self.written += data

    def close(self):
        pass


@pytest.fixture(scope="module")
def from_board(tmp_path_factory):
    """The virtual board's own recording of a drive: asked for after 15 s at rest, ended by a byte, or cut off."""
    folder = tmp_path_factory.mktemp("board")
    plain = scenario_of("start_drive_stop")
    events = tuple(
        (tick if action.name == "key" and action.value else tick + TICKS_OF_REST, action)
        for tick, action in plain.events
    )
    scenario = replace(plain, events=events, ticks=ENDED + 100, expectations=())
    answers = {TICKS_OF_REST: sealed(7, b"record"), ENDED: b"\r"}
    run, sent = board_file(scenario, folder / "board", answers)
    return run, scenario, sent


class StreamOf:
    """The stream of a link, without the link."""

    def __init__(self, sent):
        data = b"".join(sent)
        begin = data.index(b'{"n":7,"i":0,"kind":"image"')
        line, rest = data[begin:].split(b"\r\n", 1)
        self.objects = [json.loads(line)]
        self.port = Port([rest[k : k + 777] for k in range(0, len(rest), 777)])
        self.read, self.stopped = self.port.read, 0

    def stop(self):
        self.stopped += 1


class LinkOf:
    def __init__(self, sent):
        self.of = StreamOf(sent)

    def stream(self, command, last):
        assert (command, last) == ("record", "image")
        return self

    def __enter__(self):
        return self.of

    def __exit__(self, *_):
        pass


def test_the_firmware_under_micropython_decides_as_this_program_does(from_board, tmp_path):
    """S14, over a whole drive: recorded by the firmware, decided again here."""
    _, _, sent = from_board
    path = tmp_path / "board.rec"
    ticks, why = capture(LinkOf(sent), path, stop=lambda: False)
    assert "asked" in why
    assert ticks > 2_500
    found = replay(read(path))
    assert (found.identical, found.ticks, found.remarks) == (True, ticks, [])


def phases_of(run):
    """Each new phase from the start button on, with its tick."""
    found = []
    for number, tick in sorted(run.ticks.items()):
        if number > START and (not found or found[-1][0] != tick.phase):
            found.append((tick.phase, number))
    return found


def test_a_drive_that_is_recorded_goes_as_one_that_is_not(from_board, tmp_path):
    """The same phases; each at most a round of the slow subjects, whose turns begin anew, away from where it was."""
    run, scenario, _ = from_board
    alone, _ = board_file(scenario, tmp_path / "alone", {})
    for one in (run, alone):
        assert [phase for phase, _ in phases_of(one)] == [PRECHARGING, LIVE, WINDING, OPENING, DISCHARGING]
    for (_, one), (_, other) in zip(phases_of(run), phases_of(alone), strict=True):
        assert abs(one - other) <= 16


@pytest.mark.parametrize("part", [0.3, 0.7, 0.95])
def test_a_cable_that_is_pulled_leaves_all_that_came(from_board, tmp_path, part):
    _, _, sent = from_board
    data = b"".join(sent)
    path = tmp_path / "cut.rec"
    ticks, why = capture(LinkOf([data[: round(part * len(data))]]), path, stop=lambda: False)
    assert "unplugged" in why
    found = replay(read(path))
    assert found.identical
    assert found.ticks == ticks > 100


@pytest.mark.parametrize(
    ("of", "told", "otherwise", "said"),
    [
        (b'"i":2,"kind":"memory"', rb'"flats":\d+,', b"", "flats is None, not a number"),
        (b'"i":1,"kind":"recording"', rb'"format":\d+,', b'"format":1,', "records in format 1; this program: 3"),
    ],
)
def test_a_board_that_begins_otherwise_is_told_in_words(from_board, tmp_path, of, told, otherwise, said):
    _, _, sent = from_board
    data = re.sub(told, otherwise, b"".join(sent), count=1)
    begin = data.index(b'{"n":7,' + of)
    line = data[begin : data.index(b"\r\n", begin)]
    body = line[: line.rindex(b',"crc"')]
    data = data.replace(line, body + b',"crc":"%08x"}' % zlib.crc32(body))
    with pytest.raises(RecordingError, match=said):
        capture(LinkOf([data]), tmp_path / "x.rec", stop=lambda: False)
    assert not (tmp_path / "x.rec").exists()


def test_a_board_that_falls_silent_ends_it(from_board, tmp_path, monkeypatch):
    _, _, sent = from_board
    monkeypatch.setattr(capture_module, "_SILENT_S", 0.05)
    link = LinkOf([b"".join(sent)[:20_000]])
    pieces = link.of.port.sent
    link.of.read = lambda: pieces.pop(0) if pieces else b""
    ticks, why = capture(link, tmp_path / "silent.rec", stop=lambda: False)
    assert "said nothing more" in why
    assert replay(read(tmp_path / "silent.rec")).ticks == ticks


# The commands


def test_replay_says_the_same_decisions_and_exits_0(warned, capsys):
    assert main(["replay", str(warned)]) == 0
    assert "The same decisions in all 6250 ticks (125.0 s), every command of each." in capsys.readouterr().out


def test_replay_with_another_build_lists_what_it_would_have_done(warned, tmp_path, capsys):
    """The warning level lowered below what was read: no warning, no limit."""
    build = tmp_path / "lower.toml"
    text = (SCENARIOS.parent / "builds" / "orchard_truck.toml").read_text(encoding="utf-8")
    build.write_text(text.replace('warn = "1000 ohm/V"', 'warn = "700 ohm/V"', 1), encoding="utf-8")
    assert main(["replay", str(warned), "--build", str(build), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    rows = told["moments_that_differ"]
    assert "ISOLATION_WARNING" in rows[0]["recorded_build"]
    assert all(row["other"] == "" for row in rows)
    assert main(["replay", str(warned), "--build", str(build)]) == 0
    page = capsys.readouterr().out
    assert "drive limit 80 % by fault" in " ".join(page.split())
    assert max(map(len, page.splitlines()[1:])) <= 80  # the first one has the file's name


def test_replay_with_the_same_build_lists_nothing(warned, capsys):
    assert main(["replay", str(warned), "--build", str(SCENARIOS.parent / "builds" / "orchard_truck.toml")]) == 0
    assert "would have decided the same" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["replay", "nowhere.rec"], "cannot be read"),
        (["record", "-o", "no/where.rec", "x.toml"], "there is no folder"),
        (["record", "-o", "x.rec", "--for", "0", "x.toml"], "allowed are more than 0"),
        (["record", "-o", "x.rec", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_wrong_use_is_told_in_a_line_and_exits_2(arguments, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    assert said in capsys.readouterr().err


def test_record_writes_a_scenario_and_never_over_a_file(tmp_path, capsys):
    path = tmp_path / "x.rec"
    arguments = ["record", str(SCENARIOS / "bus_fed_before_start.toml"), "-o", str(path)]
    assert main(arguments) == 0
    assert "It ended because" in capsys.readouterr().out
    before = path.read_bytes()
    assert main(arguments) == 2
    assert "is there already" in capsys.readouterr().err
    assert path.read_bytes() == before
    assert main(["replay", str(path)]) == 0
