"""A scenario that is written and read back is the same scenario, whatever happens in it."""

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.naming import SUBJECTS
from loopwarden_build.load import read_build
from loopwarden_prove.scenario_file import Expected, scenario_text
from loopwarden_sim.runner import run
from loopwarden_sim.scenario import Action, Scenario, load_scenario
from loopwarden_sim.world import World

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
TRUCK = BUILDS / "orchard_truck.toml"
BUILD = read_build(TRUCK)
WORLD = World(BUILD, 1)
TICKS = 500


def made(*events: tuple[int, Action], title: str = "made", **changed) -> Scenario:
    events = tuple(sorted(events, key=lambda event: event[0]))
    plain = Scenario(Path("made.toml"), title, BUILD, 7, TICKS, False, (), events, ())
    return replace(plain, **changed)


def read_back(folder: Path, scenario: Scenario, **options) -> Scenario:
    path = folder / "made.toml"
    path.write_text(scenario_text(scenario, TRUCK, folder, **options), encoding="utf-8")
    return load_scenario(path)


def set_to(name: str, value: float) -> Action:
    return Action("set", name, value)


@st.composite
def settings(draw) -> tuple[str, float]:
    name = draw(st.sampled_from(sorted(World.SETTABLE)))
    known = World.SETTABLE[name]
    if known.words:
        return name, float(draw(st.integers(0, len(known.words) - 1)))
    edges = st.sampled_from([known.low, known.high])
    return name, draw(edges | st.floats(known.low, known.high, allow_nan=False))


@st.composite
def strikes(draw) -> Action:
    fault = draw(st.sampled_from(sorted(WORLD.possible())))
    names = WORLD.names_of(fault)
    given = {key: draw(st.floats(known.low, known.high)) for key, known in World.FAULTS[fault].arguments.items()}
    return Action("strike", fault, draw(st.sampled_from(names)) if names else "", given)


@st.composite
def stories(draw) -> tuple[tuple[int, Action], ...]:
    """Anything that may be done, many things in the same ticks, so that their order matters."""
    ticks = st.sampled_from([1, 2, 3, 11, 12, 13, 22, 111, TICKS - 1, TICKS])
    buttons = st.builds(set_to, st.sampled_from(["start", "ack", "stop"]), st.sampled_from([0.0, 1.0]))
    others = [
        st.builds(Action, st.just("board"), st.sampled_from(["off", "on", "reset"])),
        st.builds(Action, st.just("clear"), st.sampled_from(["POSITIVE_WELDED", "EMERGENCY_STOP"])),
        st.builds(Action, st.just("ask"), st.sampled_from([*SUBJECTS, "LOOP_OPEN"])),
    ]
    deeds = st.one_of(settings().map(lambda one: set_to(*one)), buttons, strikes(), *others)
    events = sorted(draw(st.lists(st.tuples(ticks, deeds), max_size=12)), key=lambda event: event[0])
    with_heals: list[tuple[int, Action]] = []
    struck: list[Action] = []
    for tick, action in events:  # heal now and then what was struck before
        with_heals.append((tick, action))
        if action.kind == "strike":
            struck.append(action)
        elif struck and draw(st.booleans()):
            healed = struck.pop()
            struck = [one for one in struck if (one.name, one.value) != (healed.name, healed.value)]
            with_heals.append((tick, Action("heal", healed.name, healed.value)))
    return tuple(with_heals)


@given(events=stories(), start=st.lists(settings(), max_size=3, unique_by=lambda one: one[0]), new=st.booleans())
def test_what_is_written_reads_back_the_same(tmp_path_factory, events, start, new):
    scenario = made(*events, start=tuple(start), memory_new=new)
    back = read_back(tmp_path_factory.mktemp("back"), scenario)
    assert back.events == scenario.events
    assert back.start == scenario.start
    assert (back.ticks, back.seed, back.memory_new) == (scenario.ticks, scenario.seed, new)
    assert back.build == BUILD


@given(title=st.text(min_size=1), comment=st.text(st.characters(categories=["L", "N", "P", "Zs"])))
def test_any_title_and_comment_can_be_written(tmp_path_factory, title, comment):
    back = read_back(tmp_path_factory.mktemp("titles"), made(title=title), comment=[comment])
    assert back.title == title


def test_a_press_is_told_as_one(tmp_path):
    scenario = made((50, set_to("start", 1.0)), (60, set_to("start", 0.0)), (70, set_to("ack", 1.0)))
    text = scenario_text(scenario, TRUCK, tmp_path)
    assert 't = "0.98 s"\npress = "start"\n' in text  # from its 50th tick of 20 ms on; 200 ms is what press is anyway
    assert "set = { ack = true }" in text  # never let go
    assert "for" not in tomllib.loads(text)["at"][0]


def test_units_and_switches_are_those_that_people_write(tmp_path):
    scenario = made(
        (1, set_to("key", 1.0)),
        (1, set_to("throttle", 1.0)),
        (2, Action("strike", "pack_voltage_offset", "", {"amount": -32.0})),
        (3, set_to("service", 2.0)),
        start=(("soaked_degc", 18.0), ("leak_middle_ohm", float("inf"))),
    )
    data = tomllib.loads(scenario_text(scenario, TRUCK, tmp_path))
    assert data["start"] == {"soaked_degc": "18 degC", "leak_middle_ohm": "none"}
    assert [{key: value for key, value in one.items() if key != "t"} for one in data["at"]] == [
        {"set": {"key": True, "throttle": 1}},
        {"strike": "pack_voltage_offset", "with": {"amount": "-32 V"}},
        {"set": {"service": "test"}},
    ]


def test_an_argument_that_nobody_gave_is_left_to_the_simulator(tmp_path):
    scenario = made((5, Action("strike", "positive_slow", "", {})))
    assert "with" not in scenario_text(scenario, TRUCK, tmp_path)
    assert read_back(tmp_path, scenario).events == scenario.events


def test_a_row_that_must_come_is_expected_in_its_span(tmp_path):
    back = read_back(tmp_path, made(), expected=Expected("LOOP_OPEN", 100, 260))
    (one,) = back.expectations
    assert (one.mode, one.first_tick, one.last_tick) == ("by", 5, 13)  # of 20 ms each
    assert "LOOP_OPEN" in one.text


def test_without_expectation_the_promises_alone_judge(tmp_path):
    back = read_back(tmp_path, made())
    assert back.expectations == ()
    outcome = run(back)
    assert outcome.passed
    assert outcome.ticks == TICKS


def test_the_comment_is_wrapped_and_stands_on_top(tmp_path):
    text = scenario_text(made(), TRUCK, tmp_path, comment=["one two " * 40, "last"])
    lines = text.splitlines()
    head = [line for line in lines if line.startswith("#")]
    assert lines[: len(head)] == head
    assert max(map(len, head)) <= 112
    assert head[-1] == "# last"


@pytest.mark.parametrize("folder", [".", "below", "below/deeper"])
def test_the_build_is_found_from_where_the_file_lies(tmp_path, folder):
    place = tmp_path / folder
    place.mkdir(parents=True, exist_ok=True)
    copy = tmp_path / "my build.toml"
    copy.write_text(TRUCK.read_text(encoding="utf-8"), encoding="utf-8")
    path = place / "one.toml"
    path.write_text(scenario_text(made(), copy, place), encoding="utf-8")
    assert not Path(tomllib.loads(path.read_text(encoding="utf-8"))["build"]).is_absolute()
    assert load_scenario(path).build == BUILD
