"""Every check of the promise monitor, shown able to fail by one bad trace, and quiet on the near miss beside it."""

from collections.abc import Callable
from dataclasses import replace
from itertools import count
from typing import Any

import pytest

from loopwarden.policy import fault_table
from loopwarden.signals import (
    ACK,
    AUX_POSITIVE,
    CRASH,
    KEY,
    LOOP0,
    OK,
    OPEN,
    PLUG,
    QUIET,
    RANGE,
    SERVICE,
    STALE,
    START,
    STOP,
)
from loopwarden_sim import promise_reactions as reactions
from loopwarden_sim.promise_monitor import PROMISES

from .promise_bench import BOUNDS, DT_MS, PACK_V, Bench, cycle, play

Change = Callable[[Bench], Any]


def put(where: str, **values: Any) -> Change:
    """A change that writes attributes of i (inputs), o (outputs) or w (truth)."""

    def change(b: Bench) -> None:
        for name, value in values.items():
            setattr(getattr(b, where), name, value)

    return change


def bits(mask: int, on: bool) -> Change:
    return lambda b: b.press(mask, on)


def unknown(mask: int) -> Change:
    return lambda b: setattr(b.i, "known", b.i.known & ~mask)


def both(*changes: Change) -> Change:
    def change(b: Bench) -> None:
        for one in changes:
            one(b)

    return change


def zone(number: int, dc: int | None, state: int = 0) -> Change:
    def change(b: Bench) -> None:
        b.i.zone_dc[number], b.i.zone_state[number] = dc, state

    return change


def test_a_good_drive_and_a_good_charge_break_nothing_and_exercise_what_they_should():
    """The trace every other test bends."""
    drive = play(Bench())
    assert drive.monitor.breaches == [], drive.seen()
    for promise in ("S1", "S2", "S4", "S5", "S6", "S7", "S10", "S12", "S13"):
        assert drive.monitor.exercised[promise] > 0, promise
    assert set(drive.monitor.exercised) == set(PROMISES)
    charge = play(Bench(), charge=True)
    assert charge.monitor.breaches == [], charge.seen()


# Start checks, one by one: what is not in order when the first contactor is commanded.
NOT_IN_ORDER: list[tuple[str, Change]] = [
    ("key is off", bits(KEY, False)),
    ("a loop does not read closed", bits(LOOP0, False)),
    ("a loop does not read closed", bits(LOOP0 << 1, False)),
    ("a loop does not read closed", bits(LOOP0 << 2, False)),
    ("a loop does not read closed", unknown(LOOP0 << 1)),
    ("a loop does not read closed", put("i", latch=LOOP0 << 1)),
    ("a loop does not read closed", put("w", hard_loop_open=True)),
    ("a loop reads shorted", put("i", loop_low=2)),
    ("a loop reads shorted", put("i", loop_high=4)),
    ("emergency stop", bits(STOP, True)),
    ("emergency stop", unknown(STOP)),
    ("emergency stop", put("w", estop=True)),
    ("crash", bits(CRASH, True)),
    ("crash", unknown(CRASH)),
    ("plug input", unknown(PLUG)),
    ("the bus is not dead", lambda b: b.bus(58.0)),
    ("the bus is not dead", put("i", bus_mv=None, bus_state=OPEN)),
    ("pack voltage", put("i", pack_mv=None, pack_state=OPEN)),
    ("pack voltage", put("i", pack_mv=149_000)),
    ("pack voltage", put("i", pack_mv=463_000)),
    ("pack current", put("i", current_ma=5_001)),
    ("pack current", put("i", current_ma=None, current_state=OPEN)),
    ("isolation", put("i", isolation_ohm=209_999)),
    ("isolation", put("i", isolation_ohm=None, isolation_state=STALE)),
    ("known to stand", lambda b: b.speed(3.0)),
    ("known to stand", put("i", speed_state=STALE)),
    ("the supply", put("i", supply_mv=9_400)),
    ("the supply", put("i", supply_mv=15_600)),
    ("the supply", put("i", supply_mv=None, supply_state=OPEN)),
    ("temperature is at its trip", zone(0, 550)),
    ("temperature is at its trip", zone(2, 900)),
    ("not covered", both(zone(0, None, OPEN), zone(1, None, OPEN))),
    ("precharge budget", put("w", precharge_heat_j=225.0)),
    ("discharge budget", put("w", discharge_heat_j=213.0)),
    ("a fault refuses it", lambda b: b.names.add("MEMORY_NEW")),
    ("a fault refuses it", lambda b: b.names.add("FEEDBACK_DISAGREES")),
]


@pytest.mark.parametrize(("what", "change"), NOT_IN_ORDER, ids=count())
def test_s1_each_start_check_is_seen_to_fail(what: str, change: Change):
    b = play(Bench(), "asked", change)
    assert any(breach.promise == "S1" and what in breach.seen for breach in b.monitor.breaches), b.seen()


JUST_IN_ORDER: list[Change] = [
    lambda b: b.bus(57.999),
    put("i", pack_mv=150_000),
    put("i", pack_mv=462_000),
    put("i", current_ma=-5_000),
    put("i", isolation_ohm=210_000),
    put("i", supply_mv=9_500),
    put("i", supply_mv=15_500),
    zone(0, 549),
    zone(0, None, OPEN),  # its neighbour covers it
    bits(LOOP0 << 3, False),  # the charge permit: this is a drive
    put("w", precharge_heat_j=224.0),
    put("w", discharge_heat_j=212.0),
    lambda b: b.names.add("ISOLATION_WARNING"),
]


