"""Whole runs: the order of a tick, power and reset, the trace, and a supervisor that does wrong."""

import csv
import re
from typing import Any

import pytest

from loopwarden import signals
from loopwarden.policy import fault_table
from loopwarden_build.load import read_build
from loopwarden_sim import runner
from loopwarden_sim.promise_bounds import bounds_of
from loopwarden_sim.runner import BOOT_MS, run
from loopwarden_sim.scenario import load_scenario
from loopwarden_sim.trace import code_text

from .scenario_files import CART, TRUCK, parked, write

# A start, a few seconds live, a stop at standstill.
START = """
[[at]]
t = "0.2 s"
set = { key = true }
[[at]]
t = "4 s"
press = "start"
"""
LIVE = f"""\
title = "live"
build = "{TRUCK}"
run = "8 s"
{START}
[[expect]]
at = "8 s"
phase = "live"
"""
# The columns that a checker with nothing but the file can count on.
PROMISED_COLUMNS = set(
    re.split(
        r"\s+",
        """t_ms phase codes world_bus_v world_pack_v world_pack_a world_speed_kmh world_isolation_parallel_ohm
world_isolation_worse_pole_ohm world_pack_hottest_degc world_positive_closed world_negative_closed
world_precharge_closed world_discharge_closed world_precharge_heat_j world_discharge_heat_j world_estop
world_crash world_hard_loop_open in_bus_v in_pack_v in_speed_kmh out_positive out_negative out_precharge
out_discharge out_inverter_enable out_charger_enable out_drive_limit_permille out_charge_limit_permille
out_lamp_ready out_lamp_caution out_lamp_stop out_lamp_hv""",
    )
)


