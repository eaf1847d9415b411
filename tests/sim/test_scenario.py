"""Scenario files: what a good one becomes, and every way to be wrong as one line with file, key and line."""

from pathlib import Path

import pytest

from loopwarden_sim.scenario import Action, ScenarioError, in_unit, load_scenario

from .scenario_files import CART, PARKED, TRUCK, parked, write


def errors(folder: Path, text: str) -> list[str]:
    path = write(folder, text)
    with pytest.raises(ScenarioError) as refused:
        load_scenario(path)
    for line in refused.value.lines:
        assert line.startswith(str(path)), line
        assert "\n" not in line
    return [line.removeprefix(str(path)) for line in refused.value.lines]


def test_a_good_file_becomes_ticks_and_actions(tmp_path):
    text = parked(
        '[[expect]]\nby = "knock + 0.5 s"\nphase = "unpowered"\n[[expect]]\nat = "1.01 s"\nphase = "unpowered"',
        '[[at]]\nt = "knock - 0.5 s"\npress = "start"\nfor = "100 ms"\nstrike = "positive_slow"\nwith = { factor = 3 }',
    )
    scenario = load_scenario(write(tmp_path, text))
    assert (scenario.title, scenario.seed, scenario.ticks) == ("a parked truck", 3, 100)
    assert scenario.start == (("soaked_degc", 18.0),)
    # An event at t is first seen by the tick that ends after t: 0.5 s is tick 25's end, so tick 26 sees it.
    assert scenario.events == (
        (26, Action("strike", "positive_slow", "", {"factor": 3.0})),
        (26, Action("set", "start", 1.0)),
        (31, Action("set", "start", 0.0)),
        (51, Action("set", "ack", 1.0)),
    )
    by, at = scenario.expectations
    assert (by.mode, by.first_tick, by.last_tick) == ("by", 50, 75)  # from the event that the time leans on
    assert (at.mode, at.first_tick, at.last_tick) == ("at", 51, 51)  # 1.01 s: the first tick that ends then or later


def test_windows(tmp_path):
    text = parked(
        '[[expect]]\nfrom = "0.5 s"\nphase = "unpowered"\n'
        '[[expect]]\nfrom = "0.5 s"\nuntil = "1 s"\nphase = "unpowered"\n'
        '[[expect]]\nnever = true\nphase = "live"\n'
        '[[expect]]\nnever = true\nuntil = "knock"\nphase = "live"\n'
        '[[expect]]\nby = "1 s"\nphase = "unpowered"\n'
        '[[expect]]\nfrom = "0.5 s"\nby = "knock"\nphase = "unpowered"\n'
    )
    found = [(one.mode, one.first_tick, one.last_tick) for one in load_scenario(write(tmp_path, text)).expectations]
    assert found == [
        ("always", 25, 100),
        ("always", 25, 50),
        ("never", 1, 100),
        ("never", 1, 50),
        ("by", 1, 50),
        ("by", 25, 50),
    ]


EXPECT = '[[expect]]\nat = "1 s"\n'
BAD_EXPECTATIONS = [
    # what could never be checked
    ('[[expect]]\nat = "3 s"\nphase = "off"', 'expect[1].at = "3 s": lies outside the run, 0 s to 2 s'),
    ('[[expect]]\nuntil = "3 s"\nphase = "off"', "lies outside the run"),
    ('[[expect]]\nby = "knock + 2 s"\nphase = "off"', "lies outside the run"),
    ('[[expect]]\nby = "knock - 2 s"\nphase = "off"', "lies outside the run"),
    ('[[expect]]\nfrom = "1 s"\nuntil = "0.5 s"\nphase = "off"', "its window is empty"),
    ('[[expect]]\nfrom = "1.5 s"\nby = "1 s"\nphase = "off"', "its window is empty"),
    ('[[expect]]\nfrom = "1.001 s"\nuntil = "1.01 s"\nphase = "off"', "its window is empty"),
    ('[[expect]]\nby = "nock + 2 s"\nphase = "off"', 'did you mean "knock"?'),
    ('[[expect]]\nphase = "off"', "does not say when"),
    ('[[expect]]\nat = "1 s"\nby = "2 s"\nphase = "off"', "stands alone"),
    ('[[expect]]\nby = "2 s"\nuntil = "2 s"\nphase = "off"', "goes with from only"),
    ('[[expect]]\nnever = 1\nphase = "off"', "must be true"),
    ("[[expect]]\nnever = true", "not what must hold"),
    (EXPECT + 'phase = "lives"', '"lives" is not a phase; did you mean "live"?'),
    (EXPECT + "phase = 3", "must be the name of a phase"),
    (EXPECT + "phase = []", "must be the name of a phase"),
    (EXPECT + 'lit = "horn"', "is not a lamp"),
    (EXPECT + 'active = "ISOLATION_FALT"', 'did you mean "ISOLATION_FAULT"?'),
    (EXPECT + 'absent = ["CRASH", "SMASH"]', '"SMASH" is not a fault'),
    (EXPECT + 'stored = "SMASH"', "is not a fault"),
    (EXPECT + 'why = { "stop lamb" = "x" }', 'did you mean "stop lamp"?'),
    (EXPECT + 'why = { "stop lamp" = "" }', "must hold the text"),
    (EXPECT + 'why = "x"', "must be a table"),
    (EXPECT + "world_bus_w = 3", 'did you mean "world_bus_v"?'),
    (EXPECT + "zzz = 3", "is not a signal"),
    (EXPECT + "world_bus_v = true", "is a number and cannot be compared with true or false"),
    (EXPECT + 'world_bus_v = "< high"', '"high" does not begin with a number'),
    (EXPECT + 'world_bus_v = "< 60 A"', "needs V, mV or kV"),
    (EXPECT + 'world_bus_v = "70 V .. 60 V"', "ends below its beginning"),
    (EXPECT + "world_bus_v = [1]", "write a number, a comparison"),
    (EXPECT + "world_estop = 1", "is true or false"),
    (EXPECT + 'out_lamp_hv = "> 0"', "is true or false"),
    (EXPECT + "in_bus_state = 1", "is a text"),
    (EXPECT + 'in_bus_state = "> ok"', "has no order"),
    (EXPECT + 'world_bus_v = "falling"', "needs a window"),
    ('[[expect]]\nuntil = "1 s"\nworld_estop = "rising"', "is no number"),
    ('[[expect]]\nfrom = "1 s"\nuntil = "1 s"\nworld_bus_v = "rising"', "nothing can fall or rise"),
    ("", "a scenario that expects nothing shows nothing"),
    ('[expect]\nat = "1 s"', "must be tables that begin with [[expect]]"),
]


