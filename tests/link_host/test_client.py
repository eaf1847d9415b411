"""The client against a board on a pseudo terminal: only whole, undamaged answers, whatever the line does."""

import json
import random
import re
import threading
import time
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fake_board import STATUS, STATUS_MORE, FakeBoard, sealed
from loopwarden_link.client import Link
from loopwarden_link.errors import AtPrompt, Damaged, LinkError, Lost, NoAnswer, OpenError, Refused
from loopwarden_link.ports import SerialPort, choose


@pytest.fixture
def board(tmp_path):
    board = FakeBoard(tmp_path / "port")
    yield board
    board.close()


def link_to(board, **settings):
    return Link(str(board.path), **{"answer_s": 0.5, "quiet_s": 0.03, **settings})


def bare(objects):
    return [dict(found) for found in objects]


def test_an_answer_is_the_objects_without_what_the_link_added(board):
    with link_to(board) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]
        assert link.read("faults") == bare(board.answers["faults"])
    assert board.asked == ["status", "faults"]


def test_each_request_is_a_whole_line_and_nothing_is_left_typed(board):
    with link_to(board) as link:
        link.read("status")
    assert re.fullmatch(rb"\x80\r@\d+ status \*[0-9a-f]{8}\r", board.raw)


def test_slow_is_not_silent(board):
    """Each line has its own time; together they take longer than that."""
    board.slow_s = 0.25
    with link_to(board, retries=0) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]


def test_silence_is_asked_again_and_then_told(board):
    board.silent = 3
    with link_to(board, answer_s=0.15) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]
        assert board.asked == ["status"] * 4
        board.silent = 4
        with pytest.raises(
            NoAnswer, match=r"^asked 4 times: .*no answer in 0.15 s; .* at its prompt\? .*service state"
        ):
            link.read("status")


def test_words_in_place_of_an_answer_are_told(board):
    def say():
        board._send(b"\r\nnot while live with so little memory left\r\n> ")
        return []

    board.answers["status"] = say
    board.spoil = lambda lines, asked: []
    told = r'It said: "not while live with so little memory left"$'
    with link_to(board, answer_s=0.15, retries=0) as link, pytest.raises(NoAnswer, match=told):
        link.read("status")


def test_a_silent_board_is_left_with_an_ended_line(board):
    board.silent = 1
    with link_to(board, retries=0, answer_s=0.15) as link, pytest.raises(NoAnswer):
        link.read("status")
    time.sleep(0.1)
    assert board.raw.endswith(b"\r\r")


def test_noise_between_the_lines_is_passed_over(board):
    board.noise = b"\x00\xff> status\r\n\x1b[2K> half a li"
    with link_to(board, retries=0) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda lines: [lines[0].replace(b"live", b"dead"), *lines[1:]],
        lambda lines: lines[1:],
        lambda lines: [lines[0], *lines[2:]],
        lambda lines: lines[:-1],
        lambda lines: [lines[0], lines[1][:40]],
        lambda lines: [lines[0], lines[0], *lines[1:]],
        lambda lines: [lines[1], lines[0], lines[2]],
        lambda lines: [b"".join(lines)],
        lambda lines: [*lines[:2], sealed(json.loads(lines[0])["n"], [{}, {}, {}])[-1]],
    ],
    ids=["changed", "no first", "no second", "no end", "cut", "twice", "swapped", "no line ends", "wrong count"],
)
def test_a_damaged_answer_is_asked_again_and_never_used(board, spoil):
    board.spoil = lambda lines, asked: spoil(lines) if asked < 3 else lines
    with link_to(board, answer_s=0.2) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]
        assert board.asked == ["status"] * 3
        board.spoil = lambda lines, asked: spoil(lines)
        with pytest.raises(Damaged, match=r"^asked 4 times: "):
            link.read("status")


def test_what_is_left_of_an_earlier_answer_is_not_taken_for_this_one(board):
    """The first answer comes only after its time is over, together with the second."""
    late = []

    def spoil(lines, asked):
        if asked == 1:
            late.extend(lines)
            return []
        return [*late, *lines]

    board.spoil = spoil
    with link_to(board) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]


