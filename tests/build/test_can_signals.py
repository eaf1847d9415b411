"""Isolation and speed described by a DBC file: what the board gets of it, and what is refused, in one line each."""

from typing import Any

import pytest

from can_truck import DBC, MONITOR, MOTION, can_truck, can_truck_text
from loopwarden.build import Build
from loopwarden_build import pins
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, parse_build, read_build
from loopwarden_build.review import review
from loopwarden_build.review_page import page

TEXT = DBC.read_text(encoding="utf-8")
RESISTANCE = 'Resistance : 0|16@1+ (1,0) [0|65000] "kOhm"'
ALIVE = "Alive : 16|4@1+ (1,0) [0|14]"
SPEED = 'Speed : 23|16@0- (0.01,0) [-60|200] "km/h"'
COUNTER = "Counter : 7|8@0+ (1,0) [0|255]"
CYCLE = 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_ "GenMsgCycleTime" BO_ 673 200;'
NAMED = 'VAL_ 673 Resistance 65535 "not available" ;'


def refused(*edits: tuple[str, str]) -> tuple[int, str]:
    """Exit code and the one line about a truck whose build file, or DBC file, was changed so."""
    build, dbc = can_truck_text(), TEXT
    for old, new in edits:
        assert (old in build) != (old in dbc), f"must be in one of the two: {old}"
        build, dbc = build.replace(old, new, 1), dbc.replace(old, new, 1)
    with pytest.raises(BuildError) as error:
        parse_build(build, "truck.toml", {"frames.dbc": dbc})
    (line,) = error.value.lines
    where, key, text = line.split(": ", 2)
    assert where.startswith("truck.toml:")
    return error.value.exit_code, f"{key}: {text}"


def parts(values: dict[str, Any]) -> tuple[list[int], list[int]]:
    """What the board gets for the monitor's frame and for the speed's."""
    end = 2 + values["can"][1]
    return values["can"][2:end], values["can"][end:]


def taken(values: dict[str, Any]) -> bool:
    """Whether the board takes the build; if not, it must be because of that list."""
    try:
        Build(values)
    except ValueError as error:
        if not str(error).startswith("build: can "):
            raise
        return False
    return True


def test_what_the_board_gets_of_a_message():
    """By hand from the DBC file: 16 bits from bit 0, Intel; 16 from bit 23, Motorola, signed; extended ones get bit 29.

    km/h to mm/s is 10000/36 for each; a hundredth of it 25/9. 160 km/h are 44,444.4 mm/s.
    """
    values = to_device(can_truck())
    assert (values["convert_iso_output"], values["speed_fitted"]) == (3, 1)
    head, resistance, alive = [673, 6, 300, 3, 14], [1, -1, 1, 255, 0, 0], [2, 0, 0, 15, 0, 0]
    assert parts(values)[0] == [*head, *resistance, *alive, 0, 65000, 1000, 0, 1, 50000, 3, 0, 0, 3, 0, 0]
    head, speed, counter = [0x18F00121 | 1 << 29, 8, 60, 3, 255], [2, 1, 1, 255, 128, 0], [0, 0, 0, 255, 0, 0]
    assert parts(values)[1] == [*head, *speed, *counter, -6000, 20000, 25, 0, 9, 28, 44445]
    assert values["can"][0] == -1, "it sends nothing"


def test_a_build_without_frames_has_none(shipped_text):
    assert to_device(parse_build(shipped_text, "b.toml"))["can"] == []


