"""Which command reaches which pin, and what is off, dark or lit when nothing is commanded (S3, S5, S11)."""

import pytest
from sim.scenario_files import CART, TRUCK

from loopwarden import signals
from loopwarden.build import Build
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_build.pins import CONVERTER, DUTIES, OUTPUTS, SHIFT_OUT, number_of

from .desk_pins import board_of

COILS = ("positive", "negative", "precharge", "discharge")
BUILDS = (TRUCK, CART)
SWITCHED = (*COILS, "inverter_enable", "lamp_stop", "lamp_ready", "lamp_caution")
TRUCKS = ("hold", "charger_enable", "hv_loads_enable", "heater", "chiller", "chill_valve")
DRIVEN = [(path, name) for path in BUILDS for name in SWITCHED] + [(TRUCK, name) for name in TRUCKS]


def made(path):
    file = read_build(path)
    return file, Build(to_device(file)), signals.Outputs()


def at(file, name):
    """The number of the pin that a signal lies on."""
    return number_of(file.pins[name])


def is_on(chip, file, name):
    """Whether a signal is high, on its pin or on its register."""
    place = at(file, name)
    if place >= SHIFT_OUT:
        return bool(chip.shifted) and chip.shifted[-1] >> (place - SHIFT_OUT) & 1 == 1
    return place < CONVERTER and chip.out >> place & 1 == 1 and place in chip.born


@pytest.mark.parametrize("path", BUILDS)
def test_everything_is_off_and_the_lamps_are_lit_before_the_first_tick(chip, path):
    chip.out = (1 << 30) - 1  # levels that a soft reset has left
    file, build, _ = made(path)
    board_of(build)
    plan = [name for name in OUTPUTS if file.pins.get(name, "none") != "none"]
    assert [name for name in plan if is_on(chip, file, name)] == []
    assert [name for name in plan if chip.born.get(at(file, name))] == []  # nor for the instant in which it was made
    if "register_enable" in file.pins:
        assert chip.shifted == [0]
    assert all(chip.duties[at(file, name)] == 0 for name in DUTIES if file.pins.get(name, "none") != "none")


@pytest.mark.parametrize(("path", "name"), DRIVEN)
def test_each_command_drives_its_own_pin_and_no_other(chip, path, name):
    file, build, outputs = made(path)
    board = board_of(build)
    others = [other for other in OUTPUTS if file.pins.get(other, "none") != "none" and other != "loop_drive"]
    setattr(outputs, name, 1)
    board.drive(outputs)
    assert [other for other in others if is_on(chip, file, other)] == [name]
    setattr(outputs, name, 0)
    board.drive(outputs)
    assert [other for other in others if is_on(chip, file, other)] == []


@pytest.mark.parametrize("path", BUILDS)
def test_the_high_voltage_lamps_are_held_off_by_their_own_command_only(chip, path):
    """S5: the pin is high for dark, so every way of not driving it lights them."""
    file, build, outputs = made(path)
    board = board_of(build)
    board.drive(outputs)
    assert not is_on(chip, file, "lamp_hv")
    outputs.lamp_hv = 0
    board.drive(outputs)
    assert is_on(chip, file, "lamp_hv")
    board.off()
    assert not is_on(chip, file, "lamp_hv")


@pytest.mark.parametrize("path", BUILDS)
def test_off_takes_every_command_away_at_once_and_leaves_hold(chip, path):
    """S11: in one write, before anything slow, without the loop."""
    file, build, outputs = made(path)
    board = board_of(build)
    for name in (*COILS, "inverter_enable", "charger_enable", "hv_loads_enable", "hold", "heater", "lamp_stop"):
        setattr(outputs, name, 1)
    outputs.drive_limit_permille = outputs.charge_limit_permille = 1000
    board.drive(outputs)
    assert is_on(chip, file, "positive")
    chip.writes.clear()
    board.off()
    assert not [name for name in COILS if chip.out >> at(file, name) & 1]
    first = chip.writes[0]
    assert all(first[1] >> at(file, name) & 1 for name in (*COILS, "inverter_enable"))
    on = [name for name in OUTPUTS if file.pins.get(name, "none") != "none" and is_on(chip, file, name)]
    assert on == (["hold"] if "hold" in file.pins else [])
    assert all(chip.duties[at(file, name)] == 0 for name in ("drive_limit", "charge_limit") if name in file.pins)


@pytest.mark.parametrize(("permille", "percent"), [(0, 10.0), (500, 50.0), (1000, 90.0)])
def test_a_limit_is_a_duty_between_ten_and_ninety_percent(chip, permille, percent):
    file, build, outputs = made(TRUCK)
    board = board_of(build)
    outputs.drive_limit_permille = permille
    board.drive(outputs)
    assert chip.duties[at(file, "drive_limit")] / 655.35 == pytest.approx(percent, abs=0.01)


def test_the_heartbeat_follows_the_loop_tick_by_tick(chip):
    file, build, outputs = made(CART)
    board = board_of(build)
    seen = []
    for tick in range(6):
        outputs.heartbeat = tick & 1
        board.drive(outputs)
        seen.append(is_on(chip, file, "heartbeat"))
    assert seen == [False, True] * 3


def test_registers_stay_held_off_until_a_word_is_in_them(chip):
    file, build, _ = made(TRUCK)
    module = __import__("loopwarden.board.bus", fromlist=["Bus"])
    bus = module.Bus(build.pins_bus)
    enable = at(file, "register_enable")
    assert chip.out >> enable & 1  # high: off
    bus.shift(bytearray(2))
    assert not chip.out >> enable & 1
