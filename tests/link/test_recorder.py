"""The device's side of a recording: who gets one, what it says first, and that it never waits."""

import pytest
from policy.rig import Rig, device_values

from loopwarden import signals as S
from loopwarden.link import recorder
from loopwarden.link.recorder import Frames
from loopwarden_build.pack import pack_bytes
from loopwarden_link.lines import read_line
from loopwarden_record.frames import COMMANDS, READINGS, IncompleteError
from loopwarden_record.frames import Frames as Reader
from loopwarden_record.recording import FORMAT
from loopwarden_record.simulated import Driver

from .desk import Desk, sealed

REST_S = 14  # after a power-up with a dead bus
LAST_FRAME = 3  # bytes


@pytest.fixture
def image(tmp_path):
    file = tmp_path / "build.bin"
    file.write_bytes(pack_bytes(device_values("orchard_truck")))
    return file


@pytest.fixture
def desk(image):
    """At rest, its bus proven dead; the key is off."""
    desk = Desk(Rig(), image=image)
    desk.rig.run(REST_S * 1000)
    return desk


def begin(desk):
    """Ask for a recording; what came until the first frame: image, recording, memory."""
    desk.port.out.clear()
    desk.port.into += sealed("@5 record")
    for _ in range(2_000):
        desk.console.work(desk.loop)
        if desk.port.out.count(b'"kind":"memory"') and not desk.console.out.at < desk.console.out.end:
            break
    first, rest = bytes(desk.port.out).split(b"\r\n", 1)
    told = read_line(first)
    size = told["bytes"]
    recording, memory = (read_line(line) for line in rest[size:].split(b"\r\n")[:2])
    desk.port.out.clear()
    return rest[:size], recording, memory


def follow(desk, ticks):
    """Let ticks go by as the loop does; every tick as the reader has it, beside what was really there."""
    rig, reader, seen = desk.rig, Reader(), []
    rig.sup, rig.out = desk.loop.supervisor, desk.loop.outputs
    for _ in range(ticks):
        rig.tick()
        if desk.loop.watch:
            desk.loop.watch(rig.dt)
        desk.console.work(desk.loop)
        seen.append({name: getattr(rig.out, name) for name in COMMANDS})
    return reader, seen


def read_all(reader, data):
    """Commands of each tick, and the end."""
    at, found, end = 0, [], None
    while end is None:
        try:
            at, end = reader.next(data, at)
        except IncompleteError:
            break
        if end is None:
            found.append({name: value for name, value in reader.commands().items() if name in COMMANDS})
    return found, end, data[at:]


def test_it_sends_the_packed_build_byte_for_byte(desk, image):
    sent, recording, memory = begin(desk)
    assert sent == image.read_bytes()
    assert (recording["kind"], memory["kind"]) == ("recording", "memory")
    assert recording["format"] == FORMAT


def test_every_tick_comes_as_it_was_until_the_host_sends_anything(desk):
    begin(desk)
    reader, seen = follow(desk, 300)
    desk.port.into += b"\r"
    desk.settle(ticks=8)  # it looks for it in every eighth
    found, end, rest = read_all(reader, bytes(desk.port.out))
    assert found == seen[: len(found)]
    assert len(found) == 300
    assert "asked" in end.why
    assert b'"kind":"end"' in rest, "then the answer ends as every other one"
    assert desk.loop.watch is None
    assert desk.ask("status")[-1]["kind"] == "end"


def test_the_decisions_begin_anew_and_nothing_is_commanded(desk):
    old = desk.loop.supervisor
    begin(desk)
    assert desk.loop.supervisor is not old
    assert not any(getattr(desk.loop.outputs, name) for name in ("positive", "negative", "precharge", "discharge"))
    assert desk.loop.outputs.lamp_hv == 1, "S5: unproven again"


@pytest.mark.parametrize("level", [0, 1])
def test_the_heartbeat_keeps_its_edge_when_they_do(desk, level):
    """S11: a level that stayed would be a missing edge."""
    if desk.loop.outputs.heartbeat != level:
        desk.rig.tick()
    assert desk.loop.outputs.heartbeat == level
    begin(desk)
    follow(desk, 1)
    assert desk.loop.outputs.heartbeat != level


@pytest.mark.parametrize(
    ("break_it", "said"),
    [
        (lambda desk: desk.rig.drive(), "nothing is started"),
        (lambda desk: desk.rig.held.update(bus_mv=200_000) or desk.rig.run(2_000), "bus is not proven dead"),
        (lambda desk: setattr(desk.rig, "loops", 0) or desk.rig.run(2_000), "a fault is active"),
        (lambda desk: setattr(desk.rig.sup.faults, "marked", 1), "the memory is at work"),
        (lambda desk: setattr(desk.rig.memory, "waits", lambda: True), "the memory is at work"),
    ],
)
def test_it_is_refused_with_a_reason_and_changes_nothing(image, break_it, said):
    """S15: it would end a fault that waits for the key, or decide anew under way."""
    desk = Desk(Rig(), image=image)
    desk.rig.run(REST_S * 1000)
    break_it(desk)
    old = desk.loop.supervisor
    answer = desk.ask("record")
    assert said in answer[-1]["error"], answer
    assert desk.loop.supervisor is old
    assert desk.loop.watch is None