@pytest.mark.parametrize("change", JUST_IN_ORDER, ids=count())
def test_s1_is_quiet_on_the_near_miss(change: Change):
    b = play(Bench(), "asked", change)
    assert "S1" not in b.broken(), b.seen()


def test_s1_a_charge_needs_its_own_permit_and_no_cold_pack():
    opened = play(Bench(), "asked", bits(LOOP0 << 3, False), charge=True)
    assert "S1" in opened.broken()
    cold = play(Bench(), "asked", lambda b: b.names.add("PACK_COLD"), charge=True)
    assert "S1" in cold.broken()
    drive = play(Bench(), "asked", lambda b: b.names.add("PACK_COLD"))
    assert "S1" not in drive.broken()


def test_s1_a_charge_must_not_enable_the_inverter():
    b = play(Bench(), "charging", put("o", inverter_enable=1), charge=True)
    assert "S1" in b.broken()


@pytest.mark.parametrize(("wait_ms", "good"), [(960, True), (1020, False)])
def test_s1_needs_a_fresh_start_edge(wait_ms: int, good: bool):
    """The edge was one tick before; waiting on with the button held makes it stale."""
    b = play(Bench(), "asked", lambda b: b.run(wait_ms))
    assert ("S1" not in b.broken()) == good, b.seen()


def test_s1_one_edge_is_one_start():
    """After an abort a second attempt on the same press is refused a place in the trace."""
    b = Bench()
    for stage in cycle(b):
        if stage == "filling":
            b.off()
            b.run(100)
            b.o.precharge = 1
            b.run(DT_MS)
            break
    assert "S1" in b.broken()
    assert "fresh start edge" in b.seen()


def test_s1_the_second_proof_needs_a_dead_bus_too():
    b = play(Bench(), "between the proofs", lambda b: b.bus(100.0))
    assert any("negative closed onto" in breach.seen for breach in b.monitor.breaches)


@pytest.mark.parametrize(("acknowledged", "good"), [(False, False), (True, True)])
def test_s1_after_an_emergency_the_positive_pole_needs_proof(acknowledged: bool, good: bool):
    """No proof pulse was possible; without a contact that proves it open, only the acknowledged meter check helps."""
    b = Bench(replace(BOUNDS, feedback="none"))
    for stage in cycle(b):
        if stage == "driving":
            b.speed(0.0)
            b.i.latch = STOP
            b.off()
            b.run(DT_MS)
            b.i.latch = 0
            b.bus(0.0)
            b.run(2000)
            break
    if acknowledged:
        b.press(ACK)
        b.run(200)
        b.press(ACK, False)
    b.run(200)
    play(b)
    assert ("S1" not in b.broken()) == good, b.seen()


def test_s1_a_contact_closed_while_the_main_is_open_proves_it():
    b = Bench()
    for stage in cycle(b):
        if stage == "driving":
            b.speed(0.0)
            b.i.latch = STOP
            b.off()
            b.run(DT_MS)
            b.i.latch = 0
            b.bus(0.0)
            b.run(2000)
            break
    play(b)
    assert "S1" not in b.broken(), b.seen()


def test_s1_power_lost_while_live_costs_the_proof():
    b = Bench(replace(BOUNDS, feedback="none"))
    for stage in cycle(b):
        if stage == "standing":
            b.o.__init__()
            b.monitor.power_off()
            break
    for _ in range(100):
        b.monitor.dark_tick()
    b.bus(0.0)
    play(b)
    assert "positive pole is not proven" in b.seen()


def test_s1_a_pulse_without_a_fall_is_no_proof():
    """The bus stays up on the pulse, as with a welded main; a start after that rests on no proof."""
    b = Bench(replace(BOUNDS, feedback="none"))
    for stage in cycle(b):
        if stage == "pulse":
            b.run(100)
            b.o.negative = 0
            b.run(100)
            b.bus(0.0)
            b.run(100)
            break
    play(b)
    assert "positive pole is not proven" in b.seen()


S2_BAD: list[tuple[str, str, Change, dict[str, Any]]] = [
    ("below the precharge fraction", "full", lambda b: b.bus(0.949 * PACK_V), {}),
    ("without valid bus", "full", put("i", bus_mv=None, bus_state=OPEN), {}),
    ("without valid bus", "full", put("i", pack_mv=None, pack_state=RANGE), {}),
    ("still rising", "full", lambda b: None, {"fill_ms": 160}),
    ("still rising", "full", lambda b: None, {"fill_ms": 240}),
    ("outside the precharge window", "full", lambda b: None, {"rc_ms": 10.0}),
    ("outside the precharge window", "full", lambda b: None, {"rc_ms": 95.0, "fill_ms": 480}),
    ("after the settling time", "full", lambda b: b.run(240), {}),
]


@pytest.mark.parametrize(("what", "stage", "change", "how"), S2_BAD, ids=count())
def test_s2_the_second_main_closes_only_on_a_measured_settled_bus(
    what: str, stage: str, change: Change, how: dict[str, Any]
):
    b = play(Bench(), stage, change, **how)
    assert any(breach.promise == "S2" and what in breach.seen for breach in b.monitor.breaches), b.seen()


