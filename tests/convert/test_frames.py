"""Frames to readings: every bit pattern against cantools, ages, counters, and what must never be a reading."""

import random
from types import SimpleNamespace
from typing import Any

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from can_truck import DBC, MONITOR, MOTION, can_truck
from loopwarden.build import Build
from loopwarden.convert.edge import Edge
from loopwarden.convert.frames import IsolationFrames, SpeedFrames, field
from loopwarden.signals import DEVICE, OK, QUIET, RANGE, STALE, Inputs
from loopwarden_build.can_signals import field_of, isolation_layout, speed_layout
from loopwarden_build.integer_build import to_device
from loopwarden_build.pack import pack_bytes
from micropython_runs.runners import run_cpython, run_unix, run_wasm
from micropython_runs.small_ints import watched

from .builds import ROOT

FIRMWARE = ROOT / "firmware"
TICK_MS = 20
FLOOD_MOST = 175_000  # instructions of the whole edge, some 100 to the microsecond; without a frame it takes 78,000
TEXT = DBC.read_text(encoding="utf-8")
MESSAGES = cantools.database.load_string(TEXT, database_format="dbc")


class Line:
    """A monitor's or a speed's frames, one a tick, at the reading that the board makes of them."""

    def __init__(self, kind: str, dbc: str = TEXT, **keys: str) -> None:
        build = can_truck(changed(MONITOR, **keys), changed(MOTION, **keys), dbc)
        self.data = bytearray(8)
        self.raw = SimpleNamespace(isolation_fresh=0, speed_fresh=0)
        self.made: Any = (
            IsolationFrames(isolation_layout(build), self.data)
            if kind == "isolation"
            else SpeedFrames(speed_layout(build), self.data)
        )

    def tick(self, frame: bytes | None = None, dt_ms: int = TICK_MS) -> Any:
        self.raw.isolation_fresh = self.raw.speed_fresh = int(frame is not None)
        if frame is not None:
            self.data[: len(frame)] = frame
        self.made.step(self.raw, dt_ms)
        return self.made

    def reading(self) -> tuple[Any, int]:
        value = self.made.ohm if isinstance(self.made, IsolationFrames) else self.made.mm_s
        return value, self.made.state


def changed(lines: str, **keys: str) -> str:
    for key, value in keys.items():
        lines = "\n".join(f'{key} = "{value}"' if line.startswith(f"{key} =") else line for line in lines.splitlines())
    return lines + "\n"


def monitor(kohm: float, alive: int, fault: int = 0) -> bytes:
    values = {"Resistance": kohm, "Alive": alive, "DeviceFault": fault, "Conductance": 0}
    return MESSAGES.encode_message("Insulation", values, strict=False)


def wheels(kmh: float, counter: int) -> bytes:
    return MESSAGES.encode_message("Wheels", {"Speed": kmh, "Counter": counter, "Distance": 77}, strict=False)


# Bits ----------------------------------------------------------------------------------------------------------------


