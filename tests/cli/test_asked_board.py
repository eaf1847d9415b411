"""The subcommands that ask a board, against one on a pseudo terminal: pages, JSON, exit codes, all ways to fail."""

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import pytest

from fake_board import FRAME, LIMITS, LOOP, START, STATUS, STATUS_MORE, STRIP, WARNING, FakeBoard, sealed
from loopwarden_cli import watch
from loopwarden_cli.asked_board import Board
from loopwarden_cli.board_words import hv_line
from loopwarden_cli.main import main
from loopwarden_cli.watch import Watch, follow
from loopwarden_link.client import Link

ASKED = {"kind": "asked", "row": 1, "what": "press the wired acknowledge button now, within 10 s"}


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state" / "loopwarden" / "boards.json"


@pytest.fixture
def board(tmp_path):
    board = FakeBoard(tmp_path / "port")
    yield board
    board.close()


@pytest.fixture
def ask(board, capsys):
    """Run a subcommand; return exit code, standard output, standard error."""

    def run(*arguments, timeout="0.5"):
        code = main([*arguments, "--port", str(board.path), "--timeout", timeout])
        return code, *capsys.readouterr()

    return run


def bare(found):
    return {key: value for key, value in found.items() if key != "kind"}


def test_status_with_an_active_fault_is_1(ask):
    code, out, err = ask("status")
    assert (code, err) == (1, "")
    lines = out.splitlines()
    assert lines[0] == "bus 398.2 V: LIVE"
    assert "  Phase           live (power cycle 41, up for 12 min, key on)" in lines
    assert "  Current, speed  12.3 A, 12.4 km/h" in lines
    assert "  Limits          drive 80 %, charge 100 %" in lines
    assert "  Contactors      positive, negative commanded" in lines
    assert "  Lamps           ready, caution, hv lit" in lines
    assert "  P1A07-00  isolation warning" in lines
    assert lines[lines.index("  P1A07-00  isolation warning") + 1].startswith("      First check: Look for moisture")


def test_status_with_nothing_active_is_0_and_no_permission_to_touch(ask, board):
    board.set_off()
    code, out, _ = ask("status")
    assert code == 0
    assert out.splitlines()[0] == "bus 3.1 V measured; prove it dead with a tested meter"
    assert out.endswith("No fault is active.\n")


def test_status_of_a_stopped_program_is_1(ask, board):
    board.answers["status"] = [{"kind": "status", "phase": "stopped", "restarts": 3, "before": 2, "heap_free": 7}]
    code, out, _ = ask("status")
    assert code == 1
    assert out.startswith("bus voltage NOT KNOWN: take it as LIVE\n")
    assert "after 3 ends of its\nprogram in a row" in out
    assert "No fault" not in out


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({}, "bus 3.1 V measured; prove it dead with a tested meter"),
        ({"bus_mv": -40}, "bus 0.0 V measured; prove it dead with a tested meter"),
        ({"bus_mv": 59_999}, "bus 60.0 V measured; prove it dead with a tested meter"),
        ({"bus_mv": 60_000}, "bus 60.0 V: LIVE"),
        ({"bus_mv": -60_000}, "bus -60.0 V: LIVE"),
        ({"bus_mv": None}, "bus voltage NOT KNOWN: take it as LIVE"),
        ({"dead_mv": None}, "bus voltage NOT KNOWN: take it as LIVE"),
        ({"precharge": 1}, "bus 3.1 V, but contactors are commanded: take it as LIVE"),
        ({"negative": None}, "bus 3.1 V, but contactors are commanded: take it as LIVE"),
        ({"mark": "live"}, "bus 3.1 V, but not proven dead by the board: take it as LIVE"),
        ({"lamp_hv": 1}, "bus 3.1 V, but not proven dead by the board: take it as LIVE"),
    ],
)
def test_the_first_line_doubts_whatever_speaks_against_dead(changes, line):
    off = {"bus_mv": 3_100, "dead_mv": 60_000, "positive": 0, "negative": 0, "precharge": 0, "mark": "dead"}
    assert hv_line({**off, "lamp_hv": 0, **changes}) == line