@pytest.mark.parametrize(
    ("edits", "answer"),
    [
        ([('message = "Insulation"', 'message = "Insulated"')], 'is not in frames.dbc; did you mean "Insulation"?'),
        ([('message = "Insulation"', 'message = "XY"')], "is not in frames.dbc; there: Insulation, Wheels"),
        ([('signal = "Resistance"', 'signal = "Resist"')], 'is no signal of Insulation; did you mean "Resistance"?'),
        ([('counter = "Alive"', 'counter = "Alife"')], 'is no signal of Insulation; did you mean "Alive"?'),
        ([('fault_signal = "DeviceFault"', 'fault_signal = "Q"')], "is no signal of Insulation; there: Resistance"),
        ([('counter = "Alive"', 'counter = "Resistance"')], "is already the signal"),
        ([('fault_signal = "DeviceFault"', 'fault_signal = "Alive"')], "is already the signal or the counter"),
        ([("BO_ 673 Insulation: 6", "BO_ 673 Insulation: 12")], "is 12 bytes long; allowed: 1 to 8 bytes"),
        ([(ALIVE, "Alive : 12|4@1+ (1,0) [0|14]")], "does not fit together in frames.dbc: The signals"),
        ([(ALIVE, "Alive : 62|4@1+ (1,0) [0|14]")], "does not fit together in frames.dbc: The signal Alive does not"),
        (
            [(RESISTANCE, RESISTANCE.replace(" :", " m0 :")), (ALIVE, ALIVE.replace(" :", " M :"))],
            "is multiplexed: it is not in every frame",
        ),
        ([(RESISTANCE, RESISTANCE.replace('"kOhm"', '"kOhm/V"'))], 'has the unit "kOhm/V" in the DBC file; '),
        ([(RESISTANCE, RESISTANCE.replace('"kOhm"', '""'))], 'has the unit "" in the DBC file; allowed: ohm, kohm, '),
        ([(SPEED, SPEED.replace('"km/h"', '"rpm"'))], 'has the unit "rpm" in the DBC file; allowed: km/h, m/s, mph'),
        ([(RESISTANCE, RESISTANCE.replace("(1,0)", "(-1,65535)"))], "has the factor -1 in the DBC file"),
        ([(RESISTANCE, RESISTANCE.replace("[0|65000]", "[0|0]"))], 'has a name for 65535 in the DBC file, "not avail'),
        ([(RESISTANCE, RESISTANCE.replace("[0|65000]", "[70000|80000]"))], "has no value within its own minimum"),
        (
            [
                (RESISTANCE, 'Resistance : 0|32@1+ (1,0) [0|0] "Ohm"'),
                (f' SG_ {ALIVE} "" BOARD\n', ""),
                ("DeviceFault : 24|2", "DeviceFault : 32|2"),
                ("Conductance : 32|16", "Conductance : 34|14"),
                ('counter = "Alive"', 'counter = "none"'),
            ],
            "may be 4294967295 as the number in the frame; at most 536870911, where the board's integers end",
        ),
        ([(ALIVE, "Alive : 16|1@1+ (1,0) [0|1]")], "has 1 bit; allowed: 2 to 16"),
        ([(COUNTER, "Counter : 7|8@0+ (2,0) [0|510]")], "is scaled, shifted or signed in the DBC file"),
        ([(COUNTER, "Counter : 7|8@0- (1,0) [0|0]")], "is scaled, shifted or signed in the DBC file"),
        ([(COUNTER, "Counter : 7|8@0+ (1,0) [1|15]")], "must count from 0 to 1 at least"),
        ([(ALIVE, "Alive : 16|4@1+ (1,0) [0|2]")], "begins anew after 2; 3 steps from one tick to another"),
        ([("BO_ 2565865761 Wheels", "BO_ 673 Wheels")], "has the identifier of the one of [isolation]"),
        ([('max_speed = "160 km/h"', 'max_speed = "210 km/h"')], "is beyond what the signal can say, -60 km/h to 200 "),
        ([("BU_: MONITOR", f"{CYCLE}\nBU_: MONITOR")], "the DBC file says 200 ms for this message"),
    ],
)
def test_a_slip_is_one_line_and_exit_code_2(edits, answer):
    code, line = refused(*edits)
    assert answer in line
    assert code == 2


@pytest.mark.parametrize(
    ("edits", "answer"),
    [
        ([(RESISTANCE, RESISTANCE.replace("[0|65000]", "[106|65000]"))], "which does not reach down to 105 kohm"),
        (
            [(RESISTANCE, RESISTANCE.replace("[0|65000]", "[0|461]"))],
            "which does not reach up to 462 kohm, where a ",
        ),
        (
            [(RESISTANCE, RESISTANCE.replace("(1,0) [0|65000]", "(22,0) [0|65000]"))],
            "has steps of 22 kohm; at most 21 kohm, a tenth of the fault limit",
        ),
        ([(SPEED, SPEED.replace("[-60|200]", "[1|200]"))], "which does not hold 0: it could not say that it stands"),
        ([(SPEED, SPEED.replace("(0.01,0)", "(0.37,0)"))], "has steps of 0.37 km/h; at most 0.36 km/h"),
    ],
)
def test_a_signal_that_cannot_tell_what_it_must_is_a_shortcoming_and_exit_code_1(edits, answer):
    """210 kohm are 500 ohm/V at the truck's 420 V; a wheel that brakes with 5 m/s2 loses 0.36 km/h in 20 ms."""
    code, line = refused(*edits)
    assert answer in line
    assert code == 1


