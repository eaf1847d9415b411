"""The frames on a CAN bus, read by cantools with the DBC in the repo: what they say is what the board holds."""

import json
from types import SimpleNamespace

import cantools
import pytest
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given
from hypothesis import strategies as st
from policy.guest.replay import Session
from policy.rig import Rig
from policy.stories import told

from loopwarden import signals as S
from loopwarden.build import Build
from loopwarden.link import frames as F
from loopwarden.naming import LIMITERS, STATES
from loopwarden.policy import fault_table as T
from loopwarden.policy import limits, phases
from loopwarden_can.frames import DBC

from .sent import FIRST_ID, counted, on_64_bits, with_can

DATABASE = cantools.database.load_file(DBC)
BY_NAME = {message.name: message for message in DATABASE.messages}
NAMES = ("Status", "Voltages", "Limits", "Fault", "Isolation", "Temperatures")
PACK_MOST = 60_000  # counted instructions in a tick


class Bus:
    """Takes what it is given, unless it is full."""

    def __init__(self):
        self.frames = []
        self.full = False

    def send(self, identifier, data):
        if not self.full:
            self.frames.append((identifier, bytes(data)))
        return not self.full


class Quiet:
    def work(self, loop):
        return False


class Desk:
    """A rig with a real supervisor, and the frames of its board."""

    def __init__(self, rig=None):
        self.rig = rig or Rig()
        self.bus = Bus()
        self.frames = F.Frames(self.bus, that_sends(self.rig.build), Quiet())
        self.loop = SimpleNamespace(supervisor=self.rig.sup, last_us=0)

    def tick(self):
        self.rig.tick()
        return self.talk()

    def talk(self):
        self.loop.last_us += 20_000
        self.frames.work(self.loop)
        return self.bus.frames[-1] if self.bus.frames else None

    def told(self, name):
        """The values of the next frame of that name, as cantools reads them."""
        for _ in range(10):
            identifier, data = self.talk()
            if identifier == FIRST_ID + NAMES.index(name):
                return BY_NAME[name].decode(data), BY_NAME[name].decode(data, scaling=False, decode_choices=False)
        raise AssertionError(name)


def that_sends(build):
    made = SimpleNamespace(**vars(build))
    made.can = [FIRST_ID, 0]
    return made


# What they say


def test_a_status_frame_says_what_is_commanded():
    desk = Desk()
    desk.rig.drive()
    assert desk.rig.sup.phases.phase == 3
    values, _ = desk.told("Status")
    o = desk.rig.out
    assert str(values["Phase"]) == "live"
    for signal, field in (
        ("PositiveMain", "positive"),
        ("NegativeMain", "negative"),
        ("Precharge", "precharge"),
        ("Discharge", "discharge"),
        ("InverterEnable", "inverter_enable"),
        ("ChargerEnable", "charger_enable"),
        ("LoadsEnable", "hv_loads_enable"),
        ("Hold", "hold"),
        ("ReadyLamp", "lamp_ready"),
        ("CautionLamp", "lamp_caution"),
        ("StopLamp", "lamp_stop"),
        ("HighVoltageLamps", "lamp_hv"),
    ):
        assert values[signal] == getattr(o, field), signal
    assert values["ActiveFaults"] == desk.rig.sup.faults.actives
    assert values["PowerCycle"] == desk.rig.memory.cycle


@pytest.mark.parametrize("field", list(vars(S.Outputs())))
def test_each_command_has_a_bit_of_its_own(field):
    """One at a time, so that no two can be swapped."""
    signals = {
        "positive": "PositiveMain",
        "negative": "NegativeMain",
        "precharge": "Precharge",
        "discharge": "Discharge",
        "inverter_enable": "InverterEnable",
        "charger_enable": "ChargerEnable",
        "hv_loads_enable": "LoadsEnable",
        "hold": "Hold",
        "lamp_ready": "ReadyLamp",
        "lamp_caution": "CautionLamp",
        "lamp_stop": "StopLamp",
        "lamp_hv": "HighVoltageLamps",
    }
    desk = Desk()
    desk.rig.tick()
    for name in signals:
        setattr(desk.rig.out, name, 0)
    if field in signals:
        setattr(desk.rig.out, field, 1)
    values, _ = desk.told("Status")
    assert [name for name in signals.values() if values[name]] == ([signals[field]] if field in signals else [])


