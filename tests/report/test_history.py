"""A drive as columns: what was read, against the plant's own facts and the formulas of the standards."""

import numpy as np
import pytest

from loopwarden import signals
from loopwarden_build.load import read_build
from loopwarden_report.csv_file import columns
from loopwarden_report.history import NOT_KNOWN, UNPOWERED, Cycle, code_of, limiter_name, runs
from loopwarden_report.page import drive_page
from loopwarden_report.recorder import Recorder
from loopwarden_sim.runner import run
from loopwarden_sim.scenario import load_scenario
from report.conftest import SCENARIOS, driven

TRUCK = SCENARIOS.parent / "builds" / "orchard_truck.toml"


def ticks(*readings: dict[str, object]):
    """The history of an unpowered truck with these readings in its inputs, a tick each."""
    recorder = Recorder(read_build(TRUCK), "made by hand", "recording")
    for number, reading in enumerate(readings, 1):
        inputs = signals.Inputs()
        for name, value in reading.items():
            setattr(inputs, name, value)
        recorder.tick(20 * number, inputs, signals.Outputs(), None)
    return recorder.history()


def test_the_voltages_are_the_plants_within_the_channels_error(start_drive_stop):
    history, truth = start_drive_stop.history, start_drive_stop.truth
    for column, name in (("bus_mv", "world_bus_v"), ("pack_mv", "world_pack_v")):
        seen = history.volts(column)
        known = np.isfinite(seen)
        assert known.sum() > 3000
        error_v = history.build.voltage_sense.bus.error
        assert np.abs(seen - np.array(truth[name]))[known].max() <= error_v


def test_speed_and_temperature_follow_the_plant(start_drive_stop):
    history, truth = start_drive_stop.history, start_drive_stop.truth
    speed = history.reading("speed_mm_s") * 0.0036
    assert np.nanmax(speed) == pytest.approx(max(truth["world_speed_kmh"]), rel=0.05)
    zone = next(n for n, zone in enumerate(history.build.zone) if zone.where == "inverter")
    assert np.nanmax(history.zone_c(zone)) == pytest.approx(max(truth["world_inverter_degc"]), abs=1.0)


@pytest.mark.outside(
    subject="isolation limits",
    source="UN R100 Rev 3, 5.1.3.2, seen in a public copy",
    value="ohm per volt of working voltage: 210 kohm at 420 V are 500 ohm/V, 42 kohm are 100 ohm/V",
)
def test_ohm_per_volt_divides_by_the_working_voltage():
    history = ticks(
        {"isolation_ohm": 210_000, "isolation_state": signals.OK},
        {"isolation_ohm": 42_000, "isolation_state": signals.OK},
    )
    assert history.build.pack.highest == 420
    assert history.ohm_per_v.tolist() == [500, 100]


@pytest.mark.parametrize("state", [signals.OPEN, signals.SHORT, signals.STALE, signals.RANGE, signals.DEVICE])
def test_a_reading_that_is_not_valid_is_missing_whatever_number_lies_there(state):
    history = ticks(
        {"bus_mv": 0, "bus_state": state}, {"bus_mv": 0, "bus_state": signals.OK}, {"bus_state": signals.OK}
    )
    missing, zero, none = history.volts("bus_mv")
    assert np.isnan(missing)
    assert zero == 0
    assert np.isnan(none)


def test_a_zone_that_is_not_valid_is_missing():
    inputs = signals.Inputs()
    inputs.zone_dc[0], inputs.zone_state[0] = 0, signals.OK
    inputs.zone_dc[1], inputs.zone_state[1] = 0, signals.OPEN
    history = ticks({"zone_dc": inputs.zone_dc, "zone_state": inputs.zone_state})
    assert history.zone_c(0).tolist() == [0]
    assert np.isnan(history.zone_c(1)[0])


def test_a_switch_that_could_not_be_read_is_neither_on_nor_off():
    history = ticks({"bits": signals.KEY, "known": 0}, {"bits": signals.KEY, "known": signals.KEY})
    on, known = history.switch(signals.KEY)
    assert (on.tolist(), known.tolist()) == ([False, True], [False, True])


def test_a_lost_reading_is_a_gap_from_the_tick_in_which_it_was_lost():
    drive = driven(SCENARIOS / "bus_voltage_lost_at_speed.toml")
    bus = drive.history.volts("bus_mv")
    code = next(one for one in drive.history.occurrences if "bus" in one.name)
    at = int(np.searchsorted(drive.history.ticks["t_ms"], code.t_ms))
    assert np.isnan(bus[at])
    assert np.isfinite(bus[: at - 100]).any()


