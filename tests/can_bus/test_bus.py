"""A bus of python-can: opened by name, listened to for a while, or at the other end of a virtual board."""

import can
import pytest

from loopwarden_can.bus import EXTENDED, BoardBus, CanError, listen, open_bus

from .made import frame


@pytest.fixture
def ends():
    """Two ends of a bus within this process."""
    with open_bus("virtual:of the tests") as one, open_bus("virtual:of the tests") as other:
        yield one, other


def message(identifier, data, **more):
    return can.Message(arbitration_id=identifier, data=data, is_extended_id=more.pop("is_extended_id", False), **more)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "not INTERFACE:CHANNEL"),
        ("can0", "not INTERFACE:CHANNEL"),
        ("socketcan:", "not INTERFACE:CHANNEL"),
        (":can0", "not INTERFACE:CHANNEL"),
        ("carrier_pigeon:can0", "has no interface 'carrier_pigeon'; it has .*socketcan"),
        ("udp_multicast:nowhere", "cannot be opened: "),
    ],
)
def test_a_bus_that_cannot_be_opened_is_one_line(name, said):
    with pytest.raises(CanError, match=said) as caught:
        open_bus(name)
    assert "\n" not in str(caught.value)
    assert repr(name) in str(caught.value)


def test_what_a_board_says_comes_out_at_the_other_end(ends):
    one, other = ends
    BoardBus(one).say([frame("Status", 4, Phase=3), frame("Voltages", 9)])
    first = other.recv(1)
    assert (first.arbitration_id, bytes(first.data)) == frame("Status", 4, Phase=3)
    assert not first.is_extended_id
    assert other.recv(1).arbitration_id == frame("Voltages", 9)[0]


def test_what_is_on_the_bus_reaches_a_board_with_its_length_and_a_bounded_part_at_a_time(ends):
    one, other = ends
    board = BoardBus(one)
    other.send(message(0x12345, b"abc", is_extended_id=True))
    other.send(message(0x123, b""))
    other.send(message(0x124, bytes(64), is_fd=True))  # no frame of a classic bus
    other.send(message(0x125, b"", is_remote_frame=True))
    assert board.heard() == [(0x12345 | EXTENDED, b"abc"), (0x123, b"")]
    for n in range(200):
        other.send(message(n, bytes(8)))
    assert [len(board.heard()) for _ in range(5)] == [64, 64, 64, 8, 0]


def test_a_listener_passes_over_what_is_not_a_boards(ends):
    one, other = ends
    identifier, data = frame("Voltages", 0, BusVoltage=12.0)
    one.send(message(identifier, data, is_extended_id=True))
    one.send(message(identifier, b"", is_remote_frame=True))
    one.send(message(0x7FF, data))
    one.send(message(*frame("Voltages", 1, BusVoltage=48.0)))
    heard = next(listen(other, 0x5C0, 2))
    assert heard.latest["Voltages"]["BusVoltage"] == 48.0
    assert (heard.mangled, heard.lost, heard.repeated) == (0, 0, 0)


def test_a_listener_ends_after_its_time(ends):
    assert list(listen(ends[0], 0x5C0, 0.2)) == []


def test_a_bus_that_breaks_off_is_one_line(ends, monkeypatch):
    def broken(*_, **__):
        raise can.CanOperationError("the cable is out\nin two lines")

    one, _ = ends
    monkeypatch.setattr(one, "recv", broken)
    monkeypatch.setattr(one, "send", broken)
    for use in (lambda: list(listen(one, 0x5C0, 1)), BoardBus(one).heard, lambda: BoardBus(one).say([(1, b"")])):
        with pytest.raises(CanError, match=r"the CAN bus broke off: the cable is out$"):
            use()
