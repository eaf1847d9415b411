"""Bad build files: each error is one line with file, line, key, value, allowed range and why."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden.build import Build
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, parse_build, read_build

from .conftest import BUILDS

VOLTAGE = "allowed: 12 V to 1000 V (nominal voltage; above 1000 V the board's integers end)"
PROOF = (
    "(how the channel proves that it measures: live_zero is an offset that a broken wire cannot give; test_pulse and "
    "second_channel are not supported by this version)"
)


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            'nominal = "380 V"',
            'nominal = "380"',
            f'15: pack.nominal = "380": has no unit; write V, mV or kV after the number; {VOLTAGE}',
        ),
        (
            'nominal = "380 V"',
            "nominal = 380",
            f'15: pack.nominal = 380: must be text with a unit, such as "380 V"; {VOLTAGE}',
        ),
        (
            'nominal = "380 V"',
            'nominal = "380 A"',
            f'15: pack.nominal = "380 A": has the unit "A"; needs V, mV or kV; {VOLTAGE}',
        ),
        ('nominal = "380 V"', 'nominal = "nan V"', f'15: pack.nominal = "nan V": is not a finite number; {VOLTAGE}'),
        ('nominal = "380 V"', 'nominal = "inf V"', f'15: pack.nominal = "inf V": is not a finite number; {VOLTAGE}'),
        ('nominal = "380 V"', 'nominal = "-380 V"', f'15: pack.nominal = "-380 V": is negative; {VOLTAGE}'),
        ('nominal = "380 V"', 'nominal = "1.2 kV"', f'15: pack.nominal = "1.2 kV": is out of range; {VOLTAGE}'),
        ('nominal = "380 V"\n', "", f"14: pack.nominal: is missing; {VOLTAGE}"),
        (
            'resistance = "100 ohm"',
            'resistance = "-47 ohm"',
            '92: precharge.resistance = "-47 ohm": is negative; allowed: 1 ohm to 100 kohm (precharge resistor; '
            "below 1 ohm the board's integers end)",
        ),
        ("[bus]", "[bus", "42: is not TOML: Expected ']' at the end of a table declaration in column 5"),
        (
            'kind = "hard"',
            'kind = "soft"',
            '114: loop[1].kind = "soft": is not supported; allowed: "hard", "watched", "permit_drive" or '
            '"permit_charge" '
            "(hard carries the coil supply itself; watched is read only; permits are a cell monitor's contacts)",
        ),
        (
            'sense = "level"',
            'sense = "analogue"',
            '115: loop[1].sense = "analogue": is not supported; allowed: "level", "toggled", "resistor" '
            "(interlock loops; "
            "the board has room for six, and none is not safe)",
        ),
        (
            'output = "duty"',
            'output = "bus"',
            '134: isolation.output = "bus": is not supported; allowed: "line", "duty", "frequency", "can" (what the '
            "monitor's output does)",
        ),
        (
            'output = "duty"\n',
            "",
            '133: isolation.output: is missing; allowed: "line", "duty", "frequency", "can" (what the monitor\'s '
            "output does)",
        ),
        (
            'proof = "live_zero"',
            'proof = "test_pulse"',
            f'49: voltage_sense.pack.proof = "test_pulse": is not supported; allowed: "live_zero" or "none" {PROOF}',
        ),
        (
            "hold_relay = true",
            'hold_relay = "yes"',
            '11: build.hold_relay = "yes": must be a valid boolean (a relay keeps the board supplied after key '
            "off, until "
            "the bus is proven dead)",
        ),
        (
            "inspect_after = 10",
            "inspect_after = 0",
            "89: contactor.inspect_after = 0: must be greater than or equal to 1 (openings under load after which an "
            "inspection is asked for)",
        ),
        (
            "zero_counts = 400",
            "zero_counts = 5000",
            "51: voltage_sense.pack.zero_counts = 5000: must be less than or equal to 4095 (converter counts at 0 V)",
        ),
        (
            "schema = 1",
            "schema = 2",
            "7: build.schema = 2: is not supported; allowed: 1 (version of this file's layout; this program reads 1)",
        ),
        (
            'name = "orchard utility truck"',
            'name = "caf\u00e9\\ncart"',
            '6: build.name = "caf\\u00e9\\ncart": must be plain ASCII text (what this build is called on every page)',
        ),
        (
            '["90 %", "0 ohm"]',
            '["90 %", "0 V"]',
            '143: isolation.table[1][2] = "0 V": has the unit "V"; needs ohm, mohm, kohm or Mohm; allowed: 0 ohm '
            "to 50 Mohm "
            "(isolation resistance; above 50 Mohm the board's integers end)",
        ),
        (
            'fault_duty = ["1 %", "5 %"]',
            'fault_duty = "never"',
            '159: isolation.fault_duty = "never": must be a list of two values (lowest and highest duty cycle by '
            "which it "
            "reports its own fault)",
        ),
        ("[bus]\n", '[bus]\nbled = "1 ohm"\n', '43: bus.bled = "1 ohm": is not a known key; did you mean "bleed"?'),
        (
            "[bus]\n",
            "[bus]\nx = 1\n",
            "43: bus.x = 1: is not a known key; known: capacitance, capacitance_tolerance, bleed",
        ),
        (
            "[bus]\n",
            '[bus]\nreference_sense = "none"\n',
            '43: bus.reference_sense = "none": is not a known key here; it belongs to the top of the file, above '
            "the first "
            "[table]",
        ),
        (
            "[card]",
            '[pins]\nkey = "GP31"\n[card]',
            '288: pins.key = "GP31": is not supported (signal to place: GP0 to GP29, converter 0 to 15, shift-in 0 to '
            "15, shift-out 0 to 15, or none; without any the build can only be simulated)",
        ),
    ],
)
def test_a_wrong_key_is_one_line_that_says_what_and_why(refusal, old, new, line):
    assert refusal("orchard_truck", (old, new)) == (2, [f"build.toml:{line}"])


def test_every_error_of_a_file_is_listed(refusal):
    code, lines = refusal(
        "orchard_truck",
        ('nominal = "380 V"', 'nominl = "380 V"'),
        ('high = "15.5 V"', 'high = "15.5"'),
        ("[card]", "[crad]"),
    )
    assert code == 2
    assert [line.split(": ")[1].split(" = ")[0] for line in lines] == [
        "pack.nominal",
        "pack.nominl",
        "supply.high",
        "card",
        "crad",
    ]
    assert lines[1].endswith('did you mean "nominal"?')
    assert lines[4] == 'build.toml:287: crad: is not a known key; did you mean "card"?'


def test_a_missing_table_says_what_it_is_for(refusal):
    text = (BUILDS / "bench_cart.toml").read_text()
    supply = text[text.index("[supply]") : text.index("[contactor]")]
    assert refusal("bench_cart", (supply, ""))[1] == [
        "build.toml: supply: is missing; The board's own low-voltage supply"
    ]
    assert refusal("bench_cart", ('motion = "none"', ""))[1] == [
        'build.toml: motion: is missing; what gives the speed: pulses along the way, or CAN frames; "none" where it is '
        "not fitted"
    ]


def test_a_table_given_as_text_is_refused_unless_it_may_be_none(refusal):
    assert refusal("bench_cart", ('motion = "none"', 'motion = "fitted"'))[1] == [
        'build.toml:7: motion = "fitted": must be a table (what gives the speed: pulses along the way, or CAN '
        'frames; "none" where it is not fitted)'
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"a = ", ":1: is not TOML: Invalid value (at end of document)"),
        (b"a = 1\na = 2\n", ":2: is not TOML: Cannot overwrite a value in column 6"),
        (b"a = " + b"[" * 100_000, "is not TOML"),
        (b"a = 1\x00\n", ":1: is not TOML"),
    ],
)
def test_a_file_that_is_no_toml_is_one_line(tmp_path, content, message):
    path = tmp_path / "b.toml"
    path.write_bytes(content)
    with pytest.raises(BuildError) as refused:
        read_build(path)
    assert refused.value.exit_code == 2
    assert len(refused.value.lines) == 1
    assert message in refused.value.lines[0]
    assert str(path) in refused.value.lines[0]


def test_a_byte_order_mark_and_other_line_ends_do_no_harm(tmp_path):
    path = tmp_path / "b.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CART.replace("\n", "\r\n").encode())
    assert read_build(path).build.name == "bench cart"


def test_a_loop_with_a_key_too_many_or_too_few_is_named_by_its_number(refusal):
    assert refusal("orchard_truck", ('sense = "toggled"', 'sense = "toggled"\nsens = 1'))[1] == [
        'build.toml:131: loop[3].sens = 1: is not a known key; did you mean "sense"?'
    ]
    assert refusal("orchard_truck", ('kind = "hard"\n', ""))[1] == [
        "build.toml:112: loop[1].kind: is missing; hard carries the coil supply itself; watched is read only; "
        "permits are a "
        "cell monitor's contacts"
    ]
    truck = (BUILDS / "orchard_truck.toml").read_text()
    loops = truck[truck.index("[[loop]]") : truck.index("[isolation]")]
    assert refusal("orchard_truck", (loops, ""), ("[build]", "loop = []\n[build]"))[1] == [
        "build.toml:5: loop = []: must have at least 1 entry (interlock loops; the board has room for six, and "
        "none is not "
        "safe)"
    ]


@pytest.mark.parametrize(("name", "reason"), [("missing.toml", "No such file or directory"), (".", "Is a directory")])
def test_a_file_that_cannot_be_read_is_one_line(tmp_path, name, reason):
    with pytest.raises(BuildError) as refused:
        read_build(tmp_path / name)
    assert refused.value.lines == [f"{tmp_path / name}: cannot be read: {reason}"]
    assert refused.value.exit_code == 2


def test_an_empty_file_misses_every_table_and_nothing_else():
    with pytest.raises(BuildError) as refused:
        parse_build("", "b.toml")
    assert all(re.match(r"b\.toml: \w+: is missing; ", line) for line in refused.value.lines)
    assert {line.split(": ")[1] for line in refused.value.lines} >= {
        "pack",
        "bus",
        "loop",
        "isolation",
        "motion",
        "card",
    }


TRUCK = (BUILDS / "orchard_truck.toml").read_text()
CART = (BUILDS / "bench_cart.toml").read_text()
VALUE = re.compile(r"(?<== )(?:\"[^\"\n]*\"|\d+|true|false)")
JUNK = st.one_of(
    st.sampled_from(
        [
            '"none"',
            "[]",
            "{}",
            "nan",
            "inf",
            "-1",
            "0",
            "4095",
            "true",
            '""',
            '"\\u0000"',
            "1979-05-27",
            '["none"]',
            "[[1]]",
        ]
    ),
    st.builds(
        lambda number, unit: f'"{number:.5g} {unit}"',
        st.one_of(st.floats(-1e3, 1e3), st.floats(1e-6, 1e9)),
        st.sampled_from(
            ["V", "A", "ohm", "kohm", "Mohm", "uF", "J", "W", "s", "ms", "%", "degC", "K", "ohm/V", "Ah", ""]
        ),
    ),
)


FACTORS = st.sampled_from([0.1, 0.3, 0.5, 0.7, 0.9, 1.01, 1.1, 1.5, 2, 3, 10, 100])


def scaled(value: str, factor: float) -> str:
    """The same quantity larger or smaller, so that some of the files still describe a build."""
    return re.sub(r"[\d.]+", lambda number: f"{float(number[0]) * factor:.6g}", value, count=1)


@settings(max_examples=400)
@given(text=st.sampled_from([TRUCK, CART]), data=st.data())
def test_whatever_stands_in_a_file_it_is_refused_in_words_or_fits_the_board(text, data):
    """No traceback, one line per error, and what passes is within every range of the board's own loader."""
    places = list(VALUE.finditer(text))
    for place in sorted(data.draw(st.sets(st.sampled_from(range(len(places))), min_size=1, max_size=3)), reverse=True):
        new = data.draw(st.one_of(JUNK, FACTORS.map(lambda factor, old=places[place][0]: scaled(old, factor))))
        text = text[: places[place].start()] + new + text[places[place].end() :]
    try:
        build = parse_build(text, "b.toml")
    except BuildError as error:
        refused = error
    else:
        Build(to_device(build))
        return
    assert refused.exit_code in (1, 2)
    assert refused.lines
    for line in refused.lines:
        assert re.match(r"b\.toml(:\d+)?: \S", line)
        assert line.isprintable()
