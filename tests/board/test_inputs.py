"""What the board makes of its pins: short edges are kept, a bus that does not answer is known (S3, S10)."""

import pytest
from sim.scenario_files import CART, TRUCK

from loopwarden import signals
from loopwarden.build import Build
from loopwarden.convert.raw import Raw
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_build.pins import number_of

from .desk_pins import board_of


class Desk:
    """A board of a build, its pins as on a sound truck or cart that stands there."""

    def __init__(self, chip, path):
        self.chip = chip
        self.file = read_build(path)
        self.pins = self.file.pins
        for name in ("stop", "loop 1"):
            chip.levels |= 1 << self.at(name)
        for gpio in (26, 27, 28, 29):
            chip.adc[gpio] = 1000 + gpio
        if "converter_select" in self.pins:
            for channel in range(8):
                chip.counts[self.at("converter_select"), channel] = 100 + channel
                chip.counts[self.at("converter2_select"), channel] = 200 + channel
        self.board = board_of(Build(to_device(self.file)))
        self.raw = Raw()

    def at(self, name):
        return number_of(self.pins[name])

    def sample(self):
        self.board.sample(self.raw)
        return self.raw


@pytest.fixture(params=[TRUCK, CART])
def desk(chip, request):
    return Desk(chip, request.param)


@pytest.fixture
def truck(chip):
    return Desk(chip, TRUCK)


@pytest.mark.parametrize(("name", "bit"), [("stop", signals.STOP), ("loop 1", signals.LOOP0)])
def test_an_edge_shorter_than_a_tick_is_latched_once(desk, name, bit):
    assert desk.sample().latched == 0
    desk.chip.fall(desk.at(name))
    assert desk.sample().latched == bit
    assert desk.sample().latched == 0


@pytest.mark.parametrize(("name", "bit"), [("stop", signals.STOP), ("loop 1", signals.LOOP0)])
def test_a_level_that_stays_bad_is_latched_in_every_tick(desk, name, bit):
    desk.chip.levels &= ~(1 << desk.at(name))
    for _ in range(3):
        raw = desk.sample()
        assert raw.latched == bit
        assert not raw.levels & bit


def test_an_edge_that_comes_while_another_is_cleared_is_kept(desk):
    """S3: looking and clearing take a few microseconds; nothing may get lost between them."""
    stop, loop = desk.at("stop"), desk.at("loop 1")
    for first, second in ((stop, loop), (loop, stop)):
        desk.chip.fall(first)
        # Right after each of the two looks the other one falls, and is high again before the next tick.
        desk.chip.after_look[:] = [lambda gpio=second: desk.chip.fall(gpio)] * 2
        seen = desk.sample().latched
        desk.chip.after_look.clear()
        assert seen | desk.sample().latched == signals.STOP | signals.LOOP0
        desk.sample()


def test_what_fell_while_the_board_came_up_is_no_emergency(chip):
    """The pins settle while the supply comes up; a stop that is still pressed reads as its level."""
    for gpio in range(30):
        chip.fall(gpio)
    assert Desk(chip, CART).sample().latched == 0


def test_a_chain_that_does_not_answer_makes_its_inputs_unknown(truck):
    known = truck.sample().known
    for dead in (0x0000, 0xFFFF):
        truck.chip.chain = dead
        raw = truck.sample()
        assert not raw.known & (signals.KEY | signals.START | signals.ACK | signals.PLUG | signals.LOOP0 << 2)
        assert raw.known & signals.STOP  # on a pin of its own
    truck.chip.chain = 0x8000
    assert truck.sample().known == known


def test_inputs_of_the_chain_lie_at_their_bits(truck):
    truck.chip.chain = 0x8000 | 1 << 1 | 1 << 4
    assert truck.sample().levels & (signals.KEY | signals.START | signals.PLUG) == signals.KEY | signals.PLUG


def test_a_converter_reads_twelve_bits_whatever_floats_before_them(truck):
    raw = truck.sample()
    assert (raw.pack_counts, raw.bus_counts, raw.current_counts) == (100, 101, 102)
    assert raw.zone_counts16[:5] == [16 * (200 + zone) for zone in range(5)]


def test_a_converter_that_does_not_answer_gives_no_number(truck):
    truck.chip.counts[truck.at("converter_select"), 1] = None
    truck.chip.counts[truck.at("converter2_select"), 0] = None
    raw = truck.sample()
    assert raw.bus_counts is None
    assert raw.zone_counts16[0] is None
    assert raw.pack_counts == 100


def test_the_boards_own_converter_has_twelve_bits(chip):
    raw = Desk(chip, CART).sample()
    assert (raw.pack_counts, raw.bus_counts, raw.supply_counts) == (1026, 1027, 1029)
    assert raw.zone_counts16[0] == 16 * 1028


def test_the_isolation_period_is_measured_between_edges_and_dropped_by_a_stall(truck):
    gpio = truck.at("isolation")
    handler = truck.chip.handlers[gpio]

    def edge(us, level):
        truck.chip.us = us
        truck.chip.levels = truck.chip.levels | 1 << gpio if level else truck.chip.levels & ~(1 << gpio)
        handler(truck.board.inputs.isolation.pin)

    for begin in range(0, 300_000, 100_000):
        edge(begin, 1)
        edge(begin + 70_000, 0)
    edge(300_000, 1)
    raw = truck.sample()
    assert (raw.isolation_fresh, raw.isolation_high_us, raw.isolation_low_us) == (1, 70_000, 30_000)
    assert truck.sample().isolation_fresh == 0
    truck.chip.us = 345_000
    truck.board.inputs.stalled(300_000)  # flash was erased: the edge at 370 ms may have come late
    edge(390_000, 0)
    edge(400_000, 1)
    assert truck.sample().isolation_fresh == 0


def test_speed_pulses_are_counted_and_timed(truck):
    handler = truck.chip.handlers[truck.at("speed")]
    for us in (1_000, 51_000, 96_000):
        truck.chip.us = us
        handler(None)
    raw = truck.sample()
    assert (raw.speed_pulses, raw.speed_period_us) == (3, 45_000)
    assert truck.sample().speed_pulses == 0


def test_a_crash_pulse_is_as_long_as_it_was(truck):
    gpio = truck.at("crash")
    handler = truck.chip.handlers[gpio]

    def edge(us, level):
        truck.chip.us = us
        truck.chip.levels = truck.chip.levels | 1 << gpio if level else truck.chip.levels & ~(1 << gpio)
        handler(truck.board.inputs.crash.pin)

    edge(10_000, 1)
    truck.chip.us = 16_000
    assert truck.sample().crash_us == 6_000
    edge(31_000, 0)
    assert truck.sample().crash_us == 21_000
    assert truck.sample().crash_us == 0
