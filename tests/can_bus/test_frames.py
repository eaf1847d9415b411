"""What a listener makes of frames: good ones are read, all others counted, and no mark becomes a number."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden_can.frames import FIRST_ID, Heard

from .made import frame, sealed


def test_a_good_frame_is_read():
    heard = Heard()
    assert heard.hear(*frame("Voltages", 3, BusVoltage=402.3, PackVoltage=403.0, PackCurrent=-12.5)) == "Voltages"
    assert heard.latest["Voltages"] == {"BusVoltage": 402.3, "PackVoltage": 403.0, "PackCurrent": -12.5}


def test_a_build_with_other_identifiers_is_read_by_those():
    heard = Heard(0x100)
    assert heard.hear(*frame("Voltages", 0)) == ""
    assert heard.hear(*frame("Voltages", 0, first_id=0x100)) == "Voltages"
    assert (heard.mangled, heard.lost) == (0, 0)


@pytest.mark.parametrize(
    ("name", "signal", "mark"),
    [
        ("Voltages", "BusVoltage", -3276.8),
        ("Voltages", "PackCurrent", -3276.8),
        ("Limits", "Speed", 655.35),
        ("Isolation", "IsolationPerVolt", 65535),
        ("Isolation", "IsolationResistance", 65535),
        ("Temperatures", "PackHottest", -204.8),
        ("Temperatures", "Motor", -204.8),
    ],
)
def test_a_mark_for_no_reading_is_none_and_the_values_beside_it_are_not(name, signal, mark):
    """S10."""
    heard = Heard()
    heard.hear(*frame(name, 0, **{signal: mark}))
    assert heard.latest[name][signal] is None
    step = 0.1 if isinstance(mark, float) and name != "Limits" else 0.01 if name == "Limits" else 1
    beside = round(mark + step, 3) if mark < 0 else round(mark - step, 3)
    heard.hear(*frame(name, 1, **{signal: beside}))
    assert heard.latest[name][signal] == beside


@given(st.integers(0, 63))
def test_one_wrong_bit_and_a_frame_is_not_read(bit):
    heard = Heard()
    identifier, data = frame("Status", 5, Phase=3, HighVoltageLamps=1)
    wrong = bytearray(data)
    wrong[bit // 8] ^= 1 << bit % 8
    assert heard.hear(identifier, bytes(wrong)) == ""
    assert heard.latest == {}
    assert heard.mangled == 1


@given(st.integers(0, 5), st.integers(0, 5))
def test_a_frame_under_another_identifier_is_not_read(there, here):
    """Its checksum covers the identifier."""
    names = ("Status", "Voltages", "Limits", "Fault", "Isolation", "Temperatures")
    _, data = frame(names[there], 0)
    heard = Heard()
    assert heard.hear(FIRST_ID + here, data) == (names[here] if here == there else "")


@pytest.mark.parametrize("length", [0, 1, 7, 9, 64])
def test_a_wrong_length_is_not_read(length):
    heard = Heard()
    assert heard.hear(FIRST_ID, bytes(length)) == ""
    assert heard.mangled == 1


@given(st.integers(0, 0x1FFFFFFF), st.binary(max_size=64))
def test_noise_is_nothing(identifier, data):
    heard = Heard()
    if data[7:8] != bytes((0,)) or not FIRST_ID <= identifier < FIRST_ID + 6:
        heard.hear(identifier, data)
    assert heard.mangled in (0, 1)
    assert len(heard.latest) <= 1


def test_a_counter_that_stands_still_is_a_sender_that_hangs():
    heard = Heard()
    heard.hear(*frame("Voltages", 7, BusVoltage=1.0))
    assert heard.hear(*frame("Voltages", 7, BusVoltage=400.0)) == ""
    assert heard.latest["Voltages"]["BusVoltage"] == 1.0
    assert heard.repeated == 1


def test_lost_frames_are_counted_over_the_end_of_the_counter():
    heard = Heard()
    for count in (14, 15, 0, 3):
        heard.hear(*frame("Limits", count))
    assert heard.lost == 2


def fault(heard, count, index, row):
    heard.hear(*frame("Fault", count, FaultIndex=index, FaultRow=row, TestFailed=1))


def test_a_round_is_whole_with_bus_status_and_every_active_fault():
    heard = Heard()
    heard.hear(*frame("Status", 0, ActiveFaults=2))
    fault(heard, 0, 1, 8)  # the listener came in the middle of a round
    assert not heard.whole_round()
    fault(heard, 1, 0, 7)
    heard.hear(*frame("Voltages", 0))
    assert not heard.whole_round()
    fault(heard, 2, 1, 8)
    assert heard.whole_round()
    assert [heard.faults[n]["FaultRow"] for n in sorted(heard.faults)] == [7, 8]


def test_no_active_fault_is_a_whole_round_as_well():
    heard = Heard()
    heard.hear(*frame("Status", 0))
    heard.hear(*frame("Voltages", 0))
    assert not heard.whole_round()
    heard.hear(*frame("Fault", 0))
    assert heard.whole_round()


def test_a_fault_that_this_version_does_not_know_is_not_read_as_another():
    heard = Heard()
    identifier, data = frame("Fault", 0, FaultRow=1)
    heard.hear(*sealed(identifier, data[:1] + b"\xfe" + data[2:7] + b"\0"))
    assert heard.faults == {}
