"""Service: reached over the console only when off and dead, and by the jumper; then tools for MicroPython get in."""

import hashlib
import subprocess
import sys
import threading
from contextlib import contextmanager, suppress
from dataclasses import replace

import pytest
from sim.board_bench import fresh_image
from sim.scenario_files import CART, TRUCK
from sim.test_virtual_board import coils_on, live

from loopwarden_install.version import FIRMWARE
from loopwarden_sim.board_run import BoardRun
from loopwarden_sim.board_talk import BoardTalk
from loopwarden_sim.scenario import Action
from loopwarden_sim.virtual_board import VirtualBoard

IN_SERVICE = "Service: the supervisor does not run, outputs are off."


class Stop(BaseException):
    """Ends a run that would go on for ever."""


class Endless(BoardRun):
    """Runs until it is told to stop."""

    ended = False

    def begin(self, tick: int) -> None:
        super().begin(tick)
        if self.ended:
            raise Stop


@contextmanager
def running(scenario, image, **options):
    """A board that goes on in a thread of its own; yields its serial port."""
    board = VirtualBoard(scenario.build, image, **options)
    run = Endless(replace(scenario, ticks=10**9), board)

    def go() -> None:
        with suppress(Stop):
            run.go(None, None)

    thread = threading.Thread(target=go)
    thread.start()
    try:
        yield board.port
    finally:
        run.ended = True
        thread.join()
        board.close()


def talk(scenario, image, *typed):
    board = VirtualBoard(scenario.build, image)
    try:
        run = BoardTalk(scenario, board, typed)
        outcome = run.go(None, None)
        return run, outcome, board.resets
    finally:
        board.close()


def mpremote(port, *args):
    command = [sys.executable, "-m", "mpremote", "connect", port, "resume", *args]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def in_service(tmp_path):
    """The port of a board whose service jumper is fitted."""
    scenario = replace(live(CART), start=(("service", 1.0),), events=())
    with running(scenario, fresh_image(scenario, tmp_path / "flash.img")) as port:
        yield port


def test_a_tool_lists_the_files_copies_one_and_runs_a_line(in_service, tmp_path):
    """mpremote, as with a real board."""
    listed = mpremote(in_service, "fs", "ls")
    assert listed.returncode == 0, listed.stderr
    assert {line.split()[-1] for line in listed.stdout.splitlines()[1:]} >= {
        "boot.py",
        "main.py",
        "current.txt",
        "memory/",
    }
    note = tmp_path / "note.txt"
    note.write_bytes(bytes(range(256)) * 9)
    assert mpremote(in_service, "fs", "cp", str(note), ":note.txt").returncode == 0
    copied = mpremote(in_service, "fs", "sha256sum", ":note.txt")
    assert hashlib.sha256(note.read_bytes()).hexdigest() in copied.stdout
    program = mpremote(in_service, "fs", "sha256sum", ":main.py")
    assert hashlib.sha256((FIRMWARE / "main.py").read_bytes()).hexdigest() in program.stdout
    assert mpremote(in_service, "exec", "print(6 * 7)").stdout.strip() == "42"
    failed = mpremote(in_service, "exec", "1 / 0")
    assert failed.returncode == 1
    assert "ZeroDivisionError" in failed.stderr + failed.stdout


def test_the_host_side_says_that_it_is_at_its_prompt(in_service):
    command = [sys.executable, "-m", "loopwarden_cli.main", "status", "--port", in_service, "--no-remember"]
    for _ in range(2):  # and is none the worse for being asked
        asked = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert asked.returncode == 2
        assert "at the MicroPython prompt" in asked.stderr


def test_without_service_a_tool_gets_one_line_that_says_how(tmp_path):
    scenario = live(TRUCK, 20)
    run, outcome, resets = talk(scenario, fresh_image(scenario, tmp_path / "flash.img"), (600, "\r\x03\r\x01"))
    assert 1 <= run.said.count("For service") <= 2  # the console wakes up twice: a hold relay starts the board anew
    assert not outcome.breaches
    assert resets == []


def test_service_is_refused_while_live(tmp_path):
    scenario = live(TRUCK, 20)
    run, outcome, resets = talk(scenario, fresh_image(scenario, tmp_path / "flash.img"), (600, "service"))
    assert "no service: only while nothing is started" in run.said
    assert (resets, outcome.breaches) == ([], [])


def test_service_when_off_and_dead_ends_at_the_prompt_outputs_off(tmp_path):
    scenario = live(CART, 100, (600, Action("set", "key", 0.0)))
    run, outcome, resets = talk(scenario, fresh_image(scenario, tmp_path / "flash.img"), (4500, "service"))
    assert "the board resets into service" in run.said
    assert resets == ["reset"]
    assert IN_SERVICE in run.said
    assert ">>>" in run.said
    assert not outcome.breaches
    last = vars(run.scene.outputs)
    assert not [name for name in ("positive", "negative", "precharge", "discharge") if last[name]]
    assert last["lamp_hv"] == 1


def test_power_off_and_on_ends_service(tmp_path):
    events = (600, Action("set", "key", 0.0)), (4700, Action("board", "off")), (4750, Action("board", "on"))
    scenario = live(CART, 100, *events)
    run, _, _ = talk(scenario, fresh_image(scenario, tmp_path / "flash.img"), (4500, "service"), (4900, "version"))
    after = run.said[run.said.index(IN_SERVICE) :]
    assert "Loopwarden, bench use only" in after
    assert "program       0.1.0" in after
    assert not coils_on(type("Tick", (), {"commands": vars(run.scene.outputs)}))