millivolts = st.integers(-3_000, 1_500_000)


@given(millivolts, millivolts, st.integers(-1_200_000, 1_200_000))
def test_voltages_and_current_are_right_to_half_a_step_over_all_that_a_build_may_have(bus_mv, pack_mv, current_ma):
    desk = shared_desk()
    i = desk.rig.inputs
    i.bus_mv, i.pack_mv, i.current_ma = bus_mv, pack_mv, current_ma
    i.bus_state = i.pack_state = i.current_state = S.OK
    desk.rig.sup.electrics.bus_ok = desk.rig.sup.electrics.pack_ok = 1
    values, _ = desk.told("Voltages")
    for name, milli in (("BusVoltage", bus_mv), ("PackVoltage", pack_mv), ("PackCurrent", current_ma)):
        assert abs(values[name] - milli / 1000) <= 0.05 + 1e-9, name


@given(
    st.integers(0, 1000),
    st.integers(0, 1000),
    st.integers(0, limits.LIMITERS - 1),
    st.integers(0, limits.LIMITERS - 1),
    st.integers(0, 150_000),
)
def test_limits_name_what_sets_them(drive, charge, drive_by, charge_by, mm_s):
    desk = shared_desk()
    s = desk.rig.sup
    s.outputs.drive_limit_permille, s.outputs.charge_limit_permille = drive, charge
    s.limits.drive_goal, s.limits.charge_goal = drive << 4 | drive_by, charge << 4 | charge_by
    desk.rig.inputs.speed_mm_s, desk.rig.inputs.speed_state = mm_s, S.OK
    values, raw = desk.told("Limits")
    assert values["DriveLimit"] == pytest.approx(drive / 10)
    assert values["ChargeLimit"] == pytest.approx(charge / 10)
    assert (raw["DriveLimiter"], raw["ChargeLimiter"]) == (drive_by, charge_by)
    assert 0 <= mm_s / 1000 - values["Speed"] <= 0.01 + 1e-9
    assert raw["SpeedState"] == S.OK


