"""When an expectation is met: each kind of claim on hand-made ticks, on both sides of its edge."""

from types import SimpleNamespace
from typing import Any

import pytest

from loopwarden_sim.expectations import Checker, Expectation, Mode, read_conditions
from loopwarden_sim.trace import Column

COLUMNS = {
    column.name: column
    for column in (
        Column("world_bus_v", "number", lambda scene: scene.bus_v),
        Column("world_speed_kmh", "number", lambda scene: scene.speed_kmh),
        Column("out_drive_limit_permille", "number", lambda scene: scene.drive),
        Column("in_zone1_degc", "number", lambda scene: scene.zone),
        Column("world_estop", "flag", lambda scene: scene.estop),
        Column("in_bus_state", "text", lambda scene: scene.state),
    )
}


def tick(**values: Any) -> Any:
    """One tick's scene; what is not given is in order."""
    scene = {"bus_v": 0.0, "speed_kmh": 0.0, "drive": 0, "zone": 20.0, "estop": 0, "state": "ok", "phase": "off"}
    lamps = {f"lamp_{name}": values.pop(name, 0) for name in ("ready", "caution", "stop", "hv")}
    codes = [{"row": 61}] if values.pop("stored", False) else []
    scene |= {"outputs": SimpleNamespace(**lamps), "active": frozenset(), "t_ms": 0}
    scene |= {"memory": SimpleNamespace(codes=lambda: codes), "supervisor": None}
    return SimpleNamespace(**(scene | values))


def check(mode: Mode, table: dict[str, Any], ticks: list[Any], first: int = 1, last: int | None = None):
    """Check one expectation over hand-made ticks and return its result."""
    conditions, trends, errors = read_conditions(table, COLUMNS, is_window=True)
    assert not errors, errors
    expectation = Expectation("it", mode, first, last or len(ticks), tuple(conditions), tuple(trends))
    checker = Checker((expectation,))
    for number, scene in enumerate(ticks, 1):
        scene.t_ms = 20 * number
        if number >= checker.next_tick:
            checker.tick(number, scene)
    return checker.results()[0]


@pytest.mark.parametrize(
    ("table", "good", "bad"),
    [
        ({"world_bus_v": "< 60 V"}, {"bus_v": 59.9}, {"bus_v": 60.0}),
        ({"world_bus_v": "<= 60 V"}, {"bus_v": 60.0}, {"bus_v": 60.1}),
        ({"world_bus_v": "> 60"}, {"bus_v": 60.1}, {"bus_v": 60.0}),
        ({"world_bus_v": ">= 60000 mV"}, {"bus_v": 60.0}, {"bus_v": 59.9}),
        ({"world_bus_v": "== 0.06 kV"}, {"bus_v": 60.0}, {"bus_v": 60.1}),
        ({"world_bus_v": "!= 60 V"}, {"bus_v": 60.1}, {"bus_v": 60.0}),
        ({"world_bus_v": "59 V .. 61 V"}, {"bus_v": 61.0}, {"bus_v": 61.1}),
        ({"world_bus_v": "59 V .. 61 V"}, {"bus_v": 59.0}, {"bus_v": 58.9}),
        ({"world_speed_kmh": "> 10 m/s"}, {"speed_kmh": 36.1}, {"speed_kmh": 35.9}),
        ({"drive_limit_permille": 200}, {"drive": 200}, {"drive": 201}),
        ({"drive_limit_permille": "<= 20 %"}, {"drive": 200}, {"drive": 201}),
        ({"out_drive_limit_permille": "<= 200"}, {"drive": 200}, {"drive": 201}),
        ({"in_zone1_degc": "> -40 degC"}, {"zone": -39.0}, {"zone": None}),
        ({"in_zone1_degc": "not known"}, {"zone": None}, {"zone": 20.0}),
        ({"world_estop": True}, {"estop": 1}, {"estop": 0}),
        ({"world_estop": False}, {"estop": 0}, {"estop": 1}),
        ({"in_bus_state": "open"}, {"state": "open"}, {"state": "ok"}),
        ({"phase": "live"}, {"phase": "live"}, {"phase": "off"}),
        ({"phase": ["off", "live"]}, {"phase": "off"}, {"phase": "opening"}),
        ({"lit": ["hv", "stop"]}, {"hv": 1, "stop": 1}, {"hv": 1}),
        ({"dark": "hv"}, {}, {"hv": 1}),
        ({"active": "CRASH"}, {"active": frozenset({"CRASH"})}, {"active": frozenset({"HARD_LOOP_OPEN"})}),
        ({"absent": ["CRASH"]}, {"active": frozenset({"HARD_LOOP_OPEN"})}, {"active": frozenset({"CRASH"})}),
        ({"stored": "EMERGENCY_STOP"}, {"stored": True}, {}),
    ],
)
def test_each_claim_at_one_tick(table, good, bad):
    assert check("at", table, [tick(**good)]).passed
    failed = check("at", table, [tick(**bad)])
    assert not failed.passed
    assert "0.020 s" in failed.seen