def test_s2_without_any_precharge():
    b = play(Bench(), "filling", put("o", positive=1))
    assert "without precharge" in b.seen()


@pytest.mark.parametrize("how", [{"fill_ms": 260}, {"fill_ms": 340}, {"rc_ms": 60.0, "fill_ms": 320}, {"rc_ms": 40.0}])
def test_s2_is_quiet_inside_the_window(how: dict[str, Any]):
    """Last 40 ms, R*C = 50 ms: 380*exp(-(t-40)/50)*(1 - exp(-40/50)) is 3.83 V at 240 ms, 2.57 V at 260; 1 %: 3.8 V."""
    b = play(Bench(), **how)
    assert "S2" not in b.broken(), b.seen()


@pytest.mark.parametrize(
    "edge",
    [put("i", latch=STOP), put("i", latch=LOOP0), bits(CRASH, True), bits(LOOP0, False), unknown(LOOP0), unknown(STOP)],
    ids=count(),
)
@pytest.mark.parametrize("stage", ["first proof", "filling", "live", "driving"])
def test_s3_off_within_two_ticks_and_not_a_tick_later(edge: Change, stage: str):
    for late, good in ((0, True), (1, True), (2, False)):
        b = Bench()
        for now in cycle(b):
            if now == stage:
                edge(b)
                b.run(late * DT_MS)
                b.off()
                b.run(100)
                break
        assert ("S3" not in b.broken()) == good, f"{late}: {b.seen()}"
        assert b.monitor.exercised["S3"] == 1


@pytest.mark.parametrize(
    "left", [{"inverter_enable": 1}, {"drive_limit_permille": 1}, {"charge_limit_permille": 1}, {"negative": 1}]
)
def test_s3_nothing_may_be_left_on(left: dict[str, int]):
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            b.i.latch = STOP
            b.off()
            put("o", **left)(b)
            b.run(DT_MS)
            b.i.latch = 0
            b.run(40)
            break
    assert "S3" in b.broken()


@pytest.mark.parametrize("name", ["estop", "crash", "hard_loop_open"])
def test_s3_holds_on_what_really_happened_too(name: str):
    """An input that never shows it does not excuse anybody; two ticks of delay between world and reading do."""
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            setattr(b.w, name, True)
            b.run(40)
            assert "S3" not in b.broken()
            b.run(DT_MS)
            assert "S3" in b.broken()
            b.run(1_000)
            break
    assert len(b.monitor.breaches) == 1  # what goes on is told once


def test_s3_loops_that_are_not_hard_are_not_meant():
    b = play(Bench(), "driving", put("i", latch=LOOP0 << 1))
    assert "S3" not in b.broken(), b.seen()


def open_at(b: Bench, kmh: float) -> None:
    b.speed(kmh)
    b.limits(0, 0)
    b.o.inverter_enable = 0
    b.o.positive = 0
    b.run(40)


@pytest.mark.parametrize(("kmh", "good"), [(0.0, True), (0.9, True), (1.1, False), (90.0, False)])
def test_s4_does_not_open_while_moving(kmh: float, good: bool):
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            open_at(b, kmh)
            break
    assert ("S4" not in b.broken()) == good, b.seen()


@pytest.mark.parametrize(
    ("cause", "good"),
    [
        (put("i", latch=STOP), True),
        (put("i", latch=LOOP0 << 1), False),  # a watched loop winds down
        (lambda b: b.names.add("CONTACTOR_DROPPED_OUT"), True),
        (lambda b: b.names.add("ISOLATION_FAULT"), False),
        (lambda b: b.names.add("PACK_RUNAWAY"), False),
    ],
    ids=count(),
)
def test_s4_the_allowed_causes(cause: Change, good: bool):
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            cause(b)
            b.off()
            b.run(40)
            break
    assert ("S4" not in b.broken()) == good, b.seen()


def test_s4_a_main_that_physically_let_go_excuses_the_opening():
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            b.o.off()
            b.w.positive_closed = False
            b.w.negative_closed = True
            b.monitor.tick()
            break
    assert "S4" not in b.broken(), b.seen()


@pytest.mark.parametrize(("wait_ms", "good"), [(30_200, True), (29_600, False)])
def test_s4_unknown_speed_waits_for_the_fallback(wait_ms: int, good: bool):
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            b.i.speed_mm_s, b.i.speed_state = None, STALE
            b.limits(500, 0)
            b.limits(0, 0)
            b.run(wait_ms)
            b.o.positive = 0
            b.run(40)
            break
    assert ("S4" not in b.broken()) == good, b.seen()


@pytest.mark.parametrize(
    "spoil", [put("i", current_ma=6_000), put("i", current_ma=None, current_state=OPEN), lambda b: b.speed(40.0)]
)
def test_s4_the_fallback_is_for_unknown_speed_without_current(spoil: Change):
    """Current above the threshold, unread current and a speed that is read all keep the fallback from being met."""
    b = Bench()
    for now in cycle(b):
        if now == "driving":
            b.i.speed_mm_s, b.i.speed_state = None, STALE
            spoil(b)
            b.limits(0, 0)
            b.run(40_000)
            b.o.positive = 0
            b.run(40)
            break
    assert "S4" in b.broken()