def test_a_start_while_the_build_is_being_sent_is_not_taken_back(desk):
    """S11, S15: what may not begin anew is looked at again in the tick in which it would."""
    desk.port.into += sealed("@5 record")
    while b'"kind":"image"' not in desk.port.out:
        desk.console.work(desk.loop)
    desk.rig.drive()
    assert desk.rig.out.positive
    old = desk.loop.supervisor
    desk.settle()
    assert b"nothing is started" in desk.port.out
    assert desk.loop.supervisor is old
    assert desk.loop.watch is None
    assert desk.rig.out.positive


def test_a_person_is_told_that_it_is_for_a_program(desk):
    assert "host tool" in desk.type("record")


@pytest.mark.parametrize("taken", [0, 1, 2, 3, 4, 5, 300])
def test_a_host_that_takes_nothing_more_ends_it_and_delays_no_tick(desk, taken):
    """However many bytes it took before: the last frame finds room, and nothing that waits is written over."""
    begin(desk)
    desk.port.takes = lambda: len(desk.port.out) < taken
    _, seen = follow(desk, 600)
    assert len(seen) == 600
    assert not desk.console.work(desk.loop), "there is nothing that it waits for"
    desk.port.takes = lambda: True
    desk.settle()
    found, end, _ = read_all(Reader(), bytes(desk.port.out))
    assert 100 < len(found) < 600
    assert found == seen[: len(found)], "what was told is true"
    assert "did not take" in end.why
    assert desk.loop.watch is None


@pytest.mark.parametrize(("bytes_a_tick", "said"), [(2, "did not take"), (4, "asked")])
def test_a_host_that_is_slow_gets_true_frames_up_to_the_last_one(desk, bytes_a_tick, said):
    """A tick makes three bytes at the least; the ring begins anew several times, wherever the host has got to."""
    begin(desk)
    room = 0

    def takes():
        nonlocal room
        room -= 1
        return room >= 0

    desk.port.takes = takes
    rig, seen, ticks = desk.rig, [], 0
    rig.sup, rig.out = desk.loop.supervisor, desk.loop.outputs
    while desk.loop.watch:
        assert ticks < 20_000, "it does not end"
        rig.held["bus_mv"] = ticks % 7
        rig.tick()
        desk.loop.watch(rig.dt)
        room = bytes_a_tick
        desk.console.work(desk.loop)
        seen.append(rig.inputs.bus_mv)
        ticks += 1
        if ticks == 2_500:
            desk.port.into += b"\r"
    room = 10_000
    desk.settle()
    reader, data, at, end, found = Reader(), bytes(desk.port.out), 0, None, []
    while end is None:
        at, end = reader.next(data, at)
        if end is None:
            found.append(reader.values[READINGS.index("bus_mv")])
    assert len(found) > 400
    assert found == seen[: len(found)]
    assert said in end.why


def test_what_goes_wrong_in_a_frame_ends_the_recording_and_not_the_drive():
    inputs, outputs = S.Inputs(), S.Outputs()
    frames = Frames(inputs, outputs, Rig().memory, Driver(outputs))
    inputs.isolation_age_ms = None  # which it never is
    frames.tick(20)
    frames.tick(20)
    assert frames.lost
    frames.tick(20)


def test_a_frame_in_which_everything_changes_fits_where_room_is_looked_for():
    inputs, outputs = S.Inputs(), S.Outputs()
    frames = Frames(inputs, outputs, Rig().memory, Driver(outputs))
    longest = 0
    for sign in (1, -1, 1):
        for name, value in vars(inputs).items():
            if name in ("zone_dc", "zone_state"):
                value[:] = [sign * 9_999 if name == "zone_dc" else 7 if sign > 0 else 0] * len(value)
            elif name.endswith("_state"):
                setattr(inputs, name, 7 if sign > 0 else 0)
            else:
                setattr(inputs, name, sign * 60_000_000)
        for name in vars(outputs):
            setattr(outputs, name, 1000 if name.endswith("permille") else 1)
        frames.tick(20 if sign > 0 else 100)
        assert not frames.lost
        longest = max(longest, (frames.end - frames.at) % len(frames.ring))
        frames.at = frames.end
    assert 100 < longest <= recorder._MOST - LAST_FRAME