def test_a_refusal_is_an_answer_and_not_asked_again(board):
    board.answers["why snow"] = "why: no subject snow; there are phase, start"
    with link_to(board) as link:
        with pytest.raises(Refused) as refused:
            link.read("why snow")
        assert refused.value.text == "why: no subject snow; there are phase, start"
        assert link.read("status")
    assert board.asked == ["why snow", "status"]


def test_a_request_that_arrived_damaged_is_asked_again(board):
    board.spoil = lambda lines, asked: lines if asked > 1 else sealed(None, [], "checksum")
    with link_to(board) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]


def test_a_command_that_does_something_is_sent_once(board):
    board.silent = 1
    with link_to(board) as link, pytest.raises(NoAnswer):
        link.once("clear all")
    assert board.asked == ["clear all"]


def test_each_object_is_heard_when_it_comes(board):
    board.answers["clear P0A0A-13"] = [{"kind": "asked", "row": 1, "what": "press the button"}]
    board.slow_s = 0.2
    heard = []
    with link_to(board) as link:
        link.once("clear P0A0A-13", wait_s=1, heard=lambda found: heard.append((time.monotonic(), found["what"])))
        assert heard[0][1] == "press the button"
        assert time.monotonic() - heard[0][0] > 0.1


def test_a_half_typed_line_of_a_person_is_not_carried_out(tmp_path):
    board = FakeBoard(tmp_path / "port", half_typed=b"clear all")
    with link_to(board, retries=0) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]
    board.close()
    assert board.typed == []


def test_a_banner_is_passed_over(tmp_path):
    board = FakeBoard(tmp_path / "port", mode="banner")
    with link_to(board, retries=0) as link:
        assert link.read("status") == [STATUS, STATUS_MORE]
    board.close()


@pytest.mark.parametrize("mode", ["prompt", "raw"])
def test_the_prompt_of_micropython_is_told_and_gets_no_request(tmp_path, mode):
    """A line that begins with @ would leave that prompt waiting for the rest of a decorator."""
    board = FakeBoard(tmp_path / "port", mode=mode)
    with link_to(board, quiet_s=0.2) as link:
        for _ in range(2):
            with pytest.raises(AtPrompt, match="MicroPython prompt"):
                link.read("status")
    board.close()
    assert b"@" not in board.raw


def test_a_program_that_ends_while_asked_is_told_as_prompt(board):
    def stop():
        board.mode = "prompt"
        board._send(b"Traceback\r\n>>> ")
        return []

    board.spoil = lambda lines, asked: []
    board.answers["status"] = stop
    with link_to(board) as link, pytest.raises(AtPrompt):
        link.read("status")


def test_a_board_that_was_unplugged_is_found_again(board):
    with link_to(board) as link:
        link.read("status")
        board.unplug()
        with pytest.raises(LinkError, match=r"went away|no such port"):
            link.read("status")
        with pytest.raises(OpenError, match="no such port; is the board plugged in"):
            link.read("status")
        board.plug()
        assert link.read("status") == [STATUS, STATUS_MORE]


def test_unplugged_in_the_middle_of_an_answer(board):
    board.slow_s = 0.1
    threading.Timer(0.25, board.unplug).start()
    with link_to(board, answer_s=1, retries=0) as link, pytest.raises(Lost, match="went away"):
        link.read("faults P0A0A-13")
    time.sleep(0.3)
    board.plug()


def test_a_port_in_use_is_told(board):
    port = SerialPort(str(board.path), 0.1)
    with link_to(board) as link, pytest.raises(OpenError, match="the port is busy"):
        link.read("status")
    port.close()


def test_no_port_and_no_serial_port(tmp_path):
    with pytest.raises(OpenError, match="there is no such port"):
        SerialPort(str(tmp_path / "none"), 0.1)
    file = tmp_path / "file"
    file.write_text("kept")
    with pytest.raises(OpenError, match="cannot be opened as a serial port"):
        SerialPort(str(file), 0.1)
    assert file.read_text() == "kept"


def test_permission_denied_names_what_to_join(monkeypatch):
    def denied(*args, **settings):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("serial.Serial", denied)
    with pytest.raises(OpenError, match=r"^/dev/x: permission denied; join the group .* dialout or uucp"):
        SerialPort("/dev/x", 0.1)


