"""Sensors and conversion together: a healthy one tells the truth within its error, a faulty one is found out or lies.

The readings come through `loopwarden.convert`, as on the board; what is compared is truth, reading and state.
"""

from typing import Any

import pytest

from loopwarden import signals
from loopwarden.convert.raw import Raw
from loopwarden.signals import LOOP0, LOOPS
from loopwarden_sim.sensor_isolation import IsolationOutput

from .plant_bench import Bench, build

OK, OPEN, SHORT, STALE = signals.OK, signals.OPEN, signals.SHORT, signals.STALE
LEVEL, RESISTOR, TOGGLED = (loop.name for loop in build().loop)


def reading(bench: Bench, channel: str) -> tuple[Any, int]:
    inputs = bench.inputs
    name, state = {
        "pack_voltage": ("pack_mv", "pack_state"),
        "bus_voltage": ("bus_mv", "bus_state"),
        "supply_sense": ("supply_mv", "supply_state"),
        "current": ("current_ma", "current_state"),
        "reference": ("reference_mv", "reference_state"),
    }[channel]
    return getattr(inputs, name), getattr(inputs, state)


def live() -> Bench:
    bench = Bench()
    bench.go_live()
    bench.world.set("throttle", 0.5)
    bench.run(2_000)
    return bench


def test_healthy_readings_are_within_the_stated_errors() -> None:
    """The build states 3 V and 3 A; noise and resolution of a healthy channel stay well inside."""
    bench = live()
    world, inputs = bench.world, bench.inputs
    for _ in range(500):
        bench.run(20)
        assert inputs.bus_mv == pytest.approx(world.read("world_bus_v") * 1000, abs=3000)
        assert inputs.pack_mv == pytest.approx(world.read("world_pack_v") * 1000, abs=3000)
        assert inputs.current_ma == pytest.approx(world.read("world_pack_a") * 1000, abs=3000)
        assert inputs.supply_mv == pytest.approx(13_800, abs=100)
        assert inputs.reference_mv == pytest.approx(1500, abs=10)
        assert inputs.zone_dc[0] == pytest.approx(world.plant.heat.pack[0] * 10, abs=5)
        assert inputs.speed_mm_s == pytest.approx(world.read("world_speed_kmh") / 3.6 * 1000, rel=0.05)
    assert world.read("world_pack_a") > 20.0, "nothing flowed"


def test_noise_is_there_and_small() -> None:
    """A converter of 12 bits moves by a count or two (common practice): a reading that never moves is a stuck one."""
    bench = Bench()
    bench.world.set("key", 1)
    seen = set()
    for _ in range(500):
        bench.run(20)
        seen.add(bench.inputs.pack_mv)
    counts_mv = 500_000 / 3500
    assert 3 <= len(seen) <= 9
    assert max(seen) - min(seen) <= 8 * counts_mv


@pytest.mark.parametrize("channel", ["pack_voltage", "bus_voltage", "current", "supply_sense", "reference"])
@pytest.mark.parametrize(("fault", "state"), [("open", OPEN), ("short", SHORT), ("stale", STALE)])
def test_a_dead_channel_gives_no_number_and_heals(channel: str, fault: str, state: int) -> None:
    bench = live()
    bench.world.strike(f"{channel}_{fault}")
    bench.run(80)  # supply and reference have every fourth tick
    assert reading(bench, channel) == (None, state)
    bench.world.heal(f"{channel}_{fault}")
    bench.run(80)
    assert reading(bench, channel)[1] == OK


@pytest.mark.parametrize(
    ("channel", "amount"), [("pack_voltage", 20.0), ("bus_voltage", -30.0), ("current", 50.0), ("supply_sense", -3.0)]
)
def test_an_offset_shifts_the_reading_by_so_much(channel: str, amount: float) -> None:
    bench = live()
    before = reading(bench, channel)[0]
    bench.world.strike(f"{channel}_offset", amount=amount)
    bench.run(40 if channel != "supply_sense" else 80)
    assert reading(bench, channel)[0] - before == pytest.approx(amount * 1000, abs=2500)


def test_a_stuck_channel_stands_still_to_the_count() -> None:
    bench = live()
    bench.world.strike("bus_voltage_stuck")
    bench.run(20)
    held = bench.inputs.bus_mv
    bench.outputs.off()
    bench.outputs.discharge = 1
    bench.run(2_000)
    assert bench.inputs.bus_mv == held
    assert bench.world.read("world_bus_v") < held / 1000 - 10


def test_a_noisy_channel_scatters_by_its_deviation() -> None:
    bench = live()
    bench.world.strike("pack_voltage_noisy", amount=20.0)
    values = []
    for _ in range(1000):
        bench.run(20)
        values.append(bench.inputs.pack_mv / 1000 - bench.world.read("world_pack_v"))
    assert sum(v * v for v in values) / len(values) == pytest.approx(400.0, rel=0.15)


def test_a_late_channel_shows_what_was() -> None:
    bench = Bench()
    bench.world.set("bus_v", 300.0)
    bench.world.strike("bus_voltage_late", ticks=25)
    bench.run(600)
    bench.world.set("bus_v", 100.0)
    bench.run(440)
    assert bench.inputs.bus_mv > 250_000
    bench.run(100)
    assert bench.inputs.bus_mv < 110_000


