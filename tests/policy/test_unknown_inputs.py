"""S10: an invalid, stale or missing input is never read as good. Each input, in each phase, unknown in each way."""

import copy

import pytest

from loopwarden import signals as S

from .rig import Rig, device_build
from .test_down import standing
from .test_moving import driven

READINGS = {
    "pack": ("pack_mv", "pack_state"),
    "bus": ("bus_mv", "bus_state"),
    "current": ("current_ma", "current_state"),
    "supply": ("supply_mv", "supply_state"),
    "reference": ("reference_mv", "reference_state"),
    "isolation": ("isolation_ohm", "isolation_state"),
    "speed": ("speed_mm_s", "speed_state"),
}
STATES = {name: getattr(S, name) for name in ("OPEN", "SHORT", "STALE", "RANGE", "DEVICE")}
# What an unknown reading must bring when it lasts: one of these rows, in live.
ROW_OF = {
    "pack": {"PACK_VOLTAGE_BAD"},
    "bus": {"BUS_VOLTAGE_BAD"},
    "current": {"CURRENT_BAD"},
    "supply": {"SUPPLY_FAILING", "SUPPLY_LOW"},
    "reference": {"SELF_TEST_FAILED"},
    "isolation": {"ISOLATION_LOST", "ISOLATION_DEVICE", "ISOLATION_IMPLAUSIBLE"},
    "speed": {"SPEED_LOST"},
}


def blind(rig, reading, state, value=None):
    """Hold a reading at `state`; the value beside it is not to be used, whatever it is."""
    field, state_field = READINGS[reading]
    rig.held[field] = value
    rig.held[state_field] = state
    if reading == "speed":
        rig.held["speed_pulses"] = None if value is None else 0


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("reading", READINGS)
def test_every_unknown_reading_shows_in_live(reading, state):
    """With None beside the state, within ten seconds; and the limit falls or the drive winds down."""
    rig = driven()
    blind(rig, reading, STATES[state])
    rig.run(10_000)
    assert rig.faults & ROW_OF[reading], rig.story()
    assert rig.out.drive_limit_permille < 1000


GOOD = {"pack": 365_000, "bus": 365_000, "current": 0, "supply": 13_500, "reference": 1_500, "isolation": 4_000_000}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("reading", GOOD)
def test_a_good_value_beside_a_bad_state_is_not_used(reading, state):
    """The state decides, not the number."""
    rig = driven()
    blind(rig, reading, STATES[state], GOOD[reading])
    rig.run(10_000)
    assert rig.faults & ROW_OF[reading], rig.story()


@pytest.mark.parametrize("reading", [name for name in READINGS if name != "speed"])
def test_no_value_beside_a_good_state_is_not_used(reading):
    rig = driven()
    rig.held[READINGS[reading][0]] = None
    rig.run(10_000)
    assert rig.faults & ROW_OF[reading], rig.story()


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("z", range(5))
def test_an_unreadable_zone_shows(z, state):
    """Five zones: three of the pack, covering each other, inverter, motor."""
    rig = driven()
    rig.held["zone_dc"] = [None if n == z else 250 for n in range(5)] + [None] * 5
    rig.held["zone_state"] = [STATES[state] if n == z else S.OK for n in range(5)] + [S.STALE] * 5
    rig.run(3_000)
    expected = {"PACK_SENSOR_OPEN", "PACK_SENSOR_SHORT"} if z < 3 else {"INVERTER_SENSOR_BAD", "MOTOR_SENSOR_BAD"}
    assert len(rig.faults & expected) == 1, rig.story()
    assert rig.out.drive_limit_permille == 500
    assert ("PACK_SENSOR_SHORT" in rig.faults) is (z < 3 and state == "SHORT")