@given(st.integers(0, 50_000_000), st.integers(0, 60_000), st.sampled_from([0, 1]))
def test_isolation_is_never_told_better_than_it_is(ohm, age_ms, measures):
    """Rounded down; what does not fit stands as the most that does."""
    desk = shared_desk()
    i, build = desk.rig.inputs, desk.rig.sup.build
    i.isolation_ohm, i.isolation_state, i.isolation_age_ms = ohm, S.OK, age_ms
    build.iso_measures = measures
    values, raw = desk.told("Isolation")
    for name, per in (("IsolationPerVolt", build.working_v), ("IsolationResistance", 1000)):
        assert values[name] == min(ohm // per, 65_534), name
    assert values["IsolationAge"] == age_ms
    assert raw["IsolationMeaning"] == measures
    assert str(values["IsolationMeaning"]) == ("the worse pole" if measures else "both poles in parallel")


@given(st.lists(st.integers(-1000, 3000), min_size=4, max_size=4))
def test_temperatures_are_exact_between_the_ends(dc):
    desk = shared_desk()
    t = desk.rig.sup.thermal
    t.valid = -1
    t.hottest_dc, t.coldest_dc, t.inverter_dc, t.motor_dc = dc
    values, _ = desk.told("Temperatures")
    for name, value in zip(("PackHottest", "PackColdest", "Inverter", "Motor"), dc, strict=True):
        assert values[name] == pytest.approx(min(value, 2047) / 10), name


_DESK = []


def shared_desk():
    """One for all the examples: making a supervisor takes long."""
    if not _DESK:
        desk = Desk()
        desk.rig.sup.build = SimpleNamespace(**vars(desk.rig.build))
        desk.rig.tick()
        _DESK.append(desk)
    return _DESK[0]


@pytest.mark.parametrize("state", [S.OPEN, S.SHORT, S.STALE, S.RANGE, S.DEVICE, S.QUIET])
def test_what_is_no_reading_is_never_a_number(state):
    """S10: a mark outside the range that the DBC gives, whatever stood there before."""
    desk = Desk()
    desk.rig.run(200)
    i, s = desk.rig.inputs, desk.rig.sup
    s.electrics.bus_ok = s.electrics.pack_ok = 0
    i.bus_mv = i.pack_mv = i.current_ma = i.isolation_ohm = i.speed_mm_s = None
    i.current_state = i.isolation_state = i.speed_state = state
    s.thermal.valid = 0
    marks = {
        "Voltages": {"BusVoltage": -32768, "PackVoltage": -32768, "PackCurrent": -32768},
        "Limits": {"Speed": 65535, "SpeedState": state},
        "Isolation": {"IsolationPerVolt": 65535, "IsolationResistance": 65535, "IsolationState": state},
        "Temperatures": {"PackHottest": -2048, "PackColdest": -2048, "Inverter": -2048, "Motor": -2048},
    }
    for name, wanted in marks.items():
        values, raw = desk.told(name)
        for signal, mark in wanted.items():
            assert raw[signal] == mark, signal
            if not signal.endswith("State"):
                told_ = BY_NAME[name].get_signal_by_name(signal)
                assert not told_.minimum <= values[signal] <= told_.maximum


def test_a_temperature_that_nobody_looked_at_yet_is_none():
    desk = Desk()
    desk.rig.tick()
    _, raw = desk.told("Temperatures")
    assert {raw[name] for name in ("PackHottest", "PackColdest", "Inverter", "Motor")} == {-2048}


def test_every_active_fault_is_told_in_turn_with_its_code_and_status():
    desk = Desk()
    desk.rig.run(500)
    for row in (8, 15, 57, 60):
        desk.rig.sup.faults.trip(row, 1)
        desk.rig.run(100)
    f = desk.rig.sup.faults
    wanted = {row for row in f.active if row}
    assert len(wanted) > 2
    seen = {}
    for _ in range(2 * len(wanted)):
        _, raw = desk.told("Fault")
        assert f.active[raw["FaultIndex"]] == raw["FaultRow"]
        seen[raw["FaultRow"]] = raw
    assert set(seen) == wanted
    bits = ("TestFailed", "FailedThisCycle", "Pending", "Confirmed", "NotCompletedSinceClear", "FailedSinceClear")
    for row, raw in seen.items():
        known = T.TABLE[row - 1]
        assert raw["FaultCode"] == known[T.CODE] << 8 | known[T.FTB]
        status = sum(raw[name] << k for k, name in enumerate((*bits, "NotCompletedThisCycle", "WarningIndicator")))
        record = desk.rig.memory.raw(row)
        assert status == (1 if record is None else desk.rig.memory.status(row))
        assert status & 1
    assert f.worst_row == desk.told("Status")[1]["HardestFault"]


def test_without_a_fault_the_frame_says_so():
    desk = Desk()
    desk.rig.run(500)
    assert not desk.rig.sup.faults.actives
    _, raw = desk.told("Fault")
    assert all(not value for name, value in raw.items() if name not in ("Counter", "Checksum"))


# The DBC itself


def test_the_dbc_names_what_the_firmware_numbers():
    def of(message, signal):
        choices = BY_NAME[message].get_signal_by_name(signal).choices
        return {number: str(text) for number, text in choices.items()}

    rows = {row[T.ID]: row[T.NAME].lower().replace("_", " ") for row in T.TABLE} | {0: "none"}
    assert of("Fault", "FaultRow") == of("Status", "HardestFault") == rows
    assert of("Status", "Phase") == dict(enumerate(phases.NAMES))
    states = {S.OK: "valid"} | {k: text.decode() for k, text in enumerate(STATES) if text}
    assert of("Isolation", "IsolationState") == of("Limits", "SpeedState") == states
    named = of("Limits", "DriveLimiter")
    assert named == of("Limits", "ChargeLimiter")
    assert len(named) == limits.LIMITERS
    assert {k: text.decode() for k, text in enumerate(LIMITERS) if text}.items() <= named.items()
    assert named[limits.WIND] == "winding down"


def test_the_dbc_has_the_frames_in_the_order_of_their_identifiers():
    assert [(m.frame_id, m.name, m.length) for m in DATABASE.messages] == [
        (FIRST_ID + k, name, 8) for k, name in enumerate(NAMES)
    ]


# Counter, checksum, order


@pytest.mark.outside(
    subject="checksums",
    source="catalogue of parametrised CRC algorithms, CRC-8/SAE-J1850 (from memory); computed apart by crccheck",
    value='check value 0x4B for "123456789"',
)
def test_the_checksum_is_that_of_sae_j1850():
    data = bytearray(b"3456789 ")
    F.seal(data, F.begun(ord("1") | ord("2") << 8))
    assert data[7] == 0x4B


@given(st.integers(0, 0x7FF), st.binary(min_size=8, max_size=8))
def test_the_checksum_covers_identifier_and_all_before_it(identifier, data):
    sealed = bytearray(data)
    F.seal(sealed, F.begun(identifier))
    assert sealed[:7] == data[:7]
    assert sealed[7] == Crc8SaeJ1850.calc(identifier.to_bytes(2, "little") + data[:7])


def test_what_cantools_packs_is_what_the_firmware_packs():
    """The other way: the values of each frame, packed by cantools, give its bytes."""
    desk = Desk()
    desk.rig.run(100)
    for step in range(3):
        for _ in range(10):
            identifier, data = desk.talk()
            message = DATABASE.get_message_by_frame_id(identifier)
            # Not strict: the marks for "no reading" lie beside the range.
            assert message.encode(message.decode(data), strict=False) == data
            assert data[7] == Crc8SaeJ1850.calc(identifier.to_bytes(2, "little") + data[:7])
        if step == 0:
            desk.rig.drive()
        else:
            desk.rig.stop = 1
            desk.rig.run(300)


def test_a_counter_goes_up_with_each_frame_of_its_identifier():
    desk = Desk()
    desk.rig.run(100)
    counts = {}
    for _ in range(400):
        identifier, data = desk.talk()
        count = data[6] & 15
        assert count == counts.get(identifier, 15) + 1 & 15
        counts[identifier] = count


def test_the_times_between_frames_are_those_of_the_dbc():
    """At the usual tick of 20 ms."""
    desk = Desk()
    desk.rig.run(100)
    at = {}
    for tick in range(100):
        identifier, _ = desk.talk()
        if identifier in at:
            wanted = DATABASE.get_message_by_frame_id(identifier).cycle_time
            assert 20 * (tick - at[identifier]) == wanted
        at[identifier] = tick
    assert len(at) == 6


def test_a_frame_that_is_not_taken_is_tried_again_with_the_values_of_then():
    desk = Desk()
    desk.rig.run(100)
    desk.talk()
    first = len(desk.bus.frames)
    desk.bus.full = True
    for _ in range(7):
        desk.talk()
    desk.bus.full = False
    identifier, data = desk.talk()
    assert len(desk.bus.frames) == first + 1
    assert identifier == FIRST_ID + 1
    assert data[6] & 15 == 0


def test_one_frame_a_tick_however_often_the_link_is_called():
    desk = Desk()
    desk.rig.run(100)
    desk.loop.last_us += 20_000
    for _ in range(50):
        desk.frames.work(desk.loop)
    assert len(desk.bus.frames) == 1


def test_a_board_that_decides_nothing_any_more_is_silent():
    """A frame would say that somebody watches."""
    desk = Desk()
    desk.loop.supervisor = None
    desk.talk()
    assert not desk.bus.frames


# On the board's Python


def on_host(story):
    build, ticks, _ = told(story)
    built = Build(json.loads(with_can(build)))
    bus = Bus()
    session = Session(built, ticks)
    frames = F.Frames(bus, built, Quiet())
    loop = SimpleNamespace(supervisor=session.sup, last_us=0)
    while session.next():
        session.step()
        loop.supervisor = session.sup
        loop.last_us += 1
        frames.work(loop)
        session.end()
    return bus.frames


@pytest.mark.parametrize("story", ["day", "all bad", "blind", "charge"])
def test_the_same_frames_on_every_runtime(story):
    """S14, and what a tick may cost: nothing of the heap, and few instructions."""
    wanted = [f"{number:x}:{data.hex()}" for number, data in on_host(story)]
    assert len(wanted) > 500
    told_ = counted(story)
    assert told_["frames"] == wanted
    assert told_["most"] <= PACK_MOST
    assert told_["heap"] == 0
    assert on_64_bits(story)["frames"] == wanted
