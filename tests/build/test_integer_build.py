"""The integers that the board loads: derived values by hand, and nothing that leaves the board's integers."""

import pytest

from loopwarden.build import Build
from loopwarden_build.integer_build import to_device

SMALL_INT_MAX = 2**30 - 1  # of a 32-bit MicroPython: above it every value costs heap

# 1000 V, 1000 A, 50 Mohm: the largest that a build file may describe.
LARGEST = [
    ('nominal = "380 V"', 'nominal = "900 V"'),
    ('lowest = "300 V"', 'lowest = "720 V"'),
    ('highest = "420 V"', 'highest = "1000 V"'),
    ('over = "425 V"', 'over = "1099 V"'),
    ('low = "315 V"', 'low = "750 V"'),
    ('under = "295 V"', 'under = "700 V"'),
    ('charge_end = "415 V"', 'charge_end = "1000 V"'),
    ('drive_current = "300 A"', 'drive_current = "1000 A"'),
    ('charge_current = "120 A"', 'charge_current = "1000 A"'),
    ('full_scale = "500 V"', 'full_scale = "1500 V"'),
    ('full_scale = "500 V"', 'full_scale = "1500 V"'),
    ('full_scale = "500 A"', 'full_scale = "1200 A"'),
    ('rated_current = "400 A"', 'rated_current = "2000 A"'),
    ('break_current = "50 A"', 'break_current = "1000 A"'),
    ('rated_voltage = "900 V"', 'rated_voltage = "1000 V"'),
    ('voltage = "500 V"', 'voltage = "1000 V"'),
    ('current = "350 A"', 'current = "1000 A"'),
    ('current = "320 A"', 'current = "1000 A"'),
    ('voltage = "600 V"', 'voltage = "1000 V"'),
    ('current = "350 A"', 'current = "1000 A"'),
    ('current = "125 A"', 'current = "1000 A"'),
    ('voltage = "500 V"', 'voltage = "1000 V"'),
    ('["12 %", "39 Mohm"]', '["12 %", "50 Mohm"]'),
    ('warn = "1000 ohm/V"', 'warn = "40000 ohm/V"'),
    ('fault = "500 ohm/V"', 'fault = "39000 ohm/V"'),
    ('pulse_energy = "600 J"', 'pulse_energy = "100 kJ"'),
    ('cooling_time = "120 s"', 'cooling_time = "3600 s"'),
    ('continuous = "25 W"', 'continuous = "10 kW"'),
    ('pulse_energy = "400 J"', 'pulse_energy = "100 kJ"'),
]
LARGEST_BUS = [
    *LARGEST,
    ('capacitance = "1000 uF"', 'capacitance = "10 mF"'),
    ('tick = "20 ms"', 'tick = "5 ms"'),  # with it 1 ohm * 10 mF are the two ticks that a precharge must last
    ('resistance = "100 ohm"', 'resistance = "1 ohm"'),
    ('resistance = "1 kohm"', 'resistance = "10 ohm"'),
    ('"47 kohm"', '"200 kohm"'),
]
SLOWEST = [
    *LARGEST,
    ('capacitance = "1000 uF"', 'capacitance = "3 uF"'),
    ('resistance = "100 ohm"', 'resistance = "50 kohm"'),
    ('bleed = "47 kohm"', 'bleed = "1 Mohm"'),
    ('resistance = "1 kohm"', 'resistance = "500 kohm"'),
    ('fraction = "95 %"', 'fraction = "90 %"'),
]


def numbers(values):
    for value in values.values():
        if isinstance(value, list):
            for item in value:
                yield from item if isinstance(item, list) else [item]
        elif not isinstance(value, str):
            yield value


@pytest.mark.parametrize("edits", [[], LARGEST, LARGEST_BUS, SLOWEST], ids=["shipped", "largest", "bus", "slowest"])
def test_every_value_is_a_small_integer_and_fits_the_board(parse, edits):
    values = to_device(parse("orchard_truck", *edits))
    for value in numbers(values):
        assert type(value) is int
        assert abs(value) <= SMALL_INT_MAX
    Build(values)