@pytest.mark.outside(
    subject="temperatures",
    source="Formula SAE 2026 V1.0 EV.7.3.4, seen in a public copy",
    value="a missing or broken measurement is itself a trip (here: once no sensor covers the zone any more)",
)
def test_without_a_readable_pack_zone_the_drive_winds_down():
    rig = driven()
    rig.held["zone_dc"] = [None] * 3 + [250] * 2 + [None] * 5
    rig.held["zone_state"] = [S.OPEN] * 3 + [S.OK] * 2 + [S.STALE] * 5
    rig.run(4_900)
    assert rig.phase == "live"
    rig.run(600)
    assert "PACK_ZONES_LOST" in rig.faults
    assert rig.phase == "winding down"


def test_an_unreadable_zone_freezes_what_had_begun_to_count():
    """Over temperature takes 1 s; unknown time neither adds nor takes away."""
    rig = driven()
    rig.zones_dc = [560, 250, 250, 250, 250]
    rig.run(600)
    assert "PACK_OVER_TEMPERATURE" not in rig.faults
    rig.held["zone_dc"] = [None, 250, 250, 250, 250] + [None] * 5
    rig.held["zone_state"] = [S.OPEN, 0, 0, 0, 0] + [S.STALE] * 5
    rig.run(20_000)
    assert "PACK_OVER_TEMPERATURE" not in rig.faults
    rig.held.clear()
    took = rig.until(lambda r: "PACK_OVER_TEMPERATURE" in r.faults, 2_000)
    assert took < 1_000  # from the beginning it takes more than that


BITS = {
    "key": (S.KEY, "key"),
    "start": (S.START, "start"),
    "plug": (S.PLUG, "plug"),
    "coolant": (S.COOLANT, "coolant"),
}


def test_an_unreadable_key_counts_as_off():
    rig = standing()
    rig.unreadable = S.KEY
    rig.until(lambda r: r.phase == "opening", 1_000)


def test_an_unreadable_start_starts_nothing():
    rig = Rig().wake().turn_key()
    rig.unreadable = S.START
    rig.press_start().run(1_000)
    assert rig.phase == "checking"


def test_an_unreadable_plug_is_a_plug_in_while_driving():
    """Standing: out. Moving: wound down."""
    rig = driven()
    rig.unreadable = S.PLUG
    rig.run(100)
    assert "PLUG_WHILE_DRIVING" in rig.faults
    assert rig.phase == "winding down"


def test_an_unreadable_coolant_feedback_is_coolant_that_does_not_move():
    rig = driven()
    rig.unreadable = S.COOLANT
    rig.run(6_000)
    assert "COOLANT_STOPPED" in rig.faults
    assert rig.out.drive_limit_permille == 500


@pytest.mark.parametrize(("bit", "row"), [(S.COIL_FAULT, "COIL_DRIVER_FAULT"), (S.LAMP_FAULT, "LAMP_DRIVER_FAULT")])
def test_an_unreadable_driver_feedback_is_a_driver_fault(bit, row):
    rig = driven()
    rig.unreadable = bit
    rig.run(300)
    assert row in rig.faults


@pytest.mark.parametrize("bits", [None, 0])
def test_with_no_two_state_input_readable_everything_is_off(bits):
    """An expander that does not answer."""
    rig = driven()
    rig.held.update(bits=bits, known=None if bits is None else 0)
    rig.run(40)
    assert rig.commanded == set()
    assert rig.sup.switches.cut


def test_power_up_without_any_reading_stays_off_and_lit():
    """The very first state of all inputs: nothing known."""
    rig = Rig(device_build())
    rig.fill = lambda: None
    rig.key = 1
    for _ in range(1_000):
        rig.tick()
        assert rig.commanded == set()
        assert rig.out.lamp_hv
    assert rig.phase in ("off", "locked out")


def test_every_pair_of_unknown_readings_keeps_the_contactors_at_speed():
    """S4 as well: blindness alone never opens them while moving."""
    base = driven()
    names = list(READINGS)
    for k, one in enumerate(names):
        for other in names[k + 1 :]:
            rig = copy.deepcopy(base)
            blind(rig, one, S.OPEN)
            blind(rig, other, S.STALE)
            for _ in range(200):
                rig.tick()
                assert {"positive", "negative"} <= rig.commanded, (one, other, rig.story())
