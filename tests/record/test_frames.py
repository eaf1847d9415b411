"""Frames: whatever a tick read and commanded comes out of them as it went in."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden import signals as S
from loopwarden.link.recorder import Frames as Device
from loopwarden.memory.ram import RamMemory
from loopwarden_record.frames import (
    COMMANDS,
    READINGS,
    STATES,
    WHOLE_EVERY,
    DamagedError,
    Frames,
    IncompleteError,
)
from loopwarden_record.simulated import Driver

VALUES = st.none() | st.integers(-1_500_000, 50_000_000)
VALUED = ("pack_mv", "bus_mv", "current_ma", "supply_mv", "reference_mv", "isolation_ohm")
INPUTS = {
    **dict.fromkeys(VALUED, VALUES),
    **dict.fromkeys(("speed_mm_s", "speed_pulses"), st.none() | st.integers(0, 100_000)),
    "isolation_age_ms": st.integers(0, 1 << 20),
    "bits": st.integers(0, (1 << 22) - 1),
    "known": st.integers(0, (1 << 22) - 1),
    "latch": st.integers(0, (1 << 22) - 1),
    "loop_low": st.integers(0, 63),
    "loop_high": st.integers(0, 63),
    **dict.fromkeys(STATES, st.integers(0, 6)),
    "late_ms": st.integers(0, 10_000),
    "zone_dc": st.lists(st.none() | st.integers(-500, 2_000), min_size=10, max_size=10),
    "zone_state": st.lists(st.integers(0, 6), min_size=10, max_size=10),
}
VALUE_OF = dict(zip(STATES, (*VALUED, "speed_mm_s"), strict=True))
PERMILLE = ("drive_limit_permille", "charge_limit_permille", "pump_permille", "fan_permille")
OUTPUTS = {name: st.integers(0, 1) for name in COMMANDS} | {name: st.integers(0, 1000) for name in PERMILLE}
TICKS = st.lists(
    st.tuples(
        st.integers(1, 100),
        st.fixed_dictionaries({}, optional=INPUTS),
        st.fixed_dictionaries({}, optional=OUTPUTS),
    ),
    min_size=1,
    max_size=30,
)


def sent(device):
    """What lies in the ring, taken out of it."""
    ring, at, end = device.ring, device.at, device.end
    device.at = end
    return bytes(ring[at:end] if at <= end else ring[at : device.top] + ring[:end])


def made(inputs, outputs=None, memory=None):
    outputs = outputs or S.Outputs()
    return Device(inputs, outputs, memory or RamMemory(), Driver(outputs))


def tell(inputs):
    return {name: list(value) if isinstance(value, list) else value for name, value in vars(inputs).items()}


@given(TICKS)
def test_what_a_tick_read_and_commanded_is_read_again(ticks):
    inputs, outputs = S.Inputs(), S.Outputs()
    device, reader = made(inputs, outputs), Frames()
    for dt_ms, read, commanded in ticks:
        for name, value in read.items():
            if isinstance(value, list):
                getattr(inputs, name)[:] = value
            else:
                setattr(inputs, name, value)
        for name in STATES:  # as the edge makes them: a reading that has a value is in order (S10)
            if getattr(inputs, VALUE_OF[name]) is not None:
                setattr(inputs, name, S.OK)
        for name, value in commanded.items():
            setattr(outputs, name, value)
        device.tick(dt_ms)
        data = sent(device)
        at, end = reader.next(data, 0)
        again = S.Inputs()
        reader.fill(again)
        assert (at, end) == (len(data), None)
        assert reader.dt_ms == dt_ms
        assert tell(again) == tell(inputs)
        assert reader.commands() == {name: getattr(outputs, name) for name in (*COMMANDS, *PERMILLE)}


FLAGS = ("new", "failed", "nearly_full", "damaged", "drifting")


@given(st.lists(st.tuples(st.integers(0, 1), st.sets(st.sampled_from(FLAGS)), st.booleans()), max_size=30))
def test_what_the_decisions_found_in_the_memory_is_read_again(ticks):
    """It changes by its own work, which is busy then, or before a look; whether it is idle is told with all open."""
    memory, outputs = RamMemory(), S.Outputs()
    device, reader = made(S.Inputs(), outputs, memory), Frames()

    def change(names):
        for name in names:
            setattr(memory, name, not getattr(memory, name))

    before = 0
    for negative, changed, by_itself in ticks:
        if not by_itself:
            change(changed)
            device.look()
        found = {name: int(getattr(memory, name)) for name in FLAGS}
        outputs.negative = negative
        memory.busy = by_itself and bool(changed)
        if by_itself:
            change(changed)
        device.tick(20)
        reader.next(sent(device), 0)
        told = reader.memory()
        assert {name: told[name] for name in FLAGS} == found
        assert told["idle"] == (not before)
        before = negative


def quiet_frames(ticks):
    device = made(S.Inputs())
    frames = []
    for _ in range(ticks):
        device.tick(20)
        frames.append(sent(device))
    return frames


def test_a_tick_in_which_nothing_changed_takes_two_bytes():
    """Its head and its count; an age of the isolation reading that stands still is told once."""
    assert {len(frame) for frame in quiet_frames(WHOLE_EVERY)[2:]} == {2}


def test_a_step_that_came_before_takes_a_byte():
    """As the converters' steps do, which are 140 mV and 250 mA in the shipped truck: two bytes each otherwise."""
    inputs = S.Inputs()
    device, reader = made(inputs), Frames()
    lengths = []
    for pack_mv in (400_000, 400_143, 400_000, 400_143, 400_000, 400_143):
        inputs.pack_mv = pack_mv
        device.tick(20)
        data = sent(device)
        reader.next(data, 0)
        assert reader.values[READINGS.index("pack_mv")] == pack_mv
        lengths.append(len(data))
    assert lengths[1:] == [4, 4, 3, 3, 3]