def rows(path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


class Puppet:
    """Stands in for the supervisor: does what a test says, tick by tick."""

    phase = 0

    def __init__(self, build: Any, memory: Any) -> None:
        self.faults = self
        self.active = bytearray(10)
        self.actives = self.marked = 0
        self.ticks = 0

    def step(self, inputs: Any, outputs: Any, dt_ms: int) -> None:
        self.ticks += 1
        outputs.heartbeat ^= 1
        self.act(inputs, outputs)

    def act(self, inputs: Any, outputs: Any) -> None:
        """Nothing, unless a test has more to say."""

    def frame(self, row: int) -> dict[str, Any]:
        return {}


@pytest.fixture
def puppet(monkeypatch):
    """Put a supervisor of the test's own in place of the real one."""

    def install(act):
        kind = type("Acting", (Puppet,), {"act": act})
        monkeypatch.setattr(runner, "Supervisor", kind)
        monkeypatch.setattr(runner, "why", lambda supervisor, subject: f"{subject}: 1 V of 2 V")

    return install


def test_a_start_goes_live_and_the_same_run_twice_is_the_same(tmp_path):
    outcome = run(load_scenario(write(tmp_path, LIVE)), twice=True)
    assert outcome.passed, (outcome.expectations, outcome.breaches, outcome.failure)
    assert outcome.ticks == 400
    for promise in ("S1", "S2", "S10", "S12", "S14"):
        assert outcome.exercised[promise] >= 1, promise
    texts = [event.text for event in outcome.events]
    assert texts[0] == "set key = 1"
    assert any(text.startswith("precharging: ") for text in texts)
    assert any(text.startswith("live: ") for text in texts)


def test_the_trace_has_a_row_per_tick_and_the_promised_columns(tmp_path):
    event = '[[at]]\nt = "6 s"\nset = { stop = true }'
    scenario = load_scenario(write(tmp_path, LIVE.replace("[[expect]]", f"{event}\n[[expect]]")))
    run(scenario, trace=tmp_path / "t.csv")
    found = rows(tmp_path / "t.csv")
    assert len(found) == scenario.ticks
    assert set(found[0]) >= PROMISED_COLUMNS
    assert [int(row["t_ms"]) for row in found] == [20 * (n + 1) for n in range(scenario.ticks)]
    live = found[294]  # 5.9 s
    assert live["phase"] == "live"
    assert live["out_positive"] == live["out_negative"] == live["world_positive_closed"] == "1"
    assert float(live["world_bus_v"]) == pytest.approx(float(live["in_bus_v"]), abs=3.0)  # the channel's stated error
    assert live["in_speed_kmh"] == ""  # it stands: no pulses, so no reading
    stopped = found[300]  # the tick after 6 s sees the button
    assert [row["world_estop"] for row in found[298:302]] == ["0", "0", "1", "1"]
    assert stopped["out_positive"] == "0"
    assert code_text(61) in found[301]["codes"].split()
    assert "EMERGENCY_STOP" in found[301]["faults"].split()


def test_every_fault_code_is_written_as_people_write_it():
    """P0AA6-00: letter and digits of SAE J2012, failure type of ISO 15031-6; the texts are those of the fault notes."""
    rows = {row[fault_table.NAME]: row[fault_table.ID] for row in fault_table.TABLE}
    assert code_text(rows["ISOLATION_FAULT"]) == "P0AA6-00"
    assert code_text(rows["ISOLATION_LOST"]) == "P0AA7-31"
    assert code_text(rows["LOOP_OPEN"]) == "P0A0A-13"
    assert code_text(rows["DISCHARGE_SLOW"]) == "P0C76-00"
    assert code_text(rows["RECORD_DAMAGED"]) == "P062F-41"
    assert code_text(rows["PACK_WARM"]) == ""


def test_an_expectation_that_does_not_hold_fails_the_run_and_no_other(tmp_path):
    text = parked('[[expect]]\nat = "1 s"\nphase = "live"\n[[expect]]\nat = "1 s"\nphase = "unpowered"')
    outcome = run(load_scenario(write(tmp_path, text)))
    assert [result.passed for result in outcome.expectations] == [False, True]
    assert not outcome.passed
    assert "phase is unpowered" in outcome.expectations[0].seen


def test_a_broken_promise_fails_a_run_whose_expectations_hold(tmp_path, puppet):
    def act(self, inputs, outputs):
        outputs.positive = outputs.negative = 1

    puppet(act)
    text = LIVE.replace('phase = "live"', 'phase = "off"')
    outcome = run(load_scenario(write(tmp_path, text)))
    assert all(result.passed for result in outcome.expectations)
    assert {"S1", "S2"} <= {breach.promise for breach in outcome.breaches}
    assert not outcome.passed


def test_a_supervisor_that_raises_ends_the_run_with_its_place(tmp_path, puppet):
    def act(self, inputs, outputs):
        if self.ticks == 10:
            raise ZeroDivisionError("no volts")

    puppet(act)
    outcome = run(load_scenario(write(tmp_path, LIVE)))
    assert not outcome.passed
    at_ms = 200 + BOOT_MS + 10 * 20
    assert f"stopped at {at_ms / 1000:.3f} s by ZeroDivisionError: no volts" in outcome.failure
    assert "test_scenario_run.py" in outcome.failure
    assert not outcome.expectations[0].passed


def test_s14_commands_that_differ_in_a_second_run_are_a_breach(tmp_path, puppet):
    runs = []

    def act(self, inputs, outputs):
        if self.ticks == 1:
            runs.append(1)
        outputs.fan_permille = len(runs)

    puppet(act)
    text = LIVE.replace('phase = "live"', 'phase = "off"')
    scenario = load_scenario(write(tmp_path, text))
    assert [breach.promise for breach in run(scenario, twice=True).breaches] == ["S14"]
    assert run(scenario).breaches == []


def test_the_order_of_a_tick_world_inputs_supervisor(tmp_path, puppet):
    """The supervisor sees in the same tick what the world did, and the world obeys in the next."""
    seen = []

    def act(self, inputs, outputs):
        seen.append((bool(inputs.bits & signals.KEY), inputs.pack_mv is not None))
        outputs.negative = 1

    puppet(act)
    text = LIVE.replace('phase = "live"', 'phase = "off"')
    run(load_scenario(write(tmp_path, text)), trace=tmp_path / "t.csv")
    assert seen[0] == (True, True)
    found = rows(tmp_path / "t.csv")
    first = next(n for n, row in enumerate(found) if row["out_negative"] == "1")
    closed = next(n for n, row in enumerate(found) if row["world_negative_closed"] == "1")
    assert closed > first


def test_the_key_powers_the_board_and_an_orderly_end_cuts_it(tmp_path, puppet):
    """The truck's hold relay feeds the board: key or hold. It boots for a while, and then lives on what memory kept."""
    lives = []

    def act(self, inputs, outputs):
        if self.ticks == 1:
            lives.append(self)
        outputs.hold = int(self.ticks < 100)

    puppet(act)
    text = parked(
        '[[expect]]\nat = "2 s"\nphase = "unpowered"',
        '[[at]]\nt = "0.2 s"\nset = { key = true }\n[[at]]\nt = "1 s"\nset = { key = false }',
    ).replace('run = "2 s"', 'run = "4 s"')
    run(load_scenario(write(tmp_path, text)), trace=tmp_path / "t.csv")
    phases = [row["phase"] for row in rows(tmp_path / "t.csv")]
    on = 10 + BOOT_MS // 20
    assert phases[:on] == ["unpowered"] * on
    assert phases[on : on + 100] == ["off"] * 100  # the key is off since tick 50: the hold relay feeds it
    assert phases[on + 100 :] == ["unpowered"] * (200 - on - 100)
    assert len(lives) == 1


@pytest.mark.parametrize(("board", "off_ms"), [("off", 1000 + BOOT_MS), ("reset", BOOT_MS)])
def test_power_loss_and_reset_make_a_new_supervisor_on_the_old_memory(tmp_path, puppet, board, off_ms):
    lives = []

    def act(self, inputs, outputs):
        if self.ticks == 1:
            lives.append(self)
        outputs.positive = 1
        outputs.lamp_hv = 1

    puppet(act)
    text = LIVE.replace('phase = "live"', 'phase = "off"').replace(
        "[[expect]]",
        f'[[at]]\nt = "2 s"\nboard = "{board}"\n[[at]]\nt = "3 s"\nboard = "on"\n[[expect]]'
        if board == "off"
        else f'[[at]]\nt = "2 s"\nboard = "{board}"\n[[expect]]',
    )
    run(load_scenario(write(tmp_path, text)), trace=tmp_path / "t.csv")
    found = rows(tmp_path / "t.csv")
    dark = [row for row in found if row["phase"] == "unpowered" and int(row["t_ms"]) > 2000]
    assert len(dark) == off_ms // 20
    assert all(row["out_positive"] == "0" and row["out_lamp_hv"] == "1" for row in dark)
    assert len(lives) == 2


def test_a_locked_memory_stays_locked_over_a_power_cycle(tmp_path):
    events = '[[at]]\nt = "6 s"\nset = { crash_pulse_ms = 100 }\n'
    events += '[[at]]\nt = "7 s"\nboard = "off"\n[[at]]\nt = "7.2 s"\nboard = "on"\n'
    expect = '[[expect]]\nat = "8 s"\nactive = "CRASH"\nstored = "CRASH"'
    outcome = run(load_scenario(write(tmp_path, f"{LIVE.partition('[[expect]]')[0]}{events}{expect}")))
    assert outcome.expectations[0].passed, outcome.expectations
    assert "CRASH" in [code.name for code in outcome.codes]


def test_a_new_memory_is_cleared_at_the_vehicle(tmp_path):
    """The link asks, the held button decides, and the bus has been proven dead for 10 s."""
    text = f"""\
title = "first start of a new board"
build = "{TRUCK}"
run = "20 s"
memory = "new"
[[at]]
t = "0.2 s"
set = {{ key = true }}
[[at]]
t = "13 s"
clear = "MEMORY_NEW"
press = "ack"
for = "1 s"
[[expect]]
at = "12 s"
active = "MEMORY_NEW"
[[expect]]
at = "15 s"
absent = "MEMORY_NEW"
"""
    outcome = run(load_scenario(write(tmp_path, text)))
    assert outcome.passed, [str(result) for result in outcome.expectations]


def test_the_seed_can_be_given_and_progress_is_told(tmp_path):
    told = []
    scenario = load_scenario(write(tmp_path, LIVE.replace('run = "8 s"', 'run = "30 s"')))
    outcome = run(scenario, seed=99, progress=lambda done, total: told.append((done, total)), twice=True)
    assert outcome.seed == 99
    assert told == [(500, 1500), (1000, 1500), (1500, 1500)] * 2


def test_bounds_of_a_build_against_published_figures():
    """R*C figures as in the check values: 47 ohm and 1 mF reach 95 % in 140.8 ms (a resistor maker's calculator), and
    1 mF at 800 V takes 320 J (the same). Dead level: min(60 V, 20 % of the lowest pack voltage) less the error."""
    truck = read_build(TRUCK)
    exact = truck.model_copy(
        update={
            "precharge": truck.precharge.model_copy(update={"resistance": 47.0, "tolerance": 0.0}),
            "bus": truck.bus.model_copy(update={"capacitance": 1e-3, "capacitance_tolerance": 0.0}),
            "pack": truck.pack.model_copy(update={"highest": 800.0}),
        }
    )
    bounds = bounds_of(exact)
    assert bounds.fraction_min_ms == pytest.approx(0.5 * 140.8, abs=1)
    assert bounds.fraction_max_ms == pytest.approx(1.5 * 140.8, abs=1)
    assert bounds.discharge_heat_j == pytest.approx(320.0)
    assert bounds.start_heat_j == pytest.approx(640.0)
    assert bounds.half_rc_ms == 40  # 23.5 ms in whole ticks of 20 ms, at least two
    assert bounds.settle_max_ms == pytest.approx(7.5 * 47, abs=1)
    assert bounds.dead_mv == 57_000  # 60 V less 3 V
    cart = bounds_of(read_build(CART))
    assert cart.dead_mv < 20_000  # 20 % of 84 V is 16.8 V
    assert not cart.speed_fitted
    assert not cart.current_fitted
    assert cart.feedback == "none"