def test_the_truck_by_hand(parse):
    """From the formulas of the build's own design: R*C = 100 ohm * 1000 uF = 100 ms, ln(1/(1-0.95)) = 2.9957."""
    device = Build(to_device(parse("orchard_truck")))
    assert device.working_v == 420
    assert device.dead_mv == 57_000  # min(60 V, 20 % of 300 V) - 3 V
    assert device.discharge_stop_mv == 20_000  # min(20 V, 10 % of 300 V)
    assert device.rc_ms == 100
    assert device.half_rc_ms == 60  # 50 ms up to whole ticks of 20 ms
    assert device.flat_ms == 40  # 30 ms up to whole ticks
    assert (device.precharge_min_ms, device.precharge_max_ms) == (149, 450)  # 0.5 and 1.5 times 299.57 ms
    assert device.settle_max_ms == 750
    assert device.fraction_permille == 950
    # A short heats for 30 ms of travel, the flat time, 40 ms of release and two ticks; 1.1 mF * (420 V)^2 is 194.04 J.
    assert device.precharge_start_mj == 278_527  # (420 V)^2 / 95 ohm * 150 ms = 278.5263 J
    # C*V^2/2 = 97.02 J, and (420 V)^2 / 950 ohm for 78.312 ms of proof, 30 ms, 40 ms and two ticks: 34.967 J.
    assert device.discharge_emergency_mj == 131_987
    assert device.proof_ms == 80  # 2 * 1.05 kohm * 1.1 mF * ln(300/290) = 78.3 ms, up to whole ticks
    assert device.fall_check_ms == 12_120  # 1.5 * 47 s * ln(57/(57 - 3*3)) = 12.116 s, up to whole ticks
    assert device.fall_permille == 157  # 9 V of 57 V
    assert device.bleed_tau_ms == 47_000
    assert (device.pack_low_mv, device.pack_high_mv) == (150_000, 462_000)
    assert (device.iso_warn_ohm, device.iso_warn_clear_ohm, device.iso_fault_ohm) == (420_000, 462_000, 210_000)
    assert device.zone_where == [0, 0, 0, 1, 2]
    assert device.zone_cover == [0b010, 0b101, 0b010, 0, 0]
    assert device.loop_kind == [0, 1, 3]
    assert (device.convert_pack_low_counts, device.convert_pack_high_counts) == (200, 3997)
    assert device.convert_speed_max_mm_s == 44_445  # 160 km/h, rounded up
    assert device.rise_permille_s == 250


def test_the_cart_by_hand(parse):
    device = Build(to_device(parse("bench_cart")))
    assert device.dead_mv == 15_800  # 20 % of 84 V - 1 V
    assert device.discharge_stop_mv == 8_400
    assert device.iso_fault_ohm == 69_600  # 600 ohm/V * 116 V
    assert device.iso_warn_ohm == 0
    # (116 V)^2 / 42.3 ohm * (25 ms + 40 ms flat + 40 ms + two ticks) = 46.13 J; 2.64 mF * (116 V)^2 = 35.52 J is less.
    assert device.precharge_start_mj == 46_126
    # A good line says "at least the response value", and a bad one may be anything below it.
    assert (device.convert_iso_good_ohm, device.convert_iso_bad_ohm) == (69_600, 0)
    fitted = [name for name in vars(device) if name.endswith("_fitted") and getattr(device, name)]
    assert fitted == []
    assert device.inverter_trip_dc == device.motor_trip_dc == device.cool_on_dc == 10_000


INVERTER = [
    ('kind = "resistor"\nresistance = "1 kohm"', 'kind = "inverter"\nresistance = "9.999 ohm"'),
    ('cooling_time = "120 s"\nrated_voltage = "1000 V"\nwindow', 'cooling_time = "120 s"\nwindow'),
    ('normally_closed = false\nrelease_delay = "none"\n', ""),
]


