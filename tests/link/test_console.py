"""Bytes in, lines out: echo, prompt, handshakes, half and long lines, checksums; a port that does what it likes."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from policy.rig import Rig

from loopwarden.link.tables import COMMANDS

from .desk import Desk, objects, sealed


@pytest.fixture
def desk():
    return Desk(Rig().wake())


def sent(desk, data, settle=True):
    """What comes back for raw bytes."""
    desk.port.out.clear()
    desk.port.into += data
    if settle:
        desk.settle()
    return bytes(desk.port.out)


def test_the_banner_is_the_only_thing_said_unasked(desk):
    assert desk.banner == b"\r\nLoopwarden, bench use only, type help\r\n> "
    assert sent(desk, b"") == b""


def test_a_line_is_echoed_and_a_prompt_follows_the_answer(desk):
    out = sent(desk, b"version\r")
    assert out.startswith(b"version\r\nprogram       0.1.0\r\n")
    assert out.endswith(b"\r\n> ")


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_cr_lf_or_both_end_one_line(desk, end):
    assert sent(desk, b"nonsense" + end).count(b"no such command") == 1
    assert sent(desk, end) == b"\r\n> "
    assert sent(desk, b"version" + end + b"version" + end).count(b"program") == 2


def test_a_half_line_waits_for_its_end(desk):
    assert sent(desk, b"vers") == b"vers"
    assert b"program" in sent(desk, b"ion\r")


def test_backspace_and_delete_take_a_letter_away(desk):
    assert sent(desk, b"\x08\x7fversx\x08iom\x7fn\r").startswith(b"versx\b \biom\b \bn\r\nprogram")


@pytest.mark.parametrize("sequence", [b"\x1b[A", b"\x1b[1;5C", b"\x1bOP", b"\x1bx", b"\x1b"])
def test_an_escape_sequence_is_swallowed(desk, sequence):
    out = sent(desk, b"version" + sequence + b"\r")
    assert out.startswith(b"version\r\nprogram"), out


def test_upper_case_and_blanks_do_not_matter(desk):
    assert b"program" in sent(desk, b"   VERSION  \r")
    assert b"Drive limit" in sent(desk, b"Why DRIVE limit\r")


@pytest.mark.parametrize("handshake", [b"\x03", b"\r\x03\r\x01", b"\x03\x03\x01\x04", b"AT\r\x01", b"\x02"])
def test_a_tools_handshake_gets_one_line_that_says_how_to_service(desk, handshake):
    """Once a second, however often it knocks; nothing of it is taken for a command."""
    out = sent(desk, handshake)
    assert out.count(b"For service: type service when nothing is started") == 1
    assert b"service" not in sent(desk, handshake * 20)
    desk.loop.board.us += 1_000_000
    assert sent(desk, handshake).count(b"For service") == 1
    assert desk.served == 0


def test_what_is_not_ascii_is_refused_with_its_line(desk):
    assert b"only plain ASCII" in sent(desk, "störung\r".encode())
    assert b"program" in sent(desk, b"version\r")


def test_eighty_bytes_are_a_line_and_one_more_is_not(desk):
    assert b"program" in sent(desk, b"version".ljust(80) + b"\r")
    out = sent(desk, b"version".ljust(81) + b"\r")
    assert out.count(b"the line is too long; 80 bytes are allowed") == 1
    assert b"program" not in out
    assert sent(desk, b"x" * 5_000 + b"\r").count(b"too long") == 1
    assert len(desk.console.typed) == 80


def test_the_nearest_command_is_named(desk):
    assert "did you mean faults" in desk.type("falts")
    assert "did you mean limits" in desk.type("limit")
    assert desk.type("xyz") == "no such command; type help\n"


def test_help_names_every_command_in_a_line_each(desk):
    assert [line.split()[0] for line in desk.type("help").splitlines()] == [name.decode() for name, _ in COMMANDS]


# Programs


def test_a_programs_line_is_not_echoed_and_gets_no_prompt(desk):
    out = sent(desk, sealed("@65535 version"))
    assert objects(out, 65535)[0]["program"] == "0.1.0"
    assert b"> " not in out


def test_every_answer_numbers_its_lines_and_ends(desk):
    for name, _ in COMMANDS:
        answer = desk.ask(name.decode(), n=7)
        assert answer[-1]["kind"] in ("end", "error"), name


@pytest.mark.parametrize(
    "line",
    [
        b"@17 version\r",
        b"@17 version *00000000\r",
        sealed("@17 version").upper(),
        sealed("@17 version").replace(b"17", b"18"),
        sealed("@ version"),
        sealed("@65536 version"),
        sealed("@1x version"),
        sealed("@-1 version"),
        b"@\r",
        b"@ *00000000\r",
    ],
)
def test_a_line_without_a_good_checksum_is_refused(desk, line):
    answer = objects(sent(desk, line), n=None)
    assert answer[-1]["kind"] == "error"
    assert "checksum" in answer[-1]["error"]


def test_an_error_names_what_is_allowed(desk):
    assert "did you mean version" in desk.ask("versoin")[-1]["error"]
    assert "drive limit, charge limit" in desk.ask("why tea")[-1]["error"]
    assert "faults lists" in desk.ask("clear P0123-45")[-1]["error"]
    assert "of which code?" in desk.ask("clear")[-1]["error"]


def test_a_code_that_is_several_asks_for_its_ending(desk):
    assert "P0A0A-13" in desk.ask("faults P0A0A")[-1]["error"]
    for code in ("P0A0A-13", "p0a0a-13", "LOOP_OPEN", "loop open", "P1A02"):
        assert desk.ask("faults " + code)[0]["kind"] == "fault"
    assert desk.ask("faults CRASH")[0]["row"] == 62  # five letters that are no code


# Nothing to say


def test_before_the_first_tick_and_while_stopped_little_is_known():
    desk = Desk(Rig())
    assert "nothing is known before the first tick" in desk.type("faults")
    desk.loop.supervisor, desk.loop.held, desk.loop.ends = None, True, 3
    desk.loop.before = 2 | 3 << 8 | 8 << 16
    page = desk.type("status")
    assert "STOPPED: the program ended by itself 3 times in a row" in page
    assert "It was deciding, phase live, isolation fault." in page
    assert "prove it dead with a tested meter" in page
    assert desk.ask("status")[0]["phase"] == "stopped"
    for command in ("faults", "clear all", "service", "why start", "inputs", "limits", "starts", "storage", "time 1"):
        assert "not while the program is stopped" in desk.type(command), command
    assert "program" in desk.type("version")


def test_with_little_memory_left_a_live_drive_is_asked_no_more():
    """Nobody collects while live: below 48 KB nothing dear, below 40 KB nothing at all; off, all is as before."""
    desk = Desk(Rig().go_live())
    said = "not while live with so little memory left; ask again when the drive is off\n"
    desk.rig.inputs.heap_free = 48 * 1024 - 1
    assert desk.type("why start") == desk.type("faults crash") == said
    assert "phase" in desk.type("status")
    desk.rig.inputs.heap_free = 40 * 1024 - 1
    assert sent(desk, b"status\r") == b"\r\n" + said.replace("\n", "\r\n").encode() + b"> "  # not even echoed
    assert b"{" not in sent(desk, sealed("@1 status"))
    desk.rig.sup.phases.stage = 0
    assert "phase" in desk.type("status")
    assert "a start would be refused" in desk.type("why start")


def test_an_answer_that_fails_ends_in_words_and_the_loop_goes_on(desk):
    def broken(*_):
        raise OSError(5)
        yield

    assert desk.type("status")
    assert desk.ask("status")
    desk.console.requests.pages.status = broken
    assert desk.type("status") == "this could not be answered; the drive goes on\n"
    desk.console.requests.objects.status = broken
    assert "could not be answered" in desk.ask("status")[-1]["error"]
    assert "program" in desk.type("version")


# A port that does what it likes


def test_a_port_that_takes_nothing_costs_nothing_and_loses_nothing(desk):
    desk.port.takes = lambda: False
    desk.port.into += b"status\r" * 100
    for _ in range(1_000):
        desk.console.work(desk.loop)
    assert not desk.console.work(desk.loop)
    assert len(desk.port.into) > 680  # held back in the port
    desk.port.takes = lambda: True
    assert sent(desk, b"").count(b"temperatures") == 100


def test_one_call_reads_and_writes_little(desk):
    desk.port.into += b"x" * 1_000
    before = len(desk.port.into)
    desk.console.work(desk.loop)
    assert 0 < before - len(desk.port.into) <= 16
    desk.settle()
    desk.port.into += b"\rhelp\r"
    most = 0
    for _ in range(500):
        before = len(desk.port.out)
        desk.console.work(desk.loop)
        most = max(most, len(desk.port.out) - before)
    assert 0 < most <= 24


RIG = Rig().go_live()
OUTPUTS = dict(vars(RIG.out))
WORDS = [name.decode() for name, _ in COMMANDS] + ["why start", "faults crash", "clear all", "acknowledge crash", "@"]
PIECES = st.one_of(
    st.binary(max_size=100),
    st.sampled_from(WORDS).map(lambda word: word.encode() + b"\r"),
    st.sampled_from(WORDS).map(lambda word: sealed("@5 " + word)),
    st.sampled_from((b"\x1b[", b"\r\n", b"\x03\r\x01", b"@", b" *")),
)


@settings(deadline=None, max_examples=150)
@given(pieces=st.lists(PIECES, max_size=8), data=st.data())
def test_whatever_comes_in_nothing_goes_wrong(pieces, data):
    """Any bytes, a port that gives and takes at random: no exception, outputs untouched, nothing asked of the drive
    without a whole good line, every object sealed, buffers as long as they were."""
    desk = Desk(RIG)
    asked = []
    RIG.sup.ask = asked.append
    chances = iter(data.draw(st.lists(st.booleans(), min_size=40, max_size=40)) * 10_000)
    desk.port.takes = lambda: next(chances)
    desk.port.gives = lambda: next(chances)
    for piece in pieces:
        desk.port.into += piece
        for _ in range(data.draw(st.integers(0, 60))):
            desk.console.work(desk.loop)
    desk.port.takes = desk.port.gives = lambda: True
    desk.settle()
    assert not desk.port.into
    assert vars(RIG.out) == OUTPUTS
    assert asked == []  # live: nothing may be asked
    assert desk.served == 0
    lines = desk.console.lines
    assert (len(desk.console.typed), len(lines.buffer), len(lines.flow)) == (80, 512, 1024)
    assert len(lines.w.page.getvalue()) == 512
    for line in bytes(desk.port.out).split(b"\r\n"):
        at = line.find(b'{"n":')
        if at >= 0:
            shown = json.loads(line[at:])
            body = line[at:].rpartition(b',"crc":"')[0]
            assert shown["crc"] == sealed(body.decode())[-9:-1].decode()


@settings(deadline=None, max_examples=100)
@given(at=st.integers(0, 40), bit=st.integers(0, 7))
def test_one_flipped_bit_asks_for_nothing(at, bit):
    """A sealed request with any one bit wrong is no request: nothing is cleared by it."""
    desk = Desk(Rig().wake())
    cleared = []
    desk.loop.memory.clear = lambda row: cleared.append(row) or True
    line = bytearray(sealed("@17 clear P0A0A-13"))
    line[at % (len(line) - 1)] ^= 1 << bit
    desk.port.into += line + b"\r"
    desk.settle()
    assert cleared == []