def test_a_small_step_that_is_new_is_not_taken_for_a_slot():
    inputs = S.Inputs()
    device, reader = made(inputs), Frames()
    for speed_mm_s in (0, 7, 6, 0, 63, 0):  # the zigzag codes of the steps are slots' numbers as well
        inputs.speed_mm_s = speed_mm_s
        device.tick(20)
        reader.next(sent(device), 0)
        assert reader.values[READINGS.index("speed_mm_s")] == speed_mm_s


def test_a_step_that_never_came_before_is_noticed():
    """A byte that was damaged on its way."""
    frames = quiet_frames(2)
    reader = Frames()
    reader.next(frames[0], 0)
    with pytest.raises(DamagedError, match="tick 1"):
        reader.next(b"\x01\x07\x01", 0)


def test_fields_that_come_in_another_order_than_they_are_told_are_noticed():
    reader = Frames()
    with pytest.raises(DamagedError, match="tick 0"):
        reader.next(b"\x80\x03\x02\x82\x02\x00", 0)


def test_reading_may_begin_where_a_frame_tells_everything():
    frames = quiet_frames(WHOLE_EVERY + 10)
    reader = Frames(WHOLE_EVERY)
    data, at = b"".join(frames[WHOLE_EVERY:]), 0
    for _ in range(10):
        at, _ = reader.next(data, at)
    assert reader.tick == WHOLE_EVERY + 10
    assert reader.dt_ms == 20
    with pytest.raises(ValueError, match="cannot be read without"):
        Frames(WHOLE_EVERY + 1)


def test_a_frame_that_is_missing_is_noticed():
    frames = quiet_frames(10)
    reader = Frames()
    data = b"".join(frames[:4] + frames[5:])
    at = 0
    for _ in range(4):
        at, _ = reader.next(data, at)
    with pytest.raises(DamagedError, match="tick 4"):
        reader.next(data, at)


def test_bytes_that_end_within_a_frame_wait_for_more():
    """Wherever they end; what is read then is the whole frame."""
    (frame,) = quiet_frames(1)
    assert len(frame) > 20
    for cut in range(len(frame)):
        reader = Frames()
        with pytest.raises(IncompleteError):
            reader.next(frame[:cut], 0)
        assert reader.next(frame, 0) == (len(frame), None)


@given(st.binary(max_size=600))
def test_any_bytes_give_frames_or_one_of_two_errors(data):
    reader, at = Frames(), 0
    try:
        while at < len(data):
            at, _ = reader.next(data, at)
    except (DamagedError, IncompleteError):
        pass