@st.composite
def signals(draw: st.DrawFn) -> cantools.database.can.Signal:
    """A signal anywhere in eight bytes, of either byte order, with or without sign."""
    length = draw(st.integers(1, 64))
    first = draw(st.integers(0, 64 - length))  # counted along the frame, each byte from its highest or its lowest bit
    little = draw(st.booleans())
    start = first if little else 8 * (first // 8) + 7 - first % 8
    order: Any = "little_endian" if little else "big_endian"
    return cantools.database.can.Signal("S", start, length, order, is_signed=draw(st.booleans()))


def decoded(signal: cantools.database.can.Signal, data: bytes) -> int:
    message = cantools.database.can.Message(1, "M", 8, [signal])
    number = message.decode(data, scaling=False)["S"]  # type: ignore[call-overload, index]
    assert isinstance(number, int)
    return number


@pytest.mark.outside(
    subject="frames",
    source="computed apart by cantools",
    value="the number in the bits of any signal, in either byte order, signed or not",
)
@given(signals(), st.binary(min_size=8, max_size=8))
def test_the_bits_of_any_signal_are_the_number_that_cantools_finds(signal, data):
    """Numbers that do not fit the board's integers are none, and every one that fits is found."""
    number = decoded(signal, data)
    assert field(bytearray(data), field_of(signal)) == (number if -(2**29) <= number < 2**29 else None)


@pytest.mark.parametrize("data", [bytes(8), b"\xff" * 8, b"\x80" + bytes(7), bytes(7) + b"\x01", b"\x7f" + b"\xff" * 7])
@pytest.mark.parametrize("order", ["little_endian", "big_endian"])
@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("length", [1, 8, 29, 30, 31, 32, 64])
def test_the_extremes_of_a_signal(data, order, signed, length):
    signal = cantools.database.can.Signal("S", 0 if order == "little_endian" else 7, length, order, is_signed=signed)
    number = decoded(signal, data)
    assert field(bytearray(data), field_of(signal)) == (number if -(2**29) <= number < 2**29 else None)


def test_no_number_on_the_way_to_one_reaches_2_to_the_30():
    """At 2,000 signals anywhere, with all bits set, none, and at random."""
    source = random.Random(2)
    with watched("loopwarden.convert") as watch:
        from loopwarden.convert.frames import field

        for _ in range(2_000):
            length, signed = source.randrange(1, 65), source.random() < 0.5
            start = source.randrange(65 - length)
            for order in ("little_endian", "big_endian"):
                first = start if order == "little_endian" else 8 * (start // 8) + 7 - start % 8
                place = field_of(cantools.database.can.Signal("S", first, length, order, is_signed=signed))
                for data in (bytes(8), b"\xff" * 8, source.randbytes(8)):
                    field(data, place)
    assert watch.largest > 2**28, "nothing came near: the extremes were not tried"


# Readings ------------------------------------------------------------------------------------------------------------


@given(st.integers(0, 65_000), st.integers(0, 14))
def test_an_isolation_is_what_the_dbc_file_says_up_to_50_mohm(kohm, alive):
    """Encoded by cantools. Above 50 Mohm the board's integers end, and as much is as good."""
    line = Line("isolation")
    line.tick(monitor(1.0, (alive - 1) % 15))
    line.tick(monitor(kohm, alive))
    assert line.reading() == (min(kohm * 1000, 50_000_000), OK)


@given(st.integers(-6_000, 16_000))
def test_a_speed_is_what_the_dbc_file_says_forwards_or_backwards(centi_kmh):
    """1 km/h is 277.8 mm/s. Below a tenth of one it stands; beyond the build's highest it is no speed."""
    line = Line("speed")
    line.tick(wheels(0, 6))
    line.tick(wheels(centi_kmh / 100, 7))
    mm_s = abs(centi_kmh) / 0.36
    value, state = line.reading()
    if abs(mm_s - 28) > 1:
        assert state == (QUIET if mm_s < 28 else OK)
    assert line.made.pulses == (1 if state == OK else 0)
    if state == OK:
        assert value == pytest.approx(mm_s, abs=1)
    else:
        assert value is None


@pytest.mark.parametrize("kohm", [65_001, 65_534, 65_535])
def test_a_resistance_beyond_its_maximum_is_no_reading(kohm):
    """S10: not even the largest one."""
    line = Line("isolation")
    line.tick(monitor(1.0, 0))
    line.tick(monitor(kohm, 1))
    assert line.reading() == (None, RANGE)


@pytest.mark.parametrize("kmh", [-60.01, 160.01, 200.01, 327.67, -327.68])
def test_a_speed_beyond_what_the_build_or_the_dbc_file_allows_is_no_reading(kmh):
    line = Line("speed")
    line.tick(wheels(0, 0))
    line.tick(wheels(kmh, 1))
    assert line.reading() == (None, RANGE)
    assert line.made.pulses is None, "neither moving nor standing"


@pytest.mark.parametrize("fault", [1, 2, 3])
def test_a_monitor_that_reports_its_own_fault_has_no_reading(fault):
    line = Line("isolation")
    line.tick(monitor(1.0, 0))
    line.tick(monitor(5_000.0, 1, fault))
    assert line.reading() == (None, DEVICE)
    line.tick(monitor(5_000.0, 2))
    assert line.reading() == (5_000_000, OK)


# Age and counter -----------------------------------------------------------------------------------------------------


def test_a_first_frame_only_sets_the_counter():
    line = Line("isolation")
    line.tick(monitor(5_000, 4))
    assert line.reading() == (None, STALE)
    line.tick(monitor(5_000, 5))
    assert line.reading() == (5_000_000, OK)


def test_without_a_counter_the_first_frame_is_a_reading():
    line = Line("isolation", counter="none")
    line.tick(monitor(5_000, 4))
    line.tick(monitor(4_000, 4))
    assert line.reading() == (4_000_000, OK)


@pytest.mark.parametrize("last", [0, 5, 11, 13, 14])
@pytest.mark.parametrize("step", range(15))
def test_a_counter_may_go_on_by_three_and_no_further(last, step):
    """Two frames may be lost. By its maximum in the DBC file it begins anew after 14."""
    line = Line("isolation")
    line.tick(monitor(5_000, (last - 1) % 15))
    line.tick(monitor(5_000, last))
    line.tick(monitor(3_000, (last + step) % 15))
    assert line.made.age_ms == (0 if 1 <= step <= 3 else TICK_MS)
    assert line.reading() == (3_000_000 if 1 <= step <= 3 else 5_000_000, OK)


def test_a_counter_that_says_what_it_cannot_be_is_not_followed():
    line = Line("isolation")
    line.tick(monitor(5_000, 13))
    line.tick(monitor(5_000, 14))
    line.tick(monitor(3_000, 15))
    line.tick(monitor(3_000, 15))
    assert line.reading() == (5_000_000, OK)
    line.tick(monitor(3_000, 0))
    assert line.reading() == (3_000_000, OK)


def test_after_a_jump_the_next_frame_counts_again():
    line = Line("isolation")
    line.tick(monitor(5_000, 0))
    line.tick(monitor(5_000, 1))
    line.tick(monitor(3_000, 8))
    assert line.reading() == (5_000_000, OK)
    line.tick(monitor(3_000, 9))
    assert line.reading() == (3_000_000, OK)


@pytest.mark.parametrize("repeated", [False, True])
def test_three_periods_without_a_frame_that_goes_on_are_the_end_of_a_reading(repeated):
    """S10: 300 ms of a monitor that sends every 100 ms, whether nothing comes or the same again and again."""
    line = Line("isolation")
    line.tick(monitor(5_000, 0))
    line.tick(monitor(5_000, 1))
    frame = monitor(5_000, 1) if repeated else None
    for n in range(1, 16):
        line.tick(frame)
        assert line.reading() == (5_000_000, OK)
        assert line.made.age_ms == n * TICK_MS
    line.tick(frame)
    assert line.reading() == (None, STALE)


@pytest.mark.parametrize("repeated", [False, True])
def test_a_speed_that_is_lost_is_neither_moving_nor_standing(repeated):
    """S4, S10: pulses are None, which the policy takes for moving; 60 ms of a sender that sends every 20 ms."""
    line = Line("speed")
    line.tick(wheels(30, 0))
    line.tick(wheels(30, 1))
    assert (line.made.mm_s, line.made.pulses) == (8_333, 1)
    frame = wheels(30, 1) if repeated else None
    for _ in range(3):
        line.tick(frame)
        assert (line.made.mm_s, line.made.state, line.made.pulses) == (8_333, OK, 0)
    line.tick(frame)
    assert (line.made.mm_s, line.made.state, line.made.pulses) == (None, STALE, None)


def test_a_standing_speed_is_silence_as_pulses_are():
    """S1: the policy asks for two seconds of it."""
    line = Line("speed")
    for n in range(5):
        line.tick(wheels(0.0, n))
    assert (line.made.mm_s, line.made.state, line.made.pulses) == (None, QUIET, 0)


def test_several_frames_in_a_tick_may_leave_gaps_in_the_counter():
    """At 10 ms the board sees every second frame of a 20 ms tick; two more may be lost."""
    for step, good in ((1, True), (2, True), (4, True), (5, False)):
        line = Line("speed", period="10 ms")
        line.tick(wheels(30, 0))
        line.tick(wheels(30, step))
        assert (line.made.state == OK) is good


# Storms --------------------------------------------------------------------------------------------------------------

_FRAMES = st.lists(st.tuples(st.booleans(), st.binary(min_size=8, max_size=8), st.integers(5, 100)), max_size=60)


@given(_FRAMES)
def test_whatever_comes_a_reading_is_within_its_range_and_has_a_state(frames):
    """S10, S15: nothing but a number of the range, or none with the reason."""
    for kind, most in (("isolation", 50_000_000), ("speed", 44_445)):
        line = Line(kind)
        for fresh, data, dt_ms in frames:
            line.tick(data if fresh else None, dt_ms)
            value, state = line.reading()
            assert (value is None) == (state != OK)
            assert value is None or 0 <= value <= most
            if kind == "speed":
                assert line.made.pulses in {OK: (0, 1), QUIET: (0,)}.get(state, (None,))


@pytest.mark.parametrize("kind", ["isolation", "speed"])
@pytest.mark.parametrize("storm", ["stuck counter", "counters at random", "no number", "another device's fault"])
def test_a_storm_of_frames_that_cannot_be_believed_never_gives_a_reading(kind, storm):
    """A frame in every tick; the counter jumps by 4 to 14 (isolation) or 4 to 255 (speed)."""
    source = random.Random(3)
    line = Line(kind)
    count = 0
    for n in range(2_000):
        good, bad = (5_000, 65_535) if kind == "isolation" else (30, 327.67)
        last = 14 if kind == "isolation" else 255
        fault = 0
        value = good
        if storm == "counters at random":
            count = (count + source.randrange(4, last + 1)) % (last + 1)
        elif storm == "no number":
            count, value = n % (last + 1), bad
        elif storm == "another device's fault":
            count, value, fault = n % (last + 1), (good if kind == "isolation" else bad), 1
        line.tick(monitor(value, count, fault) if kind == "isolation" else wheels(value, count))
        assert line.reading()[0] is None
        assert line.made.state in (STALE, RANGE, DEVICE)


# At the edge ---------------------------------------------------------------------------------------------------------


def test_an_edge_hands_both_on_and_a_board_without_a_bus_reads_lost():
    """S10: nobody writes the frames there."""
    edge, inputs = Edge(Build(to_device(can_truck()))), Inputs()
    for _ in range(100):
        edge.fill(inputs, TICK_MS)
    assert (inputs.isolation_ohm, inputs.isolation_state) == (None, STALE)
    assert (inputs.speed_mm_s, inputs.speed_state, inputs.speed_pulses) == (None, STALE, None)
    raw: Any = edge.raw
    for n in range(2):
        raw.isolation_data[:6], raw.isolation_fresh = monitor(900, n), 1
        raw.speed_data[:], raw.speed_fresh = wheels(-18, n), 1
        edge.fill(inputs, TICK_MS)
    assert (inputs.isolation_ohm, inputs.isolation_state, inputs.isolation_age_ms) == (900_000, OK, 0)
    assert (inputs.speed_mm_s, inputs.speed_state, inputs.speed_pulses) == (5_000, OK, 1)
    raw.isolation_fresh = raw.speed_fresh = 0
    for n in range(1, 16):
        edge.fill(inputs, TICK_MS)
        assert (inputs.isolation_state, inputs.isolation_age_ms) == (OK, n * TICK_MS)
    assert inputs.speed_state == STALE
    edge.fill(inputs, TICK_MS)
    assert (inputs.isolation_ohm, inputs.isolation_state) == (None, STALE)


@pytest.mark.parametrize(("monitor_lines", "motion_lines"), [(MONITOR, None), (None, MOTION)])
def test_one_of_them_may_be_a_line_as_before(monitor_lines, motion_lines):
    edge = Edge(Build(to_device(can_truck(monitor_lines, motion_lines))))
    assert isinstance(edge.isolation, IsolationFrames) == (monitor_lines is not None)
    assert isinstance(edge.speed, SpeedFrames) == (motion_lines is not None)


# On the board's own runtimes -----------------------------------------------------------------------------------------

GUEST = """
from loopwarden.build import load
from loopwarden.convert.edge import Edge
from loopwarden.signals import Inputs
try:
    from tick_meter import TickMeter
except ImportError:
    TickMeter = None

def main():
    with open("build", "rb") as f:
        edge = Edge(load(f.read()))
    with open("frames", "rb") as f:
        frames = f.read()
    raw, i = edge.raw, Inputs()
    edge.bind(i)
    meter = TickMeter() if TickMeter else None
    taken = most = 0
    for n in range(len(frames) // 18):
        raw.isolation_fresh, raw.speed_fresh = frames[18 * n], frames[18 * n + 1]
        for at in range(8):
            raw.isolation_data[at] = frames[18 * n + 2 + at]
            raw.speed_data[at] = frames[18 * n + 10 + at]
        if meter:
            meter.start()
            edge.fill(i, 20)
            meter.stop()
            taken += meter.heap_bytes
            most = max(most, meter.fuel)
        else:
            edge.fill(i, 20)
        print(i.isolation_ohm, i.isolation_state, i.isolation_age_ms, i.speed_mm_s, i.speed_state, i.speed_pulses)
    print("heap", taken)
    print(most)

main()
"""


def storm(ticks: int) -> bytes:
    """Frames as they should be, with numbers at the ends of their ranges, among gaps, repeats and noise."""
    source = random.Random(11)
    found = bytearray()
    for n in range(ticks):
        kohm, kmh = source.choice((0, 1, 209, 210, 50_000, 65_000, 65_535)), source.choice((-60, -0.1, 0, 3, 160, 200))
        frames = [monitor(kohm, n % 15, source.random() < 0.1) + bytes(2), wheels(kmh, n % 256)]
        for at in range(2):
            if source.random() < 0.15:
                frames[at] = source.randbytes(8)
        found += bytes(source.random() < 0.8 for _ in range(2)) + frames[0] + frames[1]
    return bytes(found)


def test_no_heap_in_any_tick_and_the_same_readings_everywhere():
    """S14; "heap" sums 1,000 ticks under both MicroPythons and includes heap frames.

    Whatever comes, a tick takes one frame of each, so a flood costs what two good frames do.
    """
    files = {"build": pack_bytes(to_device(can_truck())), "frames": storm(1_000)}
    wasm = run_wasm(GUEST, path=[FIRMWARE], files=files).stdout.splitlines()
    unix = run_unix(GUEST, path=[FIRMWARE], files=files).splitlines()
    host = run_cpython(GUEST, path=[FIRMWARE, ROOT / "host_sim"], files=files).splitlines()
    assert wasm[-2] == unix[-2] == "heap 0"
    assert 0 < int(wasm[-1]) <= FLOOD_MOST
    assert wasm[:-2] == unix[:-2] == host[:-2]
    states = {tuple(line.split()[at] for at in (1, 4)) for line in host[:-2]}
    assert {isolation for isolation, _ in states} >= {str(OK), str(RANGE), str(DEVICE)}
    assert {speed for _, speed in states} >= {str(OK), str(RANGE), str(QUIET), str(STALE)}


@pytest.mark.parametrize("unit", ['(1,0) [0|65000] "kOhm"', '(0.33,0) [0|21000] "kOhm"', '(0.0007,0) [0|45] "MOhm"'])
def test_every_number_on_the_way_stays_below_2_to_the_30(unit):
    """At any bits, with the factors that need the largest products."""
    dbc = TEXT.replace('(1,0) [0|65000] "kOhm"', unit)
    with watched("loopwarden.convert") as watch:
        from loopwarden.build import Build
        from loopwarden.convert.edge import Edge
        from loopwarden.signals import Inputs

        edge, inputs = Edge(Build(to_device(can_truck(dbc=dbc)))), Inputs()
        raw: Any = edge.raw
        source = random.Random(5)
        for n in range(5_000):
            raw.isolation_data[:], raw.speed_data[:] = source.randbytes(8), source.randbytes(8)
            raw.isolation_data[2], raw.speed_data[0] = n % 15, n % 256
            raw.isolation_fresh = raw.speed_fresh = 1
            edge.fill(inputs, 20)
    assert watch.largest > 2**25, "nothing came near: the extremes were not tried"
