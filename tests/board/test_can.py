"""The seam to a CAN controller: whatever comes over it, a tick gets a bounded part, and a driver that fails is left."""

import sys
from types import ModuleType, SimpleNamespace

import pytest

from loopwarden.board.can import Can

MONITOR, WHEEL = 0x321, 0x18FEF100 & 0x1FFFFFFF | 1 << 29
BUILD = SimpleNamespace(can=[0x5C0, 2, MONITOR, 8, WHEEL, 4])
TAKEN_MOST = 16


class Controller:
    """`comes` is what it has received: (identifier, bytes)."""

    made = None

    def __init__(self, identifiers):
        Controller.made = self
        self.identifiers = identifiers
        self.comes = []
        self.sent = []
        self.asked = self.length = 0
        self.broken = False

    def send(self, identifier, data):
        if self.broken:
            raise OSError("no bus")
        self.sent.append((identifier, bytes(data)))
        return True

    def receive(self, data):
        self.asked += 1
        if self.broken:
            raise ValueError("no bus")
        if not self.comes:
            return -1
        identifier, content = self.comes.pop(0)
        self.length = len(content)
        data[: len(content)] = content
        return identifier


@pytest.fixture
def can(monkeypatch):
    driver = ModuleType("can_controller")
    driver.Controller = Controller
    monkeypatch.setitem(sys.modules, "can_controller", driver)
    return Can(BUILD)


def raw():
    return SimpleNamespace(isolation_fresh=0, speed_fresh=0, isolation_data=bytearray(8), speed_data=bytearray(8))


def test_the_driver_is_told_what_to_let_through(can):
    assert Controller.made.identifiers == [MONITOR, WHEEL]


def test_a_frame_of_a_sensor_is_put_where_it_belongs(can):
    Controller.made.comes = [(MONITOR, b"12345678"), (WHEEL, b"abcd")]
    seen = raw()
    can.take(seen)
    assert (seen.isolation_fresh, bytes(seen.isolation_data)) == (1, b"12345678")
    assert (seen.speed_fresh, bytes(seen.speed_data[:4])) == (1, b"abcd")
    can.take(seen)
    assert (seen.isolation_fresh, seen.speed_fresh) == (0, 0)


def test_of_several_in_a_tick_the_last_one_counts(can):
    Controller.made.comes = [(MONITOR, b"1" * 8), (MONITOR, b"2" * 8)]
    seen = raw()
    can.take(seen)
    assert bytes(seen.isolation_data) == b"2" * 8


@pytest.mark.parametrize(
    ("identifier", "content"),
    [
        (MONITOR, b"1234567"),
        (MONITOR, b""),
        (WHEEL, b"abcde"),
        (MONITOR | 1 << 29, b"12345678"),  # the same number, extended
        (WHEEL & ~(1 << 29), b"abcd"),
        (0x5C0, b"12345678"),  # one of those that it sends itself
        (0, b""),
    ],
)
def test_what_is_not_exactly_a_sensors_frame_is_nobodys(can, identifier, content):
    """S15: no frame means anything but the readings that the build describes."""
    Controller.made.comes = [(identifier, content)]
    seen = raw()
    can.take(seen)
    assert vars(seen) == vars(raw())


def test_a_flood_costs_a_tick_no_more_than_its_part(can):
    Controller.made.comes = [(n, bytes(8)) for n in range(1000)]
    can.take(raw())
    assert Controller.made.asked == TAKEN_MOST


@pytest.mark.parametrize("way", ["send", "take"])
def test_a_driver_that_fails_is_not_asked_again_and_ends_no_drive(can, way):
    """What it told grows old (S10); nothing is raised."""
    Controller.made.broken = True
    seen = raw()
    assert can.send(0x5C0, bytes(8)) is False if way == "send" else can.take(seen) is None
    Controller.made.broken = False
    Controller.made.comes = [(MONITOR, b"12345678")]
    can.take(seen)
    assert not seen.isolation_fresh
    assert can.send(0x5C0, bytes(8)) is False


def test_without_a_driver_nothing_is_sent_and_nothing_heard(monkeypatch):
    monkeypatch.setitem(sys.modules, "can_controller", None)
    can = Can(BUILD)
    seen = raw()
    can.take(seen)
    assert vars(seen) == vars(raw())
    assert can.send(0x5C0, bytes(8)) is False


def test_what_came_is_there_before_the_pins_are_looked_at(can):
    Controller.made.comes = [(MONITOR, b"12345678")]
    order = []
    seen = raw()
    can.sampled(lambda given: order.append(given.isolation_fresh))(seen)
    assert order == [1]


def test_a_build_that_only_sends_samples_as_one_without_can(monkeypatch):
    """Nothing on the bus is even looked at."""

    def sample(given):
        return None

    assert Can(SimpleNamespace(can=[0x5C0, 0])).sampled(sample) is sample