def test_at_looks_at_its_tick_and_no_other():
    ticks = [tick(), tick(bus_v=100.0), tick()]
    assert check("at", {"world_bus_v": "== 100 V"}, ticks, 2, 2).passed
    assert not check("at", {"world_bus_v": "== 100 V"}, ticks, 3, 3).passed


@pytest.mark.parametrize(("first", "last", "passed"), [(1, 3, True), (3, 3, True), (1, 2, False), (4, 5, False)])
def test_by_is_met_once_in_its_window(first, last, passed):
    ticks = [tick(), tick(), tick(phase="live"), tick(), tick()]
    result = check("by", {"phase": "live"}, ticks, first, last)
    assert result.passed == passed
    assert ("0.060 s" in result.seen) == passed


def test_by_needs_all_claims_in_the_same_tick():
    ticks = [tick(phase="live"), tick(hv=1)]
    assert not check("by", {"phase": "live", "lit": "hv"}, ticks).passed


@pytest.mark.parametrize(("first", "last", "passed"), [(1, 2, True), (4, 5, True), (1, 3, False), (3, 4, False)])
def test_always_holds_in_every_tick_of_its_window(first, last, passed):
    ticks = [tick(), tick(), tick(phase="opening"), tick(), tick()]
    result = check("always", {"phase": "off"}, ticks, first, last)
    assert result.passed == passed
    assert ("0.060 s" in result.seen) != passed


@pytest.mark.parametrize(("first", "last", "passed"), [(1, 2, True), (1, 3, False)])
def test_never(first, last, passed):
    ticks = [tick(phase="live"), tick(hv=1), tick(phase="live", hv=1)]
    result = check("never", {"phase": "live", "lit": "hv"}, ticks, first, last)
    assert result.passed == passed
    assert ("0.060 s" in result.seen) != passed


@pytest.mark.parametrize(
    ("way", "values", "passed"),
    [
        ("falling", [1000, 1000, 800, 0], True),
        ("falling", [1000, 800, 801, 0], False),
        ("falling", [1000, 1000, 1000], False),
        ("rising", [0, 0, 5, 10], True),
        ("rising", [0, 5, 4, 10], False),
        ("rising", [5, 5], False),
        ("steady", [5, 5, 5], True),
        ("steady", [5, 5, 6], False),
        ("rising", [0, None, 10], False),
    ],
)
def test_the_way_of_a_value(way, values, passed):
    result = check("always", {"drive_limit_permille": way}, [tick(drive=value) for value in values])
    assert result.passed == passed, result.seen


def test_what_a_run_never_reached_is_not_met():
    result = check("at", {"phase": "off"}, [tick()], 5, 5)
    assert not result.passed
    assert "ended before" in result.seen


def test_several_expectations_keep_the_order_of_the_file_and_their_own_windows():
    def one(text: str, mode: Mode, first: int, last: int) -> Expectation:
        conditions, _, _ = read_conditions({"phase": "live"}, COLUMNS, is_window=True)
        return Expectation(text, mode, first, last, tuple(conditions))

    late, early, wide = one("late", "at", 4, 4), one("early", "at", 1, 1), one("wide", "never", 1, 4)
    checker = Checker((late, early, wide))
    checked = []
    for number in range(1, 5):
        if number >= checker.next_tick:
            checked.append(number)
            checker.tick(number, tick(phase="live" if number == 4 else "off"))
    assert [(result.text, result.passed) for result in checker.results()] == [
        ("late", True),
        ("early", False),
        ("wide", False),
    ]
    assert checked == [1, 2, 3, 4]


def test_ticks_outside_every_window_cost_nothing():
    conditions, _, _ = read_conditions({"phase": "off"}, COLUMNS, is_window=True)
    checker = Checker((Expectation("it", "at", 50, 50, tuple(conditions)),))
    assert checker.next_tick == 50
    checker.tick(50, tick())
    assert checker.next_tick > 1 << 50
