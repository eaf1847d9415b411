"""What is wrong at the drive is found by its step, and said; what was left out stands in the record."""

import pytest

from loopwarden_build.load import read_build
from loopwarden_commission.person import Stop
from loopwarden_commission.trial import Pace, Unsafe

from .virtual_bench import BARE, CART, TRUCK, sitting, step, virtual

IMPATIENT = Pace(patience_s=3.0, poll_s=0.02, settle_s=10.0, steady_s=0.3, live_poll_s=0.1)
LEAVE = [("What now", "skip"), ("Why is it left", "no spare part today")]
STOPS = [("What now", "stop")]


@pytest.fixture(scope="module")
def truck(tmp_path_factory):
    with virtual(TRUCK, tmp_path_factory.mktemp("truck") / "flash.img") as (bench, port, _):
        yield bench, port


def tried(truck, keys, **more):
    bench, port = truck
    return sitting(bench, port, keys, pace=IMPATIENT, **more)


def at_rest(truck):
    """Everything as it was."""
    bench, _ = truck
    for line in ("stop off", "service run", "bus_source_v 0 V", "pack_source_v 0 V", "leak_negative_ohm 1e15 ohm"):
        bench.does(line)
    for fault, where in list(bench.world.active):
        bench.does(f"heal {fault} {where}")
    bench.passes(12_000)


@pytest.fixture(autouse=True)
def afterwards(request):
    yield
    if "truck" in request.fixturenames:
        at_rest(request.getfixturevalue("truck"))


def test_swapped_temperature_sensors_are_named(truck):
    """The person warms the one, the board sees the other."""
    instead = [("Warm the sensor of zone 1", ["strike zone_offset pack rear amount=6"])]
    record, _, _ = tried(truck, ["zone_1"], instead=instead, answers=LEAVE)
    found = step(record, "zone_1")
    assert found.result == "failed"
    assert "zone 3 (pack rear) rose by" in found.reason
    assert "swapped" in found.reason


def test_a_sensor_that_warms_its_neighbour_is_no_proof(truck):
    both = ["strike zone_offset pack front amount=6", "strike zone_offset pack middle amount=6"]
    instead = [("Warm the sensor of zone 1", both)]
    record, _, _ = tried(truck, ["zone_1"], instead=instead, answers=LEAVE)
    assert step(record, "zone_1").result == "failed"


def test_a_loop_that_never_opens_is_not_passed(truck):
    record, person, _ = tried(truck, ["loop_2"], instead=[("^Open loop 2", [])], answers=LEAVE)
    found = step(record, "loop_2")
    assert (found.result, "not seen: loop 2 open" in found.reason) == ("skipped", True)
    assert "no spare part today" in found.reason
    assert record.missing == ["loop 2: inverter cover and motor plug: skipped"]
    assert person.waits > 3  # it waited, and asked nobody to confirm


def test_a_loop_that_opens_in_the_place_of_another_is_named(truck):
    instead = [("^Open loop 2", ["strike loop_open cell monitor permits charging"])]
    record, _, _ = tried(truck, ["loop_2"], instead=instead, answers=LEAVE)
    assert "loop 3 opened instead of loop 2" in step(record, "loop_2").reason


def test_a_loop_has_to_close_again(truck):
    record, _, _ = tried(truck, ["loop_2"], instead=[("^Close it again", [])], answers=LEAVE)
    assert "not seen: loop 2 closed again" in step(record, "loop_2").reason


def test_a_stop_button_that_sticks_is_found(truck):
    record, _, _ = tried(truck, ["emergency_stop"], instead=[("^Release the emergency stop", [])], answers=LEAVE)
    found = step(record, "emergency_stop")
    assert "not seen: emergency stop released again" in found.reason
    assert "emergency stop on" in found.reason


def test_a_coil_that_does_not_move_is_found(truck):
    bench, _ = truck
    bench.does("strike negative_stuck_open")
    record, _, _ = tried(truck, ["coil_negative"], answers=LEAVE)
    found = step(record, "coil_negative")
    assert found.result == "failed"
    assert "its contact read open before, open during and open after" in found.reason