@pytest.mark.parametrize(
    ("key", "edits", "written", "why"),
    [
        (
            "bus.capacitance",
            [('capacitance = "1000 uF"', 'capacitance = "10001 uF"')],
            "10001 uF",
            "1 uF to 10 mF (all capacitors behind the contactors together; above 10 mF the board's integers end)",
        ),
        (
            "precharge.resistance",
            [('resistance = "100 ohm"', 'resistance = "999 mohm"')],
            "999 mohm",
            "1 ohm to 100 kohm (precharge resistor; below 1 ohm the board's integers end)",
        ),
        (
            "discharge.resistance",
            [('resistance = "1 kohm"', 'resistance = "9.999 ohm"')],
            "9.999 ohm",
            "10 ohm to 1 Mohm (discharge resistor; below 10 ohm the board's integers end)",
        ),
        (
            "discharge.resistance",
            INVERTER,
            "9.999 ohm",
            "10 ohm to 1 Mohm (the resistance that it acts like, from its data sheet; below 10 ohm the board's "
            "integers end)",
        ),
    ],
)
def test_what_the_board_would_refuse_is_refused_in_the_builders_words(refusal, key, edits, written, why):
    code, [line] = refusal("orchard_truck", *edits)
    assert code == 2
    assert line.endswith(f': {key} = "{written}": is out of range; allowed: {why}')


@pytest.mark.parametrize(
    ("key", "value"), [("bus_c_uf", 10_001), ("precharge_r_mohm", 999), ("discharge_r_mohm", 9_999)]
)
def test_the_board_ends_where_the_builders_words_end(parse, key, value):
    """The same three steps over the edge, put straight to the board; the edge itself is in LARGEST_BUS."""
    values = to_device(parse("orchard_truck", *LARGEST_BUS))
    assert abs(values[key] - value) == 1
    with pytest.raises(ValueError, match=rf"^build: {key} is {value}, outside "):
        Build({**values, key: value})


def test_a_build_that_only_bleeds_watches_for_the_whole_proof_time(parse):
    device = Build(
        to_device(
            parse(
                "bench_cart",
                (
                    'kind = "resistor"\nresistance = "220 ohm"\ntolerance = "10 %"\npulse_energy = "100 J"\n',
                    'kind = "bleed"\n',
                ),
                ('cooling_time = "60 s"\nrated_voltage = "250 V"\nwindow = "5 s"\n', 'window = "60 s"\n'),
                ('normally_closed = false\nrelease_delay = "none"\n', ""),
            )
        )
    )
    assert device.discharge_kind == 2
    assert device.proof_ms == device.proof_max_ms == 30_000
    assert device.discharge_budget_mj == device.discharge_emergency_mj == 0
    assert device.discharge_r_mohm == 10_000_000


def test_limits_are_rounded_to_the_stricter_side(parse):
    """420.2 V works as 421 V, and 500.1 ohm/V over it as 210543 ohm, not 210542."""
    device = Build(
        to_device(
            parse("orchard_truck", ('highest = "420 V"', 'highest = "420.2 V"'), ('"500 ohm/V"', '"500.1 ohm/V"'))
        )
    )
    assert device.working_v == 421
    assert device.iso_fault_ohm == 210_543


def test_a_frequency_monitor_in_hundredths_of_a_hertz(parse):
    text_edits = [
        ('output = "duty"', 'output = "frequency"'),
        ('period = "100 ms"\n', ""),
        ('fault_duty = ["1 %", "5 %"]', 'fault_frequency = ["1 Hz", "2 Hz"]'),
    ]
    duties = (90, 86, 83, 80, 77, 74, 70, 66, 60, 50, 40, 30, 20, 12)
    values = to_device(parse("orchard_truck", *text_edits, *[(f'["{d} %"', f'["{d} Hz"') for d in duties]))
    assert values["convert_iso_output"] == 2
    assert values["convert_iso_points"][:2] == [1200, 2000]
    assert values["convert_iso_ohm"][0] == 39_000_000
    assert (values["convert_iso_fault_low"], values["convert_iso_fault_high"]) == (100, 200)
    assert values["convert_iso_stale_ms"] == 3000  # three periods of the slowest output, 1 Hz


def test_debounce_overrides_go_by_row_id(parse):
    values = to_device(
        parse("orchard_truck", ("[card]", '[debounce]\nLOOP_OPEN = "80 ms"\nSUPPLY_LOW = "1 s"\n[card]'))
    )
    assert values["debounce"] == [[1, 80], [58, 1000]]
    assert Build(values).debounce == [[1, 80], [58, 1000]]


def test_equal_sensors_share_a_table(parse):
    values = to_device(parse("orchard_truck"))
    assert values["convert_zone_start"] == [0, 0, 0, 39, 78]
    assert len(values["convert_zone_counts16"]) == 3 * 39