@pytest.mark.parametrize(("wait_ms", "good"), [(30_200, True), (20_000, False)])
def test_s4_a_build_without_speed_always_waits_for_the_fallback(wait_ms: int, good: bool):
    b = Bench(replace(BOUNDS, speed_fitted=False))
    for now in cycle(b):
        if now == "opening":
            b.run(wait_ms)
    assert ("S4" not in b.broken()) == good, b.seen()


@pytest.mark.parametrize(("rolls_ms", "good"), [(500, True), (4_000, False)])
def test_s4_what_stood_while_the_limits_came_down_may_open_although_it_rolls_away(rolls_ms: int, good: bool):
    def rolls(b: Bench) -> None:
        b.speed(3.0)
        b.run(rolls_ms)

    b = play(Bench(), "opening", rolls)
    assert ("S4" not in b.broken()) == good, b.seen()


def test_s4_what_opens_as_it_moves_off_is_not_excused():
    b = play(
        Bench(), "standing", lambda b: (b.speed(3.0), b.run(300), put("o", positive=0, inverter_enable=0)(b), b.run(40))
    )
    assert "S4" in b.broken()


def test_s4_a_charge_drives_nothing_so_any_stop_of_it_opens():
    b = play(Bench(), "opening", lambda b: b.speed(2.0), charge=True)
    assert "S4" not in b.broken(), b.seen()


def test_s4_a_fallback_that_began_before_closing_goes_on_where_nothing_was_granted():
    """A drive that never got a limit has moved nothing: what was known before it closed is still known."""
    b = Bench(replace(BOUNDS, speed_fitted=False))
    b.run(30_200)
    for now in cycle(b):
        if now == "live":
            b.o.inverter_enable = 1
            b.run(1000)
            b.o.positive = 0
            b.run(40)
            break
    assert "S4" not in b.broken(), b.seen()


def dark(b: Bench) -> None:
    b.keep_lamp = True
    b.o.lamp_hv = 0


S5_BAD = [
    ("first proof", dark),
    ("driving", dark),
    ("discharging", dark),
    ("dead", lambda b: (b.press(AUX_POSITIVE), dark(b), b.monitor.tick())),
    ("dead", lambda b: (unknown(AUX_POSITIVE)(b), dark(b), b.monitor.tick())),
    ("dead", lambda b: (put("i", bus_mv=None, bus_state=STALE)(b), dark(b), b.monitor.tick())),
    ("dead", lambda b: (b.bus(58.0), dark(b), b.monitor.tick())),
    ("dead", lambda b: (put("w", bus_v=61.0)(b), dark(b), b.run(DT_MS))),
]


@pytest.mark.parametrize(("stage", "change"), S5_BAD, ids=count())
def test_s5_the_lamps_are_lit_unless_it_is_proven_dead(stage: str, change: Change):
    b = play(Bench(), stage, change)
    assert "S5" in b.broken()


@pytest.mark.parametrize(("dead_ms", "good"), [(980, False), (1000, True)])
def test_s5_one_second_without_a_break(dead_ms: int, good: bool):
    """A single reading at the dead level, and the second begins again."""
    b = play(Bench())
    b.bus(58.0)
    b.run(DT_MS)
    b.bus(57.9)
    b.run(dead_ms - DT_MS)
    assert b.broken() == set(), b.seen()
    dark(b)
    b.run(DT_MS)
    assert ("S5" not in b.broken()) == good, b.seen()


def test_s5_a_bus_that_was_dead_all_along_needs_no_second_more():
    """A shorted bus stays dead while the precharge contactor is closed: the lamps are lit for that and no longer."""
    b = Bench()
    b.press(KEY)
    b.run(1200)
    b.press(START)
    b.run(DT_MS)
    b.o.precharge = 1
    b.run(100)
    b.o.precharge = 0
    dark(b)
    b.run(DT_MS)
    assert "S5" not in b.broken(), b.seen()
    b.o.precharge = 1
    b.run(DT_MS)
    assert "S5" in b.broken()


@pytest.mark.parametrize(("lamp", "bus_v", "good"), [(0, 60.0, True), (0, 60.1, False), (1, 400.0, True)])
def test_s5_the_supply_and_with_it_the_lamps_may_go_only_when_dead(lamp: int, bus_v: float, good: bool):
    b = play(Bench())
    b.o.lamp_hv, b.w.bus_v = lamp, bus_v
    b.monitor.power_off()
    b.monitor.dark_tick()
    assert ("S5" not in b.broken()) == good, b.seen()


def test_s5_a_falsified_bus_reading_is_not_held_against_the_lamps():
    b = play(Bench())
    b.monitor.bus_sensor_lies = True
    b.w.bus_v = 100.0
    b.run(100)
    assert "S5" not in b.broken(), b.seen()


def early(b: Bench) -> None:
    b.o.discharge = 1
    b.run(DT_MS)


S6_BAD = [
    ("with a path", "first proof", put("o", discharge=1)),
    ("with a path", "driving", put("o", discharge=1)),
    ("release time", "pulse", lambda b: (put("o", negative=0)(b), b.run(DT_MS), early(b))),
    (
        "release time",
        "after the pulse",
        lambda b: (put("o", discharge=0)(b), b.run(20), put("o", negative=0)(b), early(b)),
    ),
    ("pulse is too long", "after the pulse", lambda b: b.run(80)),
    ("second proof pulse", "after the pulse", lambda b: (put("o", discharge=0)(b), b.run(40), early(b))),
    ("does not fall", "discharging", lambda b: (early(b), b.run(5_060))),
]