@pytest.mark.parametrize(("fault", "state"), [("open", OPEN), ("short", SHORT), ("stale", STALE)])
def test_a_dead_thermometer_is_found_out_and_the_others_are_not(fault: str, state: int) -> None:
    bench = Bench()
    bench.run(400)
    name = bench.world.sensors.zone_names[1]
    bench.world.strike(f"zone_{fault}", name)
    bench.run(400)
    assert (bench.inputs.zone_dc[1], bench.inputs.zone_state[1]) == (None, state)
    assert bench.inputs.zone_state[0] == OK
    bench.world.heal(f"zone_{fault}", name)
    bench.run(400)
    assert bench.inputs.zone_state[1] == OK


def test_a_thermometers_offset_is_in_kelvin() -> None:
    bench = Bench()
    bench.world.strike("zone_offset", bench.world.sensors.zone_names[0], amount=15.0)
    bench.run(400)
    assert bench.inputs.zone_dc[0] == pytest.approx(350, abs=4)


def loop_state(bench: Bench, name: str) -> str:
    bit = bench.world.sensors.loops.names.index(name)
    inputs = bench.inputs
    assert inputs.known & LOOP0 << bit
    closed = bool(inputs.bits & LOOP0 << bit)
    return (
        "closed"
        if closed
        else "low"
        if inputs.loop_low >> bit & 1
        else "high"
        if inputs.loop_high >> bit & 1
        else "open"
    )


@pytest.mark.parametrize(
    ("name", "fault", "state"),
    [
        (LEVEL, "open", "open"),
        (LEVEL, "to_ground", "open"),  # a level cannot tell
        (LEVEL, "to_supply", "closed"),  # nor see this one at all
        (RESISTOR, "open", "open"),
        (RESISTOR, "to_ground", "low"),
        (RESISTOR, "to_supply", "high"),
        (TOGGLED, "open", "open"),
        (TOGGLED, "to_ground", "low"),
        (TOGGLED, "to_supply", "high"),
    ],
)
def test_what_the_board_makes_of_a_loops_fault(name: str, fault: str, state: str) -> None:
    bench = Bench()
    bench.run(100)
    assert [loop_state(bench, loop) for loop in (LEVEL, RESISTOR, TOGGLED)] == ["closed"] * 3
    bench.world.strike(f"loop_{fault}", name)
    bench.run(100)
    assert loop_state(bench, name) == state
    bench.world.heal(f"loop_{fault}", name)
    bench.run(100)
    assert loop_state(bench, name) == "closed"


@pytest.mark.parametrize(("open_ms", "seen"), [(0.5, False), (1.0, True), (5.0, True)])
def test_an_opening_shorter_than_a_tick_is_latched_if_it_passes_the_filter(open_ms: float, seen: bool) -> None:
    """S3: the hardware filter's shortest pulse is 1 ms; a level loop that was closed again by then is still latched."""
    bench = Bench()
    bench.run(100)
    bench.world.strike("loop_flicker", LEVEL, open_ms=open_ms, every_ms=1000.0)
    latched, levels, truths = 0, set(), 0
    for _ in range(200):
        bench.run(20)
        latched += bool(bench.inputs.latch & LOOPS)
        truths += int(bench.world.read("world_hard_loop_open"))
        levels.add(loop_state(bench, LEVEL))
    assert latched == (4 if seen else 0)
    assert truths == latched
    assert levels == {"closed"}


@pytest.mark.parametrize(("pulse_ms", "ticks"), [(0.5, 0), (1, 1), (20, 1), (50, 3)])
def test_a_stop_pulse_is_latched_for_each_tick_that_it_touches(pulse_ms: float, ticks: int) -> None:
    bench = Bench()
    bench.run(100)
    bench.world.set("stop_pulse_ms", pulse_ms)
    seen = 0
    for _ in range(20):
        bench.run(20)
        seen += bool(bench.inputs.latch & signals.STOP)
        assert bench.world.read("world_estop") == bool(bench.inputs.latch & signals.STOP)
    assert seen == ticks


def test_a_cut_stop_wire_is_a_stop() -> None:
    bench = Bench()
    bench.world.strike("stop_wire_open")
    bench.run(20)
    assert bench.inputs.bits & signals.STOP
    assert bench.inputs.latch & signals.STOP
    assert bench.world.read("world_estop") == 1


@pytest.mark.parametrize(("pulse_ms", "crash"), [(19, False), (20, True), (35, True)])
def test_a_crash_pulse_counts_from_the_builds_length_on(pulse_ms: float, crash: bool) -> None:
    assert build().inputs.crash == 0.020
    bench = Bench()
    bench.run(100)
    bench.world.set("crash_pulse_ms", pulse_ms)
    seen = truth = 0
    for _ in range(10):
        bench.run(20)
        seen += bool(bench.inputs.latch & signals.CRASH)
        truth += int(bench.world.read("world_crash"))
    assert (seen > 0) == crash
    assert truth == seen