def test_the_ends_of_what_is_allowed_are_allowed():
    for old, new in (("[0|65000]", "[105|65000]"), ("[0|65000]", "[0|462]"), ("(1,0) [0|65000]", "(21,0) [0|65000]")):
        can_truck(dbc=TEXT.replace(old, new, 1))
    can_truck(dbc=TEXT.replace("(0.01,0)", "(0.36,0)"))


@pytest.mark.parametrize(
    ("content", "answer"),
    [
        (None, "cannot be read: No such file or directory (DBC file beside the build file that describes the frames)"),
        (b"hello", "is not a DBC file: DBC: "),
        (b"", "is not a DBC file: DBC: "),
        (b"\xff\x00\xfe", "is not a DBC file: DBC: "),
        (b"\x1b[2J\x07\x9b1m", "is not a DBC file: DBC: "),
        (b'VERSION ""\n', "describes no message"),
    ],
)
def test_a_file_that_is_none_is_named(tmp_path, content, answer):
    (tmp_path / "truck.toml").write_text(can_truck_text(motion=None))
    if content is not None:
        (tmp_path / "frames.dbc").write_bytes(content)
    with pytest.raises(BuildError) as error:
        read_build(tmp_path / "truck.toml")
    (line,) = error.value.lines
    assert f'isolation.dbc = "frames.dbc": {answer}' in line
    assert error.value.exit_code == 2
    assert all(" " <= sign <= "~" for sign in line), "a terminal would obey it"


def test_the_file_lies_beside_the_build_file(tmp_path):
    (tmp_path / "truck.toml").write_text(can_truck_text())
    (tmp_path / "frames.dbc").write_bytes(DBC.read_bytes())
    assert read_build(tmp_path / "truck.toml") == can_truck()


@pytest.mark.parametrize("raw", ['""', "7", "[]", f'"{"x" * 201}"', '"a\\u0000b"'])
def test_a_name_that_is_no_file_is_refused(raw):
    assert refused(('dbc = "frames.dbc"\nmessage = "Wheels"', f'dbc = {raw}\nmessage = "Wheels"'))[0] == 2


def test_a_counter_of_a_fast_sender_must_reach_further():
    """At 5 ms the board sees every fourth frame of a 20 ms tick, and two more may be lost: 6 steps."""
    fast = MOTION.replace('"20 ms"', '"5 ms"')
    assert parts(to_device(can_truck(motion=fast)))[1][2:4] == [60, 6]
    with pytest.raises(BuildError, match="begins anew after 5; 6 steps"):
        can_truck(motion=fast, dbc=TEXT.replace(COUNTER, "Counter : 7|8@0+ (1,0) [0|5]"))


@pytest.mark.parametrize(
    ("unit", "factor"), [("kOhm", "1"), ("KOhm", "1"), ("Ohm", "1000"), ("ohm", "1000"), ("MOhm", "0.001")]
)
def test_the_unit_decides_what_a_number_means(unit, factor):
    dbc = TEXT.replace('(1,0) [0|65000] "kOhm"', f'({factor},0) [0|0] "{unit}"').replace(NAMED, "")
    times, plus, by = parts(to_device(can_truck(dbc=dbc)))[0][19:22]
    assert (times / by, plus) == (1000, 0)


@pytest.mark.outside(subject="units and parts", source="from memory: a mile is 1609.344 m", value="1 mph = 447.04 mm/s")
@pytest.mark.parametrize(("unit", "mm_s"), [("km/h", 1000 / 3.6), ("m/s", 1000), ("mph", 447.04)])
def test_a_speed_in_another_unit(unit, mm_s):
    dbc = TEXT.replace('(0.01,0) [-60|200] "km/h"', f'(0.01,0) [-60|200] "{unit}"')
    motion = MOTION.replace("160 km/h", "80 m/s" if unit == "m/s" else "160 km/h")
    times, plus, by = parts(to_device(can_truck(motion=motion, dbc=dbc)))[1][19:22]
    assert times / by == pytest.approx(mm_s / 100)
    assert plus == 0


def test_a_factor_that_does_not_fit_exactly_is_rounded_down_by_a_thousandth_at_most():
    dbc = TEXT.replace('(1,0) [0|65000] "kOhm"', '(0.33333333333,0) [0|21000] "kOhm"')
    values = parts(to_device(can_truck(dbc=dbc)))[0]
    assert 0.999 * 333.33333333 <= values[19] / values[21] <= 333.33333333
    assert values[18] * values[19] < 2**30