@pytest.mark.parametrize(("what", "stage", "change"), S6_BAD, ids=count())
def test_s6_discharge_never_with_a_path_closed(what: str, stage: str, change: Change):
    b = play(Bench(), stage, change)
    assert any(breach.promise == "S6" and what in breach.seen for breach in b.monitor.breaches), b.seen()


@pytest.mark.parametrize(
    ("stage", "change"),
    [
        ("after the pulse", lambda b: b.run(60)),
        ("discharging", lambda b: (early(b), b.run(1_000))),
    ],
    ids=count(),
)
def test_s6_is_quiet_on_the_near_miss(stage: str, change: Change):
    b = play(Bench(), stage, change)
    assert "S6" not in b.broken(), b.seen()


def test_s6_an_inverter_is_asked_only_at_standstill():
    bounds = replace(BOUNDS, discharge_kind="inverter")
    assert play(Bench(bounds)).broken() == set()
    moving = play(Bench(bounds), "discharging", lambda b: b.speed(20.0))
    assert "S6" in moving.broken()


def test_s6_a_build_that_only_bleeds_has_no_discharge_to_ask_for():
    assert "S6" in play(Bench(replace(BOUNDS, discharge_kind="bleed", discharge_budget_j=None))).broken()


def settle(b: Bench, drive: int, charge: int) -> None:
    b.limits(drive, charge)
    b.run(800)


S7_BAD = [
    ("rises faster", "live", lambda b: (b.run(3_000), put("o", drive_limit_permille=7)(b), b.run(DT_MS))),
    ("outside 0 to 1000", "driving", lambda b: (put("o", drive_limit_permille=1001)(b), b.run(DT_MS))),
    ("outside 0 to 1000", "driving", lambda b: (put("o", charge_limit_permille=-1)(b), b.run(DT_MS))),
    ("while not live", "filling", lambda b: (put("o", drive_limit_permille=5)(b), b.run(DT_MS))),
    (
        "off again",
        "driving",
        lambda b: (put("o", inverter_enable=0, hv_loads_enable=0)(b), b.run(DT_MS)),
    ),
    ("before the bus has held", "live", lambda b: b.limits(55, 0)),
    ("before the bus has held", "live", lambda b: b.limits(0, 5)),
    ("before an isolation reading", "live", lambda b: (b.run(1_000), b.limits(205, 0))),
    ("ISOLATION_WARNING", "driving", lambda b: (b.names.add("ISOLATION_WARNING"), b.run(1_000))),
    ("SPEED_LOST", "driving", lambda b: (b.names.add("SPEED_LOST"), settle(b, 505, 0))),
    ("PACK_COLD", "driving", lambda b: (b.names.add("PACK_COLD"), settle(b, 1000, 5))),
    ("PLUG_WHILE_DRIVING", "standing", lambda b: (b.names.add("PLUG_WHILE_DRIVING"), b.limits(5, 0), b.run(4_000))),
    ("hot pack", "driving", lambda b: (zone(0, 535)(b), settle(b, 700, 600), b.run(3_500))),
    ("cold pack", "driving", lambda b: (zone(0, -6)(b), b.run(3_000))),
    ("low isolation", "driving", lambda b: (put("i", isolation_ohm=419_999)(b), b.run(8_000))),
    (
        "winds it down",
        "driving",
        lambda b: (b.limits(400, 0), b.names.add("ISOLATION_FAULT"), b.run(200), b.limits(420, 0)),
    ),
    ("wind-down ramp", "driving", lambda b: (b.names.add("ISOLATION_FAULT"), b.limits(105, 0), b.run(21_000))),
    ("wind-down crawl", "driving", lambda b: (b.names.add("ISOLATION_FAULT"), b.limits(100, 0), b.run(81_000))),
    ("fast wind-down", "driving", lambda b: (b.names.add("SUPPLY_FAILING"), b.limits(100, 0), b.run(6_000))),
]


@pytest.mark.parametrize(("what", "stage", "change"), S7_BAD, ids=count())
def test_s7_each_limit_is_the_least_of_its_limiters(what: str, stage: str, change: Change):
    b = play(Bench(), stage, change)
    assert any(breach.promise == "S7" and what in breach.seen for breach in b.monitor.breaches), b.seen()


S7_GOOD = [
    ("live", lambda b: (b.run(3_000), put("o", drive_limit_permille=6)(b), b.run(DT_MS))),
    ("live", lambda b: (b.run(1_000), b.limits(200, 200))),
    ("driving", lambda b: (b.names.add("ISOLATION_WARNING"), b.run(600), b.limits(800, 1000), b.run(1_000))),
    ("driving", lambda b: (b.names.add("SPEED_LOST"), settle(b, 500, 1000), b.names.clear())),
    ("driving", lambda b: (zone(0, 535)(b), settle(b, 600, 600), b.run(3_500), zone(0, 400)(b), b.run(200))),
    ("driving", lambda b: (put("i", isolation_ohm=420_000)(b), b.run(8_000))),
    ("driving", lambda b: (put("i", isolation_ohm=419_999)(b), b.run(6_000), put("i", isolation_ohm=900_000)(b))),
    (
        "driving",
        lambda b: (b.names.add("ISOLATION_FAULT"), b.limits(100, 0), b.run(60_000), b.limits(0, 0), b.names.clear()),
    ),
]