def test_every_code_stands_at_its_moment_with_the_devices_own_words(welded):
    drive, _ = welded
    told = {(event.t_ms, event.text) for event in drive.outcome.events}
    assert len(drive.history.occurrences) == 2
    for one in drive.history.occurrences:
        name = one.name.upper().replace(" ", "_")
        assert (one.t_ms, f"{name}: {one.why}") in told


def test_a_code_ends_when_it_ends_or_when_the_power_goes(welded):
    drive, _ = welded
    first, second = drive.history.occurrences
    unpowered_ms = drive.history.ticks["t_ms"][drive.history.ticks["phase"] == UNPOWERED]
    assert first.end_ms in unpowered_ms
    assert second.end_ms is None


def test_each_phase_has_its_why(start_drive_stop):
    history = start_drive_stop.history
    begins = [
        int(history.ticks["t_ms"][begin]) for begin, _, phase in runs(history.ticks["phase"]) if phase != UNPOWERED
    ]
    asked = [answer.t_ms for answer in history.answers if answer.subject == "phase"]
    assert asked == begins
    assert all(answer.text for answer in history.answers)


def test_the_limiter_is_named():
    drive = driven(SCENARIOS / "isolation_warning_limits_and_heals.toml")
    names = [name for _, _, name in drive.history.limiters("drive")]
    assert "fault: isolation warning" in names
    assert "isolation not settled" in names
    begin, end, _ = next(one for one in drive.history.limiters("drive") if one[2] == "fault: isolation warning")
    assert set(drive.history.ticks["drive_limit_permille"][begin + 1 : end].tolist()) == {800}


def test_a_number_of_a_limiter_that_is_none_is_no_name():
    assert limiter_name(255) == limiter_name(-1) == ""
    assert limiter_name(256 + 250) == "a fault"


def test_power_cycles_are_kept_apart_with_what_each_was_like(two_starts):
    first, second = two_starts.history.cycles
    assert (first.cycle, second.cycle) == (1, 2)
    assert first.drove
    assert second.drove
    assert first.lowest_ohm is not None
    assert second.lowest_ohm is not None
    assert second.lowest_ohm < 450_000 < first.lowest_ohm
    truth = min(two_starts.truth["world_isolation_parallel_ohm"])
    assert second.lowest_ohm == pytest.approx(truth, rel=0.05)


def test_a_code_of_the_table_is_written_as_people_write_it():
    assert code_of(1) == "P0A0A-13"  # row 1: interlock open, failure type 13 (circuit open), from memory
    assert code_of(9999) == ""


def test_what_a_board_tells_as_no_integer_counts_as_not_known():
    cycle = Cycle.of({"cycle": 3, "precharge_ms": "480", "discharge_ms": None, "lowest_ohm": 2.5, "rows": [1, "x"]})
    assert cycle == Cycle(3, rows=(1,))
    assert Cycle.of({"rows": "no list"}) == Cycle(0)


def test_runs_of_equal_values():
    assert runs(np.array([5, 5, 7, 5])) == [(0, 2, 5), (2, 3, 7), (3, 4, 5)]
    assert runs(np.array([])) == []


def test_where_nobody_can_tell_a_code_any_more_it_is_not_said_to_end(welded):
    """The decisions of a recording end where ticks before are lost; readings and commands go on."""
    scenario = load_scenario(SCENARIOS / "contactor_drops_out_at_speed.toml")
    recorder = Recorder(scenario.build, "half of it", "recording")

    def watch(scene):
        supervisor = scene.supervisor if scene.t_ms <= 22_000 else None
        recorder.tick(
            scene.t_ms, scene.inputs, scene.outputs, supervisor, UNPOWERED if scene.t_ms < 1500 else NOT_KNOWN
        )

    run(scenario, watch=watch)
    half = recorder.history()
    one = next(one for one in half.occurrences if one.name == "contactor dropped out")
    assert (one.end_ms, one.seen_ms) == (None, 22_000)
    assert set(half.ticks["phase"][half.ticks["t_ms"] > 22_000].tolist()) == {NOT_KNOWN}
    assert half.powered[half.ticks["t_ms"] > 22_000].all()
    assert np.isfinite(half.volts("pack_mv")[-1])
    assert welded[0].history.occurrences[1].seen_ms is None
    rows = columns(half)["faults"](slice(0, len(half.ticks)))
    known = [
        int(t_ms) for t_ms, faults in zip(half.ticks["t_ms"], rows, strict=True) if "CONTACTOR_DROPPED_OUT" in faults
    ]
    assert (known[0], known[-1]) == (one.t_ms, 22_000)
    page = drive_page(half)
    assert "not seen to end, known until 22.00 s" in page
    assert "what was decided cannot be told" in page