def test_the_promises_alone_may_judge_and_only_where_the_file_says_so(tmp_path):
    assert load_scenario(write(tmp_path, parked("", head='expect = "promises"'))).expectations == ()
    (line,) = errors(tmp_path, parked("", head='expect = "nothing"'))
    assert "must be tables that begin with [[expect]]" in line


@pytest.mark.parametrize(("expect", "message"), BAD_EXPECTATIONS)
def test_an_expectation_that_could_never_be_checked_is_refused(tmp_path, expect, message):
    lines = errors(tmp_path, parked(expect))
    assert len(lines) == 1, lines
    assert message in lines[0]


OK = '[[expect]]\nat = "1 s"\nphase = "off"'
BAD_EVENTS = [
    ("[[at]]\nset = { key = true }", "at[2].t: is missing"),
    ('[[at]]\nt = "9 s"\nset = { key = true }', "lies outside the run"),
    ('[[at]]\nt = "2 s"\nset = { key = true }', "is the end of the run"),
    ("[[at]]\nt = 1\nset = { key = true }", "must be text with a unit"),
    ('[[at]]\nt = "1 V"\nset = { key = true }', "needs s, ms, min or h"),
    ('[[at]]\nt = "1 s"', "does nothing"),
    ('[[at]]\nt = "1 s"\nname = "knock"\nset = { key = true }', "no other event is called"),
    ('[[at]]\nt = "1 s"\nsat = { key = true }', 'did you mean "set"?'),
    ('[[at]]\nt = "1 s"\nset = { keys = true }', 'did you mean "key"?'),
    ('[[at]]\nt = "1 s"\nset = { ambient_degc = "20 V" }', "needs degC"),
    ('[[at]]\nt = "1 s"\nset = { ambient_degc = "99 degC" }', "must be -40 to 60 degC"),
    ('[[at]]\nt = "1 s"\nset = { ambient_degc = true }', "must be a number in degC"),
    ('[[at]]\nt = "1 s"\nset = { key = "on" }', "must be true, false or a number"),
    ('[[at]]\nt = "1 s"\nset = { key = 2 }', "must be 0 to 1"),
    ('[[at]]\nt = "1 s"\nset = 3', "must be a table"),
    ('[[at]]\nt = "1 s"\npress = "horn"', "is not a button"),
    ('[[at]]\nt = "1 s"\npress = "start"\nfor = "0 s"', "must be above 0"),
    ('[[at]]\nt = "1 s"\nset = { key = true }\nfor = "1 s"', "belongs to press"),
    ('[[at]]\nt = "1 s"\nstrike = "positive_wielded"', 'did you mean "positive_welded"?'),
    ('[[at]]\nt = "1 s"\nstrike = "loop_open"', "must say which"),
    ('[[at]]\nt = "1 s"\nstrike = "loop_open"\nwhere = "moon"', "must say which"),
    ('[[at]]\nt = "1 s"\nstrike = "positive_welded"\nwhere = "moon"', "strikes one thing only"),
    ('[[at]]\nt = "1 s"\nset = { key = true }\nwhere = "moon"', "belongs to strike or heal"),
    ('[[at]]\nt = "1 s"\nset = { key = true }\nwith = { factor = 2 }', "belongs to strike"),
    ('[[at]]\nt = "1 s"\nstrike = "positive_slow"\nwith = { factr = 2 }', 'did you mean "factor"?'),
    ('[[at]]\nt = "1 s"\nstrike = "positive_slow"\nwith = { factor = 200 }', "must be 1 to 100"),
    ('[[at]]\nt = "1 s"\nstrike = "bus_short"', "is missing"),
    ('[[at]]\nt = "1 s"\nheal = "positive_welded"', "was not struck before"),
    ('[[at]]\nt = "1 s"\nclear = "SMASH"', "is not a fault"),
    ('[[at]]\nt = "1 s"\nclear = "SUPPLY_LOW"', "nothing to clear"),
    ('[[at]]\nt = "1 s"\nboard = "kick"', "must be one of off, on, reset"),
]