def test_faults_lists_codes_and_first_checks(ask):
    code, out, _ = ask("faults")
    assert code == 1
    assert out.splitlines()[:6] == [
        "bus 398.2 V: LIVE",
        "",
        "  Code      What               Times  State   Power cycles",
        "  P1A07-00  isolation warning      2  active  12 to 41",
        "  P0A0A-13  loop open              1  past    12",
        "            loop 2",
    ]
    assert "First check: Look for moisture" in out


@pytest.mark.parametrize(
    ("faults", "code"),
    [
        ([], 0),
        ([LOOP], 0),
        ([LOOP, {**LOOP, "present": 1}], 1),
        ([{**LOOP, "lock": 1}], 1),
        ([{**LOOP, "active": None}], 1),
    ],
    ids=["none", "past", "present", "lock", "not told"],
)
def test_faults_is_0_for_history_alone(ask, board, faults, code):
    board.set_off()
    board.answers["faults"] = faults
    assert ask("faults")[0] == code


def test_faults_says_so_when_there_are_none(ask, board):
    board.set_off()
    assert ask("faults")[1].splitlines()[2:] == ["No trouble codes: none stored, none active."]


def test_one_code_with_frames_strip_meaning_and_checks(ask):
    code, out, _ = ask("faults", "P0A0A-13")
    assert code == 0
    assert "A watched interlock loop is open." in out
    assert re.search(r"Time since start +3\.0 s +3\.1 s\n", out)
    assert re.search(r"Isolation +203\.0 kohm +203\.0 kohm\n", out)
    assert re.search(r"Current +not known +not known\n", out)
    assert "  -0.5 s  live   398.2 V  398.5 V   12.3 A  12.4 km/h  100 %  203.0 kohm\n" in out
    assert "  2. Prove it dead, then measure the loop end to end with the ohmmeter.\n" in out


def test_why_joins_the_pieces(ask, board):
    code, out, _ = ask("why", "drive", "limit")
    assert code == 0
    assert out.splitlines()[2:] == [
        "The drive limit is 80 %, cap of isolation warning: isolation 483 ohm/V (203.0",
        "kohm), limit 500 ohm/V.",
    ]


def test_starts_is_a_table(ask, board):
    code, out, _ = ask("starts")
    assert code == 0
    assert out.splitlines()[2:] == [
        "  Cycle  Precharge  Discharge   Isolation  Hottest  Inverter  Motor  Drove",
        "     40     420 ms      3.2 s  203.0 kohm    35.2C         -  50.1C  yes",
        "     41     420 ms      3.2 s  203.0 kohm    35.2C         -  50.1C  yes",
        "         P1A07-00  isolation warning",
    ]
    board.answers["starts"] = []
    assert ask("starts")[1].endswith("No start is on record.\n")


def test_no_page_is_wider_than_80_columns(ask, board):
    board.answers["status"] = [STATUS, {**STATUS_MORE, "active": list(range(1, 82))}]
    long = {**WARNING, "name": "INVERTER_OVER_TEMPERATURE", "where": ", ".join(f"zone {n}" for n in range(9))}
    board.answers["faults"] = [{**long, "lock": 1, "stored": 0, "first_cycle": 10_000, "latest_cycle": 20_000}]
    board.answers["starts"] = [{**START, "cycle": 10_000, "lowest_ohm": 999_949, "rows": list(range(1, 81))}]
    strip = {**STRIP[0], "phase": 4, "current_da": -1234, "before_ms": 5_500}
    board.answers["faults X"] = [long, FRAME, {**FRAME, "commands": 11, "phase": 4}, strip]
    for arguments in (["status"], ["faults"], ["faults", "X"], ["starts"], ["watch", "--once"]):
        out = ask(*arguments)[1].replace(str(board.path), "/dev/ttyACM0")
        assert len(out.splitlines()) > 3
        assert max(map(len, out.splitlines())) <= 80, out