@pytest.mark.parametrize(("stage", "change"), S7_GOOD, ids=count())
def test_s7_is_quiet_on_the_near_miss(stage: str, change: Change):
    b = Bench()
    for now in cycle(b):
        if now == stage:
            change(b)
            break
    assert b.broken() == set(), b.seen()


def test_s7_a_charge_grants_no_drive():
    assert "S7" in play(Bench(), "charging", lambda b: b.limits(5, 1000), charge=True).broken()


def test_s7_the_charger_is_enabled_only_when_live():
    assert "S7" in play(Bench(), "filling", lambda b: (put("o", charger_enable=1)(b), b.run(DT_MS))).broken()


S10_BAD = [
    ("pack voltage unread", "standing", put("i", pack_mv=None, pack_state=OPEN), 4_500),
    ("bus voltage unread", "driving", put("i", bus_mv=None, bus_state=OPEN), 6_500),
    ("isolation unread", "driving", put("i", isolation_ohm=None, isolation_state=STALE), 5_000),
    ("current unread", "driving", put("i", current_ma=None, current_state=OPEN), 1_500),
    ("speed unread", "driving", put("i", speed_mm_s=None, speed_state=STALE), 2_000),
    ("a temperature unread", "driving", zone(2, None, OPEN), 2_000),
    ("no pack temperature", "driving", both(zone(0, None, OPEN), zone(1, None, OPEN)), 87_000),
    ("contradict", "driving", put("i", bus_mv=0, bus_state=OPEN), 100),
    ("contradict", "driving", put("i", current_ma=None), 100),
]


@pytest.mark.parametrize(("what", "stage", "change", "ms"), S10_BAD, ids=count())
def test_s10_a_limit_does_not_stand_on_a_reading_that_is_not_there(what: str, stage: str, change: Change, ms: int):
    b = Bench()
    for now in cycle(b):
        if now == stage:
            change(b)
            b.run(ms)
            break
    assert any(breach.promise == "S10" and what in breach.seen for breach in b.monitor.breaches), b.seen()


@pytest.mark.parametrize(("stage", "change", "ms"), [row[1:] for row in S10_BAD[:6]], ids=count())
def test_s10_is_quiet_when_the_limit_followed(stage: str, change: Change, ms: int):
    b = Bench()
    for now in cycle(b):
        if now == stage:
            change(b)
            b.limits(0, 0)
            b.run(ms)
            break
    assert b.broken() == set(), b.seen()
    assert b.monitor.exercised["S10"] == 2  # the start, and this


def test_s10_silence_of_a_standing_wheel_is_not_an_unread_speed():
    b = play(Bench(), "standing", lambda b: (put("i", speed_state=QUIET)(b), b.run(5_000)))
    assert b.broken() == set(), b.seen()


@pytest.mark.parametrize(
    ("change", "good"),
    [
        (put("w", precharge_heat_j=400.0), True),
        (put("w", precharge_heat_j=400.1), False),
        (put("w", discharge_heat_j=300.0), True),
        (put("w", discharge_heat_j=300.1), False),
    ],
    ids=count(),
)
def test_s12_the_heat_stays_in_the_budget(change: Change, good: bool):
    for tick in ("tick", "dark_tick"):
        b = Bench()
        change(b)
        getattr(b.monitor, tick)()
        assert ("S12" not in b.broken()) == good, b.seen()


@pytest.mark.parametrize(
    ("wait_ms", "kmh", "name", "good"),
    [
        (8_000, 0.0, "", False),
        (5_000, 0.0, "", True),
        (8_000, 20.0, "", True),
        (8_000, 0.0, "DISCHARGE_SLOW", True),
        (8_000, 0.0, "DISCHARGE_RESISTOR_HOT", False),
    ],
)
def test_s12_a_discharge_at_standstill_does_not_wait(wait_ms: int, kmh: float, name: str, good: bool):
    assert ("S12" not in waits_at_standstill(wait_ms, kmh, name)) == good


def test_s12_a_discharge_by_a_reading_that_is_made_to_lie_may_wait_as_its_heat_lies_as_well():
    """And only then: the same wait with nothing falsified is a breach."""
    assert "S12" in waits_at_standstill(8_000, 0.0, "")
    assert "S12" not in waits_at_standstill(8_000, 0.0, "", lies=True)


def waits_at_standstill(wait_ms: int, kmh: float, name: str, *, lies: bool = False) -> set[str]:
    b = Bench()
    b.monitor.bus_sensor_lies = lies
    for now in cycle(b):
        if now == "discharging":
            for slower in (20.0, 3.0):  # so that the standstill begins here
                b.speed(slower)
                b.run(100)
            b.speed(kmh)
            b.names |= {name} if name else set()
            b.run(wait_ms)
            break
    return b.broken()


@pytest.mark.parametrize(("rolled_ms", "good"), [(20, True), (300, False)])
def test_s1_one_that_has_just_begun_to_roll_gives_no_pulse_yet(rolled_ms: int, good: bool):
    """The readings say standing: for a tick nobody can know better, after some tenths of a second one must."""
    b = Bench()
    for now in cycle(b):
        if now == "asked":
            b.w.speed_kmh = 6.0
            b.run(rolled_ms - DT_MS)
        if now == "first proof":
            break
    assert (not any("known to stand" in one.seen for one in b.monitor.breaches)) == good, b.seen()