@pytest.mark.parametrize(("event", "message"), BAD_EVENTS)
def test_an_event_that_could_not_happen_is_refused(tmp_path, event, message):
    lines = errors(tmp_path, parked(OK, event))
    assert len(lines) == 1, lines
    assert message in lines[0]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('title = "a parked truck"\n', "", "title: is missing"),
        ('title = "a parked truck"', "title = 3", "title = 3: must be a text"),
        ("seed = 3", "seed = -1", "seed = -1: must be a whole number"),
        ("seed = 3", 'seed = "x"', "must be a whole number"),
        ('run = "2 s"\n', "", "run: is missing"),
        ('run = "2 s"', "run = 2", "must be text with a unit"),
        ('run = "2 s"', 'run = "2 kg"', "needs s, ms, min or h"),
        ('run = "2 s"', 'run = "30 h"', "at most 1440 min"),
        ("seed = 3", "sead = 3", 'did you mean "seed"?'),
        ("seed = 3", 'memory = "old"', 'must be "commissioned" or "new"'),
        ("start = {", "stert = {", 'did you mean "start"?'),
        ('soaked_degc = "18 degC"', 'soaked_degc = "18"', "has no unit"),
        (str(TRUCK), "nowhere.toml", "there is no such file"),
    ],
)
def test_the_head_of_the_file(tmp_path, old, new, message):
    assert old in PARKED
    lines = errors(tmp_path, PARKED.replace(old, new))
    assert any(message in line for line in lines), lines


def test_broken_toml_names_the_line(tmp_path):
    (line,) = errors(tmp_path, 'title = "x"\nbuild = \nseed = 1\n')
    assert line.startswith(":2: is not TOML:")


def test_a_key_names_its_line(tmp_path):
    (line,) = errors(tmp_path, parked(EXPECT + 'phase = "lives"'))
    path = write(tmp_path, parked(EXPECT + 'phase = "lives"'))
    number = path.read_text().splitlines().index('phase = "lives"') + 1
    assert line.startswith(f":{number}: expect[1].phase = ")


def test_every_error_of_a_file_is_told_at_once(tmp_path):
    lines = errors(tmp_path, parked(OK, '[[at]]\nt = "1 s"\nset = { keys = true, stap = true }\npress = "horn"'))
    assert len(lines) == 3


def test_a_file_that_is_not_there_or_not_text(tmp_path):
    with pytest.raises(ScenarioError, match="cannot be read: No such file"):
        load_scenario(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ScenarioError, match="is not UTF-8"):
        load_scenario(tmp_path / "bytes.toml")
    with pytest.raises(ScenarioError, match="cannot be read"):
        load_scenario(tmp_path)


def test_a_wrong_build_is_told_in_the_build_files_own_words(tmp_path):
    (tmp_path / "build.toml").write_text(CART.read_text().replace('name = "bench cart"', "nome = 3"))
    path = write(tmp_path, PARKED.replace(str(TRUCK), "build.toml"))
    with pytest.raises(ScenarioError) as refused:
        load_scenario(path)
    assert all(line.startswith(str(tmp_path / "build.toml")) for line in refused.value.lines)


def test_a_fault_of_a_part_that_the_build_has_not_is_refused(tmp_path):
    """The cart has no speed sensor."""
    text = parked(OK, '[[at]]\nt = "1 s"\nstrike = "speed_lost"')
    assert "no such part" in errors(tmp_path, text.replace(str(TRUCK), str(CART)))[0]


@pytest.mark.parametrize(
    ("raw", "unit", "value"),
    [
        ("1500 ms", "s", 1.5),
        ("0.5 Mohm", "ohm", 500_000.0),
        ("36 km/h", "km/h", 36.0),
        ("10 m/s", "km/h", 36.0),
        ("25 %", "%", 25.0),
        ("1.5 K/s", "K/s", 1.5),
        ("3000 kg", "kg", 3000.0),
        (7, "V", 7.0),
        (True, "", 1.0),
        (0.5, "", 0.5),
    ],
)
def test_numbers_with_a_unit(raw, unit, value):
    assert in_unit(raw, unit) == pytest.approx(value, rel=1e-12)


def test_none_stands_for_no_leak(tmp_path):
    text = parked(OK, '[[at]]\nt = "1 s"\nset = { leak_positive_ohm = "none", leak_negative_ohm = "100 kohm" }')
    events = load_scenario(write(tmp_path, text)).events
    values = {action.name: action.value for _, action in events}
    assert values["leak_positive_ohm"] == float("inf")
    assert values["leak_negative_ohm"] == 100_000.0