def test_escape_sequences_from_the_line_do_not_reach_the_terminal(ask, board):
    board.answers["why snow"] = [{"kind": "why", "subject": "snow", "text": "white\x1b[2J out"}]
    assert "white?[2J out" in ask("why", "snow")[1]


@pytest.mark.parametrize(
    ("arguments", "answer"),
    [
        (["status"], {}),
        (["faults"], {"faults": [bare(WARNING), bare(LOOP)]}),
        (
            ["faults", "P0A0A-13"],
            {
                "fault": bare(LOOP),
                "frames": [bare(FRAME), {**bare(FRAME), "which": "latest", "t_ms": 3_100}],
                "strip": [bare(sample) for sample in STRIP],
                "means": "A watched interlock loop is open.",
                "checks": [
                    "Look at the connectors and covers of that loop: seated, latched.",
                    "Prove it dead, then measure the loop end to end with the ohmmeter.",
                ],
            },
        ),
        (
            ["why", "drive limit"],
            {
                "subject": "drive limit",
                "text": "The drive limit is 80 %, cap of isolation warning: isolation 483 ohm/V (203.0 kohm),"
                " limit 500 ohm/V.",
            },
        ),
        (["starts"], {"starts": [{**bare(START), "cycle": 40, "rows": []}, bare(START)]}),
    ],
)
def test_json_is_one_document_with_all_that_was_told(ask, board, arguments, answer):
    _, out, err = ask(*arguments, "--json")
    common = {"port": str(board.path), "warnings": [], "status": bare(STATUS) | bare(STATUS_MORE)}
    assert json.loads(out) == common | answer
    assert err == ""


def test_the_board_is_told_the_time_first_unless_not_wanted(ask, board):
    now_s = int(time.time())
    for name in ("status", "faults"):
        board.asked.clear()
        ask(name)
        assert board.asked[1] == "status"
        assert 0 <= int(board.asked[0].removeprefix("time ")) - now_s < 30
        board.asked.clear()
        ask(name, "--no-time")
        assert board.asked[0] == "status"
    ask("starts")
    assert "time" not in "".join(board.asked)


# What this computer remembers


def test_a_wiped_board_is_told_from_one_without_faults(ask, board):
    ask("status")
    board.set_off(birth="f" * 16)
    for name in ("faults", "status"):
        code, out, _ = ask(name)
        assert code == 1
        assert "WARNING: this board's memory was wiped or replaced since" in out.splitlines()[1]
        assert "so 'no faults' proves nothing" in out.splitlines()[2]
    assert len(json.loads(ask("faults", "--json")[1])["warnings"]) == 1


def test_no_remember_neither_compares_nor_notes(ask, board, state):
    assert "WARNING" not in ask("status", "--no-remember")[1]
    assert not state.exists()


def test_a_state_that_cannot_be_kept_is_a_warning_and_no_failure(ask, board, state):
    state.parent.parent.write_text("a file where the folder should be")
    board.set_off()
    code, out, _ = ask("status")
    assert code == 0
    assert "this board is not remembered" in out.replace("\n  ", " ")


# Clearing


def test_clear_tells_to_press_the_button_while_it_waits(ask, board):
    def clear():
        board.answers["faults"] = [WARNING]
        return [ASKED]

    board.answers["clear P0A0A-13"] = clear
    code, out, err = ask("clear", "P0A0A-13")
    assert code == 0
    assert err == "P0A0A-13  loop open: press the wired acknowledge button now, within 10 s\n"
    assert "The board has done it: clear P0A0A-13." in out
    assert "loop open" not in out


def test_a_refused_clear_is_1_and_shows_what_is_stored(ask, board):
    board.answers["clear all"] = "not cleared: the drive is not off"
    code, out, _ = ask("clear", "all")
    assert code == 1
    assert "Not cleared: the drive is not off\n" in out
    assert "loop open" in out
    code, out, _ = ask("clear", "all", "--json")
    answer = json.loads(out)
    assert (code, answer["done"], answer["outcome"]) == (1, False, "refused")
    assert answer["refusal"] == "not cleared: the drive is not off"
    assert answer["left"] == [bare(WARNING), bare(LOOP)]