def kept_waiting(change: Change, wait_ms: int) -> set[str]:
    b = Bench()
    for now in cycle(b):
        if now == "discharging":
            change(b)
            b.run(wait_ms)
            break
    return b.broken()


@pytest.mark.parametrize("change", [put("i", current_ma=None, current_state=OPEN), put("i", current_ma=20_000)])
def test_s12_readings_that_cannot_tell_standstill_have_the_fallback_time(change: Change):
    assert "S12" not in kept_waiting(change, 30_000)
    assert "S12" in kept_waiting(change, 38_000)


@pytest.mark.parametrize(
    ("last_mm_s", "wait_ms", "good"), [(3_000, 30_000, True), (3_000, 38_000, False), (900, 8_000, False)]
)
def test_s12_a_speed_that_was_gone_at_once_is_no_standstill(last_mm_s: int, wait_ms: int, good: bool):
    def gone(b: Bench) -> None:
        put("i", speed_state=OK, speed_mm_s=last_mm_s)(b)
        b.run(200)
        put("i", speed_state=QUIET, speed_mm_s=None)(b)

    assert ("S12" not in kept_waiting(gone, wait_ms)) == good


def test_s12_pulses_out_of_nothing_look_like_a_spinning_motor():
    assert "S12" not in kept_waiting(put("i", speed_state=OK, speed_mm_s=3_000, speed_pulses=1), 60_000)


def test_s12_a_bus_that_is_fed_after_it_was_proven_dead_is_another_matter():
    b = play(Bench(), "dead", lambda b: (b.bus(300.0), b.run(20_000)))
    assert "S12" not in b.broken(), b.seen()


def test_s12_what_a_welded_discharge_contact_heats_is_not_commanded():
    b = Bench()
    b.monitor.discharge_welded = True
    b.w.discharge_heat_j = 900.0
    play(b)
    assert b.broken() == set(), b.seen()


@pytest.mark.parametrize(
    ("subject", "stage", "change"),
    [
        ("stop lamp", "driving", put("o", lamp_stop=1)),
        ("caution lamp", "driving", put("o", lamp_caution=1)),
        ("drive limit", "driving", lambda b: b.limits(900, 1000)),
        ("charge limit", "driving", lambda b: b.limits(1000, 900)),
        ("phase", "opening", lambda b: None),
        ("start", "asked", lambda b: b.run(1_200)),
    ],
    ids=count(),
)
def test_s13_every_lamp_limit_refusal_and_shutdown_has_an_answer(subject: str, stage: str, change: Change):
    asked: list[str] = []

    def answers(text: str) -> Callable[[str], str]:
        def answer(about: str) -> str:
            asked.append(about)
            return text if about == subject else "1"

        return answer

    good = Bench()
    good.answers = answers("isolation 150 kohm, at least 210 kohm, since 3.2 s")
    play(good, stage, change)
    assert subject in asked
    assert "S13" not in good.broken(), good.seen()
    silent = Bench()
    silent.answers = answers(" ")
    play(silent, stage, change)
    assert "S13" in silent.broken()
    vague = Bench()
    vague.answers = answers("because isolation is low")
    play(vague, stage, change)
    assert ("S13" in vague.broken()) == (subject != "phase")


def test_s14_equal_runs_have_equal_digests_and_one_command_in_one_tick_shows():
    first, second = play(Bench()), play(Bench())
    assert first.monitor.digest == second.monitor.digest
    other = play(Bench(), "driving", lambda b: (put("o", fan_permille=1)(b), b.run(DT_MS), put("o", fan_permille=0)(b)))
    assert other.monitor.digest != first.monitor.digest
    stuck = Bench()
    for stage in cycle(stuck):
        if stage == "dead":
            stuck.monitor.tick()  # no heartbeat edge since the last one
    assert stuck.monitor.digest != first.monitor.digest


def test_a_breach_says_when_and_what_and_is_reported_once():
    b = play(Bench(), "driving", lambda b: (dark(b), b.run(1_000)))
    text = [str(breach) for breach in b.monitor.breaches]
    assert len(text) == len(set(text))
    lamps = [breach for breach in b.monitor.breaches if breach.promise == "S5"]
    assert lamps[0].t_ms == lamps[0].tick * DT_MS
    assert str(lamps[0]).startswith(f"S5 broken at {lamps[0].t_ms / 1000:.3f} s (tick {lamps[0].tick}): ")
    assert [breach.seen for breach in lamps].count(lamps[0].seen) == 1


def test_a_button_held_over_a_power_cycle_is_no_edge():
    b = Bench()
    b.press(KEY)
    b.press(START)
    b.run(2_000)
    b.o.precharge = 1
    b.run(DT_MS)
    assert "fresh start edge" in b.seen()