def test_a_heartbeat_gate_that_holds_too_long_is_measured(truck):
    """Twice the build's 100 ms: more than hold, release and two ticks."""
    bench, _ = truck
    bench.does("strike heartbeat_gate_slow factor=2")
    record, _, _ = tried(truck, ["hold_negative"], answers=LEAVE)
    found = step(record, "hold_negative")
    assert found.result == "failed"
    [reading] = found.readings
    assert (reading.good, reading.high) == (False, 100 + 40 + 40)
    assert 200 <= reading.value <= 280


def test_a_gate_that_never_lets_go_is_found(truck):
    bench, _ = truck
    bench.does("strike heartbeat_gate_slow factor=50")
    record, _, _ = tried(truck, ["hold_positive"], answers=LEAVE)
    assert "did not let go within" in step(record, "hold_positive").reason


def test_a_switch_whose_second_pole_breaks_nothing_is_found(truck):
    """The person turns to TEST where SERVICE is asked for: the input is the same, the contact moves."""
    record, _, _ = tried(truck, ["no_supply"], instead=[("switch to SERVICE", ["service test"])], answers=LEAVE)
    assert "does not break the coil supply" in step(record, "no_supply").reason


@pytest.mark.parametrize("name", ["bus", "pack"])
def test_a_voltage_channel_off_by_more_than_its_error_is_found(truck, name):
    """3 V is the truck's own."""
    bench, _ = truck
    bench.does(f"strike {name}_voltage_offset amount=4.5")
    record, _, _ = tried(truck, [f"{name}_channel"], answers=LEAVE)
    found = step(record, f"{name}_channel")
    assert found.result == "failed"
    bad = found.readings[-1]
    assert bad.good is False
    assert bad.value > bad.high


def test_a_discharge_resistor_twice_too_large_is_found(truck):
    bench, _ = truck
    bench.does("strike discharge_resistor_drift factor=2")
    record, _, _ = tried(truck, ["discharge"], answers=LEAVE)
    found = step(record, "discharge")
    assert found.result == "failed"
    assert "discharge contactor and its resistor" in found.reason


def test_a_monitor_that_reads_twice_too_much_is_found(truck):
    bench, _ = truck
    bench.does("strike isolation_offset factor=2")
    record, _, _ = tried(truck, ["isolation"], answers=LEAVE)
    assert "not seen: isolation" in step(record, "isolation").reason


def test_meter_readings_that_no_resistance_gives_are_asked_for_again(truck):
    answers = [("pole to chassis now", 40.0), *LEAVE]
    record, _, _ = tried(truck, ["isolation"], answers=answers)
    assert "measure once more" in step(record, "isolation").reason


def test_repeat_tries_again_and_the_record_counts(truck):
    answers = [("What now", "repeat")]
    record, _, _ = tried(truck, ["emergency_stop"], instead=[("^Press the emergency stop", [])], answers=answers)
    found = step(record, "emergency_stop")
    assert (found.result, found.tries) == ("passed", 2)


def test_stop_ends_the_sitting_with_what_was_seen_on_record(truck):
    record, _, ended = tried(truck, ["loop_2", "zone_1"], instead=[("^Open loop 2", [])], answers=STOPS)
    assert isinstance(ended, Stop)
    assert [one.key for one in record.steps] == ["loop_2"]
    assert step(record, "loop_2").result == "failed"


def test_no_high_voltage_before_what_it_rests_on_has_passed(truck):
    keys = ["emergency_stop", "first_start"]
    record, person, _ = tried(truck, keys, instead=[("^Press the emergency stop", [])], answers=LEAVE)
    assert step(record, "first_start").result == "declined"
    assert "not before these have passed: emergency stop" in step(record, "first_start").reason
    assert not [text for text in person.said if "Connect the pack" in text]


