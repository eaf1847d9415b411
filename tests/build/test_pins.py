"""The pin plan: what may lie where on a Pico class board, and what the error says.

Functions of the pins: RP2040 data sheet, table of GPIO functions; pins on the header: Pico data sheet; GP15: the chip's
erratum E5, for which USB start-up borrows it.
"""

import re
from pathlib import Path

import pytest

from loopwarden.build import Build
from loopwarden_build import pins
from loopwarden_build.integer_build import to_device
from loopwarden_build.pins import CONVERTER, INPUTS, OUTPUTS, SHIFT_IN, SHIFT_OUT

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
PLAN = "[pins]"


@pytest.fixture
def refused(refusal):
    def run(name, *edits):
        code, lines = refusal(name, (PLAN, PLAN), *edits)
        return code, [re.sub(r"^build\.toml:\d+: ", "", line) for line in lines]

    return run


def test_shipped_builds_have_a_plan_that_can_be_wired(parse):
    for name in ("orchard_truck", "bench_cart"):
        build = parse(name)
        assert build.pins
        assert not list(pins.misfits(build))


def test_the_minimal_build_is_one_bare_board(parse):
    assert all(place == "none" or place.startswith("GP") for place in parse("bench_cart").pins.values())


def test_a_build_without_a_plan_is_for_simulation_only(parse):
    build = parse("bench_cart", ('name = "bench cart"', 'name = "cart"'))
    assert not build.pins
    assert Build(to_device(build)).pins_out == []


def test_the_board_reads_the_plan_by_its_places(parse):
    built = Build(to_device(parse("orchard_truck")))
    assert built.pins_out[OUTPUTS.index("positive")] == 0
    assert built.pins_out[OUTPUTS.index("lamp_ready")] == SHIFT_OUT + 1
    assert built.pins_out[OUTPUTS.index("heat_share")] == -1
    assert built.pins_in[INPUTS.index("key")] == SHIFT_IN + 1
    assert built.pins_channel[:2] == [CONVERTER, CONVERTER + 1]
    assert built.pins_loop == [3, CONVERTER + 5, SHIFT_IN + 11]
    assert built.pins_bus == [18, 19, 16, 10, 11, 26, 27, 0]  # the last one: SPI0


def test_two_state_inputs_stand_in_the_order_of_the_signals_word():
    from loopwarden import signals

    words = {"charger_done": "CHARGED", "coil_feedback": "COIL_FAULT", "lamp_feedback": "LAMP_FAULT"}
    for bit, name in enumerate(INPUTS):
        assert getattr(signals, words.get(name, name.upper())) == 1 << bit


@pytest.mark.parametrize(
    ("name", "edit", "line"),
    [
        (
            "bench_cart",
            ('key = "GP16"', 'key = "GP17"'),
            'pins.start = "GP17": is already used by key',
        ),
        (
            "bench_cart",
            ('key = "GP16"', 'key = "GP15"'),
            'pins.key = "GP15": GP15 is borrowed while USB starts: nothing of ours may be on it',
        ),
        (
            "bench_cart",
            ('key = "GP16"', 'key = "GP23"'),
            'pins.key = "GP23": GP23 switches the board\'s own regulator',
        ),
        (
            "bench_cart",
            ('"zone 1" = "GP28"', '"zone 1" = "GP14"'),
            'pins.zone 1 = "GP14": must be on an analogue pin (GP26 to GP28) or a converter channel (converter 0 to '
            "15): it is analogue",
        ),
        (
            "bench_cart",
            ('bus_voltage = "GP27"', 'bus_voltage = "GP29"'),
            'pins.bus_voltage = "GP29": GP29 measures the board\'s own supply: only supply may be on it',
        ),
        (
            "orchard_truck",
            ('precharge = "GP4"', 'precharge = "shift-out 9"'),
            'pins.precharge = "shift-out 9": must be on a pin (GP0 to GP22, GP26 to GP28): a promise depends on it, so '
            "it needs a pin that is off at reset, without a register",
        ),
        (
            "orchard_truck",
            ('crash = "GP2"', 'crash = "shift-in 12"'),
            'pins.crash = "shift-in 12": must be on a pin (GP0 to GP22, GP26 to GP28): edges shorter than a tick are '
            "latched by the pin itself",
        ),
        (
            "orchard_truck",
            ('key = "shift-in 1"', 'key = "shift-in 0"'),
            'pins.key = "shift-in 0": bits 0 and 15 are tied low and high: they tell that the chain answers',
        ),
        (
            "orchard_truck",
            ('spi_in = "GP16"', 'spi_in = "GP9"\nfan2 = "GP16"'),
            "pins.fan2",
        ),
        (
            "orchard_truck",
            ('spi_in = "GP16"\n', 'spi_in = "GP2"\n'),
            "pins.spi_in",
        ),
        (
            "orchard_truck",
            ('register_enable = "GP27"\n', ""),
            "pins: lacks register_enable: a plan names all signals or none",
        ),
        (
            "bench_cart",
            ('service = "GP20"', 'service = "GP14"'),
            'pins.service = "GP14": GP20 is the service switch\'s, on every board: it is read before a build is known',
        ),
        (
            "bench_cart",
            ('key = "GP16"', 'key = "GP20"'),
            'pins.key = "GP20": GP20 is the service switch\'s',
        ),
        (
            "orchard_truck",
            ('heartbeat = "GP7"\n', ""),
            "pins: lacks heartbeat: a plan names all signals or none",
        ),
    ],
)
def test_what_cannot_be_wired_is_named_with_its_reason(refused, name, edit, line):
    code, lines = refused(name, edit)
    assert code == 1
    assert any(said.startswith(line) for said in lines), lines