def test_reactions_agree_with_the_one_fault_table():
    """The monitor has its own copy, so that neither side can quietly change what the published table says."""
    rows = {row[fault_table.NAME]: row for row in fault_table.TABLE}
    published = set(rows)
    named = reactions.START_ALLOWED | reactions.WINDS_DOWN | reactions.WINDS_DOWN_FAST | reactions.CONTACTOR_FAILED
    named |= reactions.DISCHARGE_GIVEN_UP | set(reactions.DRIVE_CAP) | set(reactions.CHARGE_CAP)
    assert named <= published
    for name in reactions.WINDS_DOWN:
        assert rows[name][fault_table.MOVING] == fault_table.WIND, name
        assert rows[name][fault_table.STANDING] == fault_table.WIND, name
    for name in reactions.WINDS_DOWN_FAST:
        assert rows[name][fault_table.MOVING] == fault_table.FAST, name
    for name, cap in reactions.DRIVE_CAP.items():
        assert rows[name][fault_table.DRIVE] == cap, name
    for name, cap in reactions.CHARGE_CAP.items():
        assert rows[name][fault_table.CHARGE] == cap, name
    waits = {"PRECHARGE_RESISTOR_HOT", "DISCHARGE_RESISTOR_HOT", "BUS_FALLING"}
    sensors = {"PACK_SENSOR_OPEN", "PACK_SENSOR_SHORT"}
    refusing = {name for name, row in rows.items() if row[fault_table.OFF] == fault_table.REFUSE}
    assert refusing - sensors == published - reactions.START_ALLOWED - waits


def bare() -> Bench:
    """Service switch in TEST, nothing connected on either side, dead for long."""
    b = Bench()
    b.press(SERVICE)
    b.i.pack_mv, b.w.pack_v = 0, 0.0
    b.run(11_000)
    return b


def tried(coil: str, ms: int, change: Change = lambda b: None, change_at_ms: int = 0) -> Bench:
    """A coil test of so long, with a change before a tick of it."""
    b = bare()
    if not change_at_ms:
        change(b)
    setattr(b.o, coil, 1)
    for t_ms in range(0, ms, DT_MS):
        if change_at_ms and t_ms == change_at_ms:
            change(b)
        b.run(DT_MS)
    setattr(b.o, coil, 0)
    b.run(1_000)
    return b


COILS = ("positive", "negative", "precharge", "discharge")


@pytest.mark.parametrize("coil", COILS)
def test_s15_one_coil_for_two_seconds_is_the_exception_and_no_longer(coil: str):
    good = tried(coil, 2_000)
    assert good.monitor.breaches == [], good.seen()
    assert good.monitor.exercised["S15"] == 1
    assert "a coil test is longer than 2 s" in tried(coil, 2_000 + DT_MS).seen()


# What makes it no coil test, from its beginning or in the middle of it.
NO_TEST: list[Change] = [
    bits(SERVICE, False),
    unknown(SERVICE),
    bits(STOP, True),
    unknown(STOP),
    put("i", latch=STOP),
    put("w", estop=True),
    bits(CRASH, True),
    put("w", crash=True),
    bits(LOOP0, False),
    lambda b: b.bus(58.0),
    put("i", bus_mv=None, bus_state=OPEN),
    put("w", bus_v=61.0),
    put("i", pack_mv=58_000),
    put("i", pack_mv=None, pack_state=OPEN),
    put("w", pack_v=61.0),
    put("o", negative=1),
    put("o", inverter_enable=1),
    put("o", charger_enable=1),
    put("o", hv_loads_enable=1),
    put("o", drive_limit_permille=1),
    put("o", charge_limit_permille=1),
]


@pytest.mark.parametrize("at_ms", [0, 400])
@pytest.mark.parametrize("change", NO_TEST, ids=count())
def test_s15_anything_else_is_no_exception(change: Change, at_ms: int):
    assert {"S1", "S15"} & tried("precharge", 1_000, change, at_ms).broken()
    assert "S15" in tried("precharge", 1_000, change, 400).broken()


def test_s15_both_sides_of_the_dead_level():
    assert tried("positive", 1_000, lambda b: b.bus(57.9)).broken() == set()
    assert tried("positive", 1_000, put("i", pack_mv=57_999)).broken() == set()


def test_s15_the_bus_has_to_be_proven_dead_for_ten_seconds():
    b = bare()
    b.bus(60.0)
    b.run(DT_MS)
    b.bus(0.0)
    b.run(9_000)
    b.o.discharge = b.o.negative = 1
    b.run(DT_MS)
    assert "S1" in b.broken()


def test_s15_one_coil_after_the_other_needs_its_release_time():
    b = bare()
    b.o.positive = 1
    b.run(400)
    b.o.positive, b.o.negative = 0, 1
    b.run(400)
    assert "one coil after the other without a pause" in b.seen()
    for pause_ms, good in ((DT_MS, False), (BOUNDS.release_ms, True)):
        b = tried("positive", 400)
        b.o.negative = 1
        b.run(400)
        b.o.negative = 0
        b.run(pause_ms)
        b.o.positive = 1
        b.run(400)
        assert ("S15" not in b.broken()) == good, b.seen()


def test_s15_lamps_are_lit_in_a_coil_test_as_well():
    assert "S5" in tried("positive", 400, dark).broken()


def test_s15_spends_the_proof_of_the_positive_pole():
    b = tried("positive", 400)
    b.press(SERVICE, False)
    b.i.pack_mv, b.w.pack_v = int(1000 * PACK_V), PACK_V
    b = replay(b)
    assert "positive pole is not proven" in b.seen()


def replay(b: Bench) -> Bench:
    """A start after it, without the contact that proves the pole open."""
    b.monitor.bounds = replace(b.monitor.bounds, feedback="none")
    for _ in cycle(b):
        pass
    return b


def test_s1_no_start_with_the_service_input_high_or_unread():
    for change in (bits(SERVICE, True), unknown(SERVICE)):
        assert "service input is high or unread" in play(Bench(), "asked", change).seen()