def test_high_voltage_may_be_left_for_later(truck):
    record, _, ended = tried(truck, ["first_start"], answers=[("High voltage now", "later")])
    assert (step(record, "first_start").result, ended) == ("declined", None)
    assert record.missing == ["first start at high voltage: declined"]


@pytest.mark.parametrize(
    ("start", "words"),
    [
        ((("soaked_degc", 20.0), ("key", 1.0)), "pack voltage"),
        ((*BARE, ("pack_source_v", 59.9)), "pack voltage"),
    ],
)
def test_voltage_at_the_beginning_ends_everything(start, words, tmp_path):
    with virtual(TRUCK, tmp_path / "flash.img", start) as (bench, port, _):
        record, _, ended = sitting(bench, port, ["low_voltage", "loop_1"])
        assert isinstance(ended, Unsafe)
        assert words in str(ended)
        assert [one.key for one in record.steps] == ["low_voltage"]


def test_another_build_on_the_board_ends_everything(tmp_path):
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        kept = bench.scenario
        other = read_build(TRUCK)
        object.__setattr__(kept, "build", other)
        _, _, ended = sitting(bench, port, ["identity", "loop_1"])
        assert isinstance(ended, Unsafe)
        assert "is not this build file" in str(ended)
        assert "loopwarden install" in str(ended)


def test_lamps_that_are_dark_are_found_where_only_the_person_sees(tmp_path):
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        answers = [("right after", {"ready", "stop"}), *LEAVE, ("while the coil was on", {"stop"}), *LEAVE]
        record, _, _ = sitting(bench, port, ["lamps", "coil_negative"], answers=answers)
        assert "dark in the lamp test: caution" in step(record, "lamps").reason
        assert "high-voltage lamps were dark" in step(record, "coil_negative").reason


def test_a_contactor_that_moves_for_another_is_found_where_only_the_person_hears(tmp_path):
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        record, _, _ = sitting(bench, port, ["coil_negative"], answers=[("Which contactor", "positive"), *LEAVE])
        assert "positive moved where negative was commanded" in step(record, "coil_negative").reason


def test_a_pack_that_comes_on_in_the_middle_ends_everything(tmp_path):
    """Between two steps: the next one does not begin."""
    with virtual(TRUCK, tmp_path / "flash.img") as (bench, port, _):
        instead = [("^Release the emergency stop", ["stop off", "pack_connected on"])]
        record, _, ended = sitting(bench, port, ["low_voltage", "emergency_stop", "acknowledge"], instead=instead)
        assert isinstance(ended, Unsafe)
        assert "pack reads" in str(ended)
        assert [one.result for one in record.steps] == ["passed", "passed", "failed"]


def test_a_discharge_that_comes_too_late_to_tell_is_tried_again(truck):
    """The person takes so long that the bleed has done it."""
    instead = [("^Take the bench source off the bus", ["bus_source_v 0 V", "bus_v 5 V"])]
    record, _, _ = tried(truck, ["discharge"], instead=instead, answers=LEAVE)
    found = step(record, "discharge")
    assert found.result == "skipped"
    assert "too little voltage was left" in found.reason


def test_a_source_that_is_left_on_is_seen(truck):
    instead = [("^Take the bench source off again", [])]
    record, _, _ = tried(truck, ["isolation"], instead=instead, answers=LEAVE)
    assert "not seen: pack without the source" in step(record, "isolation").reason


def test_a_channel_without_a_reading_ends_everything_at_the_beginning(tmp_path):
    """Nobody knows then whether it is dead (S10)."""
    with virtual(TRUCK, tmp_path / "flash.img") as (bench, port, _):
        bench.does("strike pack_voltage_open")
        bench.passes(500)
        record, _, ended = sitting(bench, port, ["low_voltage", "loop_1"])
        assert isinstance(ended, Unsafe)
        assert "pack has no valid reading" in str(ended)
        assert [one.key for one in record.steps] == ["low_voltage"]