def test_two_short_crash_pulses_do_not_add_up() -> None:
    bench = Bench()
    for _ in range(3):
        bench.world.set("crash_pulse_ms", 15)
        bench.run(100)
        assert not bench.inputs.latch & signals.CRASH


@pytest.mark.parametrize(("kmh", "error"), [(1.0, 0.05), (5.0, 0.02), (30.0, 0.02), (120.0, 0.02)])
def test_speed_from_pulses(kmh: float, error: float) -> None:
    bench = Bench()
    for _ in range(200):
        bench.world.set("speed_kmh", kmh)
        bench.run(20)
    assert bench.inputs.speed_mm_s == pytest.approx(kmh / 3.6 * 1000, rel=error)


def test_no_pulse_is_lost_over_a_distance() -> None:
    bench = Bench()
    bench.world.set("speed_kmh", 40.0)
    pulses = 0
    for _ in range(2000):
        bench.run(20)
        pulses += bench.inputs.speed_pulses
    assert build().motion is not None
    assert pulses * build().motion.per_pulse == pytest.approx(bench.world.read("world_distance_m"), abs=0.5)


@pytest.mark.parametrize(
    ("fault", "state"), [("wire_open", signals.QUIET), ("lost", signals.STALE), ("noisy", signals.RANGE)]
)
def test_a_broken_speed_sensor_is_no_speed(fault: str, state: int) -> None:
    bench = live()
    bench.world.strike(f"speed_{fault}")
    bench.run(1_000)
    seen = set()
    for _ in range(50):
        bench.run(20)
        seen.add(bench.inputs.speed_state)
    assert state in seen
    assert (bench.inputs.speed_pulses is None) == (fault == "lost")


def test_isolation_follows_a_leak_after_its_settling_time() -> None:
    """A duty monitor: within 3 % of the truth after 10 s and the Y capacitors, by the points of its table."""
    bench = Bench()
    bench.go_live()
    for ohm in (150e3, 300e3, 1e6):
        bench.world.set("leak_positive_ohm", ohm)
        bench.run(15_000)
        truth = bench.world.read("world_isolation_parallel_ohm")
        assert bench.inputs.isolation_ohm == pytest.approx(truth, rel=0.03)
        assert bench.inputs.isolation_age_ms < 200


@pytest.mark.outside(
    subject="isolation monitor",
    source="algebra",
    value="the inverse of that form, d = b + a/(R + c): 0 ohm is 0.90, 333.3 k 0.70, 1 M 0.50, 3 M 0.30",
)
@pytest.mark.parametrize("ohm", [0.0, 1e6 / 3, 1e6, 3e6])
def test_the_simulated_monitor_sends_the_duty_that_its_sheet_has_for_a_resistance(ohm: float) -> None:
    table = [(0.30, 3e6), (0.50, 1e6), (0.70, 1e6 / 3), (0.90, 0.0)]
    monitor = build().isolation.model_copy(update={"table": table})
    output, raw = IsolationOutput(build().model_copy(update={"isolation": monitor})), Raw()
    while not raw.isolation_fresh:
        output.sample(raw, ohm, 0.02, 0.0)
    duty = raw.isolation_high_us / (raw.isolation_high_us + raw.isolation_low_us)
    assert duty == pytest.approx(0.10 + 800e3 / (ohm + 1000e3), abs=1e-4)


@pytest.mark.parametrize(
    ("fault", "state"), [("silent", STALE), ("device", signals.DEVICE), ("implausible", signals.RANGE)]
)
def test_a_broken_isolation_monitor_is_found_out(fault: str, state: int) -> None:
    bench = Bench()
    bench.run(1_000)
    assert bench.inputs.isolation_state == OK
    bench.world.strike(f"isolation_{fault}")
    bench.run(1_000)
    assert (bench.inputs.isolation_ohm, bench.inputs.isolation_state) == (None, state)
    bench.world.heal(f"isolation_{fault}")
    bench.run(1_000)
    assert bench.inputs.isolation_state == OK


def test_a_stuck_monitor_shows_the_old_value_through_a_leak() -> None:
    bench = Bench()
    bench.run(1_000)
    bench.world.strike("isolation_stuck")
    bench.world.set("leak_negative_ohm", 50e3)
    bench.run(20_000)
    assert bench.inputs.isolation_ohm > 1e6


def test_a_line_monitor_goes_bad_below_its_response_value_and_when_it_is_dead() -> None:
    bench = Bench("bench_cart")
    fault_ohm = build("bench_cart").isolation.fault * build("bench_cart").pack.highest
    bench.run(1_000)
    good = bench.inputs.isolation_ohm
    bench.world.set("leak_positive_ohm", 0.5 * fault_ohm)
    bench.run(20_000)
    assert bench.inputs.isolation_ohm < fault_ohm <= good
    bench.world.set("leak_positive_ohm", float("inf"))
    bench.run(20_000)
    assert bench.inputs.isolation_ohm == good
    bench.world.strike("isolation_silent")
    bench.run(100)
    assert bench.inputs.isolation_ohm < fault_ohm