def test_the_bus_must_lie_on_one_spi(refused):
    _, lines = refused(
        "orchard_truck", ('spi_clock = "GP18"', 'spi_clock = "GP1"'), ('negative = "GP1"', 'negative = "GP18"')
    )
    assert any(
        line.startswith('pins.spi_clock = "GP1": can lie on SPI0 GP2, GP6, GP18, GP22; SPI1 GP10') for line in lines
    )


def test_two_duty_cycles_on_pins_sixteen_apart_are_one_channel(refused):
    code, lines = refused(
        "orchard_truck", ('drive_limit = "GP8"', 'drive_limit = "GP12"'), ('lamp_stop = "GP12"', 'lamp_stop = "GP8"')
    )
    assert (code, lines) == (
        1,
        ['pins.fan = "GP28": shares its duty cycle with drive_limit: pins 16 apart are one channel'],
    )


def test_a_plan_without_external_resistors_is_refused(refused):
    text = (BUILDS / "bench_cart.toml").read_text()
    code, lines = refused("bench_cart", (text[text.index("[pulls]") :], ""))
    assert code == 1
    assert any("needs the table [pulls]: without external resistors a pin floats" in line for line in lines)


@pytest.mark.outside(
    subject="board and runtime",
    source="RP2350 erratum E9, seen in its users' discussion; drivers common practice",
    value="an input may hold itself near 2 V against more than 8 kohm",
)
@pytest.mark.parametrize(
    ("edit", "line"),
    [
        (
            ('inputs = "4.7 kohm"', 'inputs = "9 kohm"'),
            'pulls.inputs = "9 kohm": is out of range; allowed: 1 kohm to 8 kohm',
        ),
        (('drivers = "10 kohm"', 'drivers = "47 kohm"'), 'pulls.drivers = "47 kohm": is out of range'),
        (('held_high = "10 kohm"', 'held_high = "none"'), 'pulls.held_high = "none"'),
    ],
)
def test_a_resistor_too_weak_to_hold_its_line_is_refused(refused, edit, line):
    """RP2350, erratum E9: an input may hold itself near 2 V against more than 8 kohm. Drivers: common practice."""
    code, lines = refused("bench_cart", edit)
    assert code == 2
    assert any(said.startswith(line) for said in lines), lines


def test_every_line_that_nobody_drives_has_its_resistor(parse):
    """What floats while the board is in reset, a register disabled or a chain unplugged must be held."""
    for name in ("orchard_truck", "bench_cart"):
        build = parse(name, (PLAN, PLAN))
        for signal, place in build.pins.items():
            key = pins.pull_of(build, signal)
            if place == "none":
                assert key == ""
            elif signal in OUTPUTS or signal in pins.DUTIES:
                assert key == "drivers"
            elif signal in INPUTS or signal in ("isolation", "speed") or signal.startswith("loop "):
                toggled = signal.startswith("loop ") and build.loop[int(signal[5:]) - 1].sense == "toggled"
                assert key == ("" if toggled or place.startswith("converter") else "inputs")
            if signal in ("spi_in", "register_enable", "converter_select"):
                assert key == "held_high"