def test_what_lies_on_a_bus_needs_no_pin():
    build = can_truck()
    assert {"isolation", "speed"} & set(pins.signals_of(build)) == set()
    assert to_device(build)["pins_line"] == [-1, -1]
    with pytest.raises(BuildError, match=r'pins.isolation = "GP17": is no signal of this build'):
        parse_build(
            can_truck_text().replace("[pins]\n", '[pins]\nisolation = "GP17"\n'), "t.toml", {"frames.dbc": TEXT}
        )


def test_the_review_says_what_comes_over_the_bus_and_what_that_leaves_open():
    text = " ".join(page(review(can_truck(), "0" * 64)).split())
    assert "Resistance of Insulation (0x2A1, 11 bits, 6 bytes): 0 to 65000 kOhm in steps of 1, counted by Alive" in text
    assert "Speed of Wheels (0x18F00121, 29 bits, 8 bytes): -60 to 200 km/h" in text
    assert "whoever can write on that CAN bus can forge such a reading, nothing here authenticates it" in text
    assert "no driver for a CAN controller, so there such a reading is lost and every start is refused" in text
    assert "hangs and repeats" not in text
    assert "every number is taken for a reading" not in text


def test_the_review_says_what_a_bare_signal_leaves_open():
    dbc = TEXT.replace("[0|65000]", "[0|0]").replace(NAMED, "")
    text = " ".join(page(review(can_truck(MONITOR.replace('"Alive"', '"none"'), None, dbc), "0" * 64)).split())
    assert "a sender of isolation that hangs and repeats its last frame: its frames have no counter" in text
    assert "the DBC file gives Resistance no minimum and maximum, so every number is taken for a reading" in text
    assert "who sends isolation: whoever" in text


def test_nothing_is_said_of_a_bus_where_there_is_none(shipped_text):
    text = page(review(parse_build(shipped_text, "b.toml"), "0" * 64))
    assert "CAN" not in text


def test_the_board_takes_no_list_that_it_could_not_read():
    """Whatever one value is changed to, the build is refused or its frames are read in numbers below 2**30."""
    values = to_device(can_truck())
    refusals = 0
    for at in range(len(values["can"])):
        for value in (-(2**30), -1, 0, 1, 7, 8, 9, 22, 24, 30, 256, 2**29, 2**30 - 1, 2**30, None, True, "1"):
            made = {**values, "can": [*values["can"][:at], value, *values["can"][at + 1 :]]}
            if not taken(made):
                refusals += 1
                continue
            isolation, speed = parts(made)
            for layout, fields, highest in ((isolation, (5, 11, 23), 22), (speed, (5, 11), 18)):
                for first, way, more in (layout[field : field + 3] for field in fields):
                    assert 0 <= first < layout[1]
                    assert 0 <= first + way * more < layout[1]
                assert abs(layout[17] * layout[19] + layout[20]) < 2**30
                assert abs(layout[highest] * layout[19] + layout[20]) < 2**30
    assert refusals > 300


def test_the_board_takes_no_list_of_another_length():
    whole = to_device(can_truck())
    for length in range(1, len(whole["can"])):
        assert taken({**whole, "can": whole["can"][:length]}) == (length == 31), "that is the monitor alone"
    assert not taken({**whole, "can": [*whole["can"], 0]})
    assert taken({**whole, "can": []})


def test_pulses_may_be_named_and_need_not_be():
    named = 'output = "pulses"\nper_pulse'
    text = can_truck_text(None, None)
    assert "per_pulse" in text
    assert parse_build(text.replace("per_pulse", named, 1), "b.toml") == parse_build(text, "b.toml")


def test_a_speed_that_is_neither_is_refused():
    code, line = refused(('[motion]\noutput = "can"', '[motion]\noutput = "radar"'))
    assert code == 2
    assert line.startswith('motion.output = "radar": is not supported; allowed: "pulses", "can"')


@pytest.mark.parametrize(("first_id", "collides"), [(668, True), (667, False), (673, True), (674, False)])
def test_no_frame_that_comes_may_be_one_that_the_board_sends(first_id, collides):
    """Six follow each other; the monitor's is 673."""
    text = can_truck_text().replace("[pins]\n", f"[can]\nfirst_id = {first_id}\n\n[pins]\n")
    if collides:
        with pytest.raises(BuildError, match=r"isolation\.message = .*: has an identifier of the frames that"):
            parse_build(text, "t.toml", {"frames.dbc": TEXT})
    else:
        values = to_device(parse_build(text, "t.toml", {"frames.dbc": TEXT}))
        assert values["can"][0] == first_id
        assert taken(values)