def test_clear_all_lists_what_became_of_each(ask, board):
    gone = {"kind": "asked", "row": 1, "what": "cleared"}
    board.answers["clear all"] = [gone, {**gone, "row": 7, "what": "stays: still active"}]
    _, out, err = ask("clear", "all")
    assert "  P0A0A-13  loop open: cleared\n  P1A07-00  isolation warning: stays: still active\n" in out
    assert err == ""


def test_clear_all_that_left_something_is_1(ask, board):
    def partly(lines, asked):
        if board.asked[-1] != "clear all":
            return lines
        n = json.loads(lines[0])["n"]
        return sealed(n, [ASKED | {"what": "cleared"}], "not everything was cleared, see above")

    board.spoil = partly
    code, out, _ = ask("clear", "all")
    assert code == 1
    assert "Not everything was cleared:\n  P0A0A-13  loop open: cleared\n" in out


@pytest.mark.parametrize(("left", "code"), [([WARNING], 0), ([WARNING, LOOP], 1)], ids=["went", "stayed"])
def test_a_clear_whose_answer_got_lost_is_never_repeated(ask, board, monkeypatch, left, code):
    """What is stored afterwards decides."""
    monkeypatch.setattr("loopwarden_cli.clear.BUTTON_S", 0.0)

    def clear():
        board.answers["faults"] = left
        return [ASKED]

    board.answers["clear loop open"] = clear
    board.spoil = lambda lines, asked: lines[:-1] if board.asked[-1].startswith("clear") else lines
    exit_code, out, _ = ask("clear", "loop", "open")
    assert exit_code == code
    assert board.asked.count("clear loop open") == 1
    assert "The board's answer got lost" in out
    assert "Not asked again" in out


def test_a_lost_clear_of_what_was_not_stored_is_not_called_done(ask, board, monkeypatch):
    monkeypatch.setattr("loopwarden_cli.clear.BUTTON_S", 0.0)
    board.spoil = lambda lines, asked: [] if board.asked[-1].startswith("clear") else lines
    assert ask("clear", "P9999-00")[0] == 1


def test_unplugged_while_clearing_says_that_nobody_knows(ask, board, monkeypatch):
    board.answers["clear all"] = lambda: board.unplug() or []
    code, out, err = ask("clear", "all")
    assert (code, out) == (2, "")
    assert err.splitlines()[0] == "clear all was sent, and what became of it is not known"
    board.plug()


# No board, or no answer: exit 2, standard error, no traceback


def test_a_refusal_to_tell_is_2_with_the_board_s_words(ask, board):
    board.answers["why snow"] = "why: no subject snow; there are phase, start"
    code, out, err = ask("why", "snow")
    assert (code, out) == (2, "")
    assert err == f"{board.path}: why: no subject snow; there are phase, start\n"


@pytest.mark.parametrize("name", [["status"], ["faults"], ["why", "phase"], ["starts"], ["clear", "all"]])
def test_no_answer_is_2(ask, board, name):
    board.silent = 99
    code, out, err = ask(*name, timeout="0.15")
    assert (code, out) == (2, "")
    assert "no answer in 0.15 s" in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("name", ["status", "watch"])
def test_no_port_is_2(capsys, tmp_path, name):
    once = ["--once"] if name == "watch" else []
    assert main([name, *once, "--port", str(tmp_path / "none")]) == 2
    assert capsys.readouterr().err == f"{tmp_path}/none: there is no such port; is the board plugged in?\n"


def test_without_port_and_board_it_is_2_and_told(capsys, monkeypatch):
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [])
    for name in (["status"], ["watch", "--once"], ["clear", "all"]):
        assert main(name) == 2
        assert "no board found" in capsys.readouterr().err


def test_at_the_prompt_is_2(ask, board):
    board.mode = "prompt"
    code, _, err = ask("faults")
    assert code == 2
    assert "MicroPython prompt" in err


def test_a_code_that_no_line_can_carry_is_2(ask):
    code, _, err = ask("faults", "x" * 90)
    assert code == 2
    assert "too long for a request" in err