class Info:
    def __init__(self, device, vid=None, serial_number=None):
        self.device, self.vid, self.serial_number = device, vid, serial_number


@pytest.mark.parametrize(
    ("ports", "told"),
    [
        ([], "no board found: 0 ports .* other serial ports: none"),
        ([Info("/dev/ttyS0"), Info("/dev/ttyUSB0", 0x0403)], "other serial ports: /dev/ttyS0, /dev/ttyUSB0"),
        (
            [Info("/dev/b", 0x2E8A, "E66"), Info("/dev/a", 0x2E8A)],
            r"2 boards are connected: /dev/a \(USB serial not told\), /dev/b \(USB serial E66\); say which",
        ),
    ],
)
def test_without_a_port_there_must_be_exactly_one_board(monkeypatch, ports, told):
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    with pytest.raises(OpenError, match=told):
        choose(None)
    assert choose("/dev/x") == "/dev/x"


def test_the_only_board_is_taken(monkeypatch):
    ports = [Info("/dev/ttyS0"), Info("/dev/ttyACM3", 0x2E8A)]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    assert choose(None) == "/dev/ttyACM3"


class Wire:
    """A port whose answer passes through damage; ends like an unplugged one, so that no time is waited."""

    def __init__(self, answer, damage):
        self._answer, self._damage = answer, damage
        self._chunks = []

    def write(self, data):
        if (number := re.search(rb"@(\d+) ", data)) is not None:
            whole = b"".join(line + b"\r\n" for line in sealed(int(number[1]), self._answer))
            self._chunks = [self._damage(whole), None]

    def read(self):
        data = self._chunks.pop(0) if self._chunks else b""
        if data is None:
            raise Lost("gone")
        return data

    def close(self):
        pass


DAMAGE = st.lists(
    st.tuples(
        st.sampled_from(["flip", "drop", "insert", "repeat", "cut", "swap"]),
        st.floats(0, 1, exclude_max=True),
        st.floats(0, 1, exclude_max=True),
        st.binary(min_size=1, max_size=8),
    ),
    min_size=1,
    max_size=6,
)


def damaged(data, steps):
    for kind, where, length, new in steps:
        at = int(where * len(data))
        end = at + 1 + int(length * 60)
        if kind == "flip":
            data = data[:at] + bytes((data[at] ^ new[0],)) + data[at + 1 :] if data else data
        elif kind == "drop":
            data = data[:at] + data[end:]
        elif kind == "insert":
            data = data[:at] + new + data[at:]
        elif kind == "repeat":
            data = data[:end] + data[at:]
        elif kind == "cut":
            data = data[:at]
        else:
            lines = data.split(b"\r\n")
            random.Random(at).shuffle(lines)
            data = b"\r\n".join(lines)
    return data


@given(DAMAGE)
def test_damage_is_noticed_or_does_no_harm(steps):
    """Bytes flipped, lost, put in, doubled, cut, lines in another order: the answer is right, or there is none."""
    answer = [STATUS, STATUS_MORE, *({"kind": "fault", "row": row} for row in range(4))]
    link = Link(
        "wire",
        answer_s=1,
        retries=0,
        quiet_s=0,
        open_port=lambda name, s: Wire(answer, lambda data: damaged(data, steps)),
    )
    with suppress(Damaged, Lost):
        assert link.read("faults") == answer


def test_the_wire_of_that_test_does_carry_an_answer():
    link = Link("wire", answer_s=1, retries=0, quiet_s=0, open_port=lambda name, s: Wire([STATUS], bytes))
    assert link.read("status") == [STATUS]


def test_lines_of_earlier_requests_are_not_waited_for_for_ever(board):
    """A log that is played back, or a wrong device, sends good lines with numbers of its own."""
    board.spoil = lambda lines, asked: [sealed(n, [])[0] for n in range(70_000, 76_000)]
    board.slow_s = 0.05
    with link_to(board) as link, pytest.raises(NoAnswer):  # and not after thousands of lines, that they do not end
        link.once("clear all")