@pytest.mark.parametrize("seconds", ["0", "nan", "x", "-1"])
def test_a_timeout_out_of_range_is_wrong_use(capsys, seconds):
    with pytest.raises(SystemExit) as left:
        main(["status", "--timeout", seconds])
    assert left.value.code == 2


# Watching


def test_watch_once_is_the_page_and_the_exit_code_of_status(ask, board):
    code, out, _ = ask("watch", "--once")
    assert code == 1
    lines = out.splitlines()
    assert lines[0] == "bus 398.2 V: LIVE"
    assert "  Drive   80 %: isolation warning" in lines
    assert "          The drive limit is 80 %, cap of isolation warning: isolation 483 ohm/V" in lines
    assert "  Charge  100 %" in lines
    board.set_off()
    code, out, _ = ask("watch", "--once")
    assert code == 0
    assert "Active faults   none" in out


def test_watch_needs_a_terminal(ask):
    code, _, err = ask("watch")
    assert code == 2
    assert "--once" in err


def test_watch_survives_unplugging_and_never_shows_an_old_voltage_as_today_s(board, monkeypatch):
    monkeypatch.setattr(watch, "_BEAT_S", 0.02)
    monkeypatch.setattr(watch, "_LIVE_BEAT_S", 0.02)
    board.set_off()
    pages = []

    def show(page):
        pages.append(page)
        if len(pages) == 2:
            board.unplug()
        elif len(pages) == 5:
            board.plug()
        elif len(pages) == 7:
            raise KeyboardInterrupt

    with Link(str(board.path), answer_s=0.5, retries=0) as link:
        seen = Watch(Board(link, None))
        follow(seen, show)
    dead = "bus 3.1 V measured; prove it dead with a tested meter"
    assert [page.splitlines()[0] == dead for page in pages] == [True, True, False, False, False, True, True]
    assert pages[3].splitlines()[0] == "bus voltage NOT KNOWN: take it as LIVE"
    assert f"no answer since 0 s, waiting for {board.path}" in " ".join(pages[3].split())
    assert re.search(rf"As it was at \d\d:\d\d:\d\d: {dead}", pages[3])


def test_watch_never_gives_an_old_reason_for_a_new_limit(board):
    with Link(str(board.path), answer_s=0.5) as link:
        seen = Watch(Board(link, None))
        seen.beat()
        assert "cap of isolation warning" in seen.page()
        board.answers["status"] = [{**STATUS, "drive_limit_permille": 200}, STATUS_MORE]
        board.answers["limits"] = [{**LIMITS[0], "granted_permille": 200, "by": "the hot pack"}, LIMITS[1]]
        seen.beat()
        assert "  Drive   20 %, on its way to 80 %: the hot pack\n" in seen.page()
        assert "cap of isolation warning" not in seen.page()


def test_watch_draws_on_a_terminal_and_leaves_it_as_it_was(board):
    """In a process of its own, ended by Ctrl-C: alternate screen and cursor given back, exit 0."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "loopwarden_cli.main", "watch", "--port", str(board.path)]
    process = subprocess.Popen(
        command,
        stdout=slave,
        stderr=slave,
        stdin=slave,
        env={**os.environ, "TERM": "xterm"},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a job in the background inherits none
    )
    os.close(slave)
    out, until_s, stopped = b"", time.monotonic() + 20, False
    while time.monotonic() < until_s:
        if not select.select([master], [], [], 0.2)[0]:
            if process.poll() is not None:
                break
            continue
        try:
            out += os.read(master, 4096)
        except OSError:
            break
        if not stopped and out.count(b"LIVE") >= 2:
            process.send_signal(signal.SIGINT)
            stopped = True
    assert process.wait(5) == 0
    os.close(master)
    assert b"Traceback" not in out
    assert out.count(b"\x1b[?1049h") == out.count(b"\x1b[?1049l") == 1
    assert out.index(b"\x1b[?1049l") < out.rindex(b"bus 398.2 V: LIVE")
    assert out.rindex(b"\x1b[?25h") > out.rindex(b"\x1b[?25l")
