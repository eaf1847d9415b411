"""The file of a recording: whole up to the last byte before a cable was pulled, and what is damaged is named."""

import json
import shutil
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden_record.recording import Header, RecordingError, Writer, read
from loopwarden_record.replay import replay
from loopwarden_record.simulated import record_scenario
from loopwarden_sim.scenario import load_scenario
from record import SCENARIOS

START = {"positive_proven": 1, "negative_proven": 0, "precharge_mj": 0, "discharge_mj": 0, "flats": 0, "under_load": 0}
START |= {"clock_ms": 0, "cycle": 1}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A drive of some 70 s."""
    path = tmp_path_factory.mktemp("recording") / "drive.rec"
    record_scenario(load_scenario(SCENARIOS / "start_drive_stop.toml"), path)
    return path


def changed(recorded, data):
    path = recorded.with_name("changed.rec")
    path.write_bytes(data)
    return path


def ticks_of(path):
    return [frames.values.copy() for frames, _ in read(path).ticks()]


def test_it_tells_who_made_it_and_how_it_ended(recorded):
    found = read(recorded)
    assert found.header.made_by == "simulation"
    assert found.ended == "the board's supply went"
    assert found.remarks == []
    assert found.build().name == "orchard utility truck"


def test_no_recording_is_written_over_a_file(recorded):
    before = recorded.read_bytes()
    with pytest.raises(FileExistsError):
        Writer(recorded, Header("0", "x", "", START, ()), b"image")
    assert recorded.read_bytes() == before


def test_one_without_a_whole_start_is_not_begun(tmp_path):
    with pytest.raises(ValueError, match="lacks cycle, flats"):
        Writer(
            tmp_path / "x",
            Header("0", "x", "", {k: v for k, v in START.items() if k not in ("cycle", "flats")}, ()),
            b"",
        )
    assert not (tmp_path / "x").exists()


@settings(max_examples=20)
@given(part=st.floats(0, 1))
def test_a_file_cut_short_anywhere_gives_what_was_before_the_cut(recorded, part):
    """Every frame that lies in it whole: as from a cable that was pulled, or a computer that went out."""
    data = recorded.read_bytes()
    whole = ticks_of(recorded)
    first = data.index(b"t", data.index(b"loopwarden-build")) + 400  # behind the build
    cut = first + round(part * (len(data) - first))
    path = changed(recorded, data[:cut])
    try:
        found = read(path)
    except RecordingError:
        found = None
    if found is None:
        assert cut < 12_000, "only a lost beginning makes it useless"
        return
    got = [frames.values.copy() for frames, _ in found.ticks()]
    assert got == whole[: len(got)]
    share = (cut - first) / (len(data) - first)
    assert len(got) >= len(whole) * share * 0.7 - 600
    assert cut == len(data) or found.remarks


@settings(max_examples=25)
@given(at=st.floats(0, 1), bit=st.integers(0, 7))
def test_a_flipped_bit_is_named_and_the_rest_is_read(recorded, at, bit):
    data = bytearray(recorded.read_bytes())
    place = round(at * (len(data) - 1))
    data[place] ^= 1 << bit
    path = changed(recorded, bytes(data))
    try:
        found = replay(read(path))
    except RecordingError:
        found = None
    if found is None:
        assert place < 12_000, "only a lost beginning makes it useless"
        return
    assert found.remarks, "a damaged file is not taken for a good one"
    assert found.difference is None, "what was damaged is not believed"
    assert found.read >= 3_616 - 2 * 256


@given(st.binary(max_size=300))
def test_any_bytes_behind_a_good_beginning_are_named(recorded, more):
    data = recorded.read_bytes()
    found = read(changed(recorded, data + more))
    assert len([1 for _ in found.ticks()]) == 3_616
    assert found.remarks or not more


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is no recording"),
        (b"PK\x03\x04", "is no recording"),
        (b"loopwarden-recording 2\n", "format '2'; this program reads format 3"),
        (b"loopwarden-recording 4\n", "format '4'; this program reads format 3"),
        (b"loopwarden-recording 3\n", "its beginning is damaged"),
        (b"loopwarden-recording 3\n" + b"\0" * 500, "its beginning is damaged"),
    ],
)
def test_what_is_no_recording_of_this_format_is_refused(tmp_path, data, said):
    path = tmp_path / "x.rec"
    path.write_bytes(data)
    with pytest.raises(RecordingError, match=said):
        read(path)


def test_ticks_that_are_lost_in_the_middle_are_named_and_reading_goes_on(recorded):
    data = recorded.read_bytes()
    middle = len(data) // 2
    path = changed(recorded, data[: middle - 500] + data[middle + 500 :])
    found = read(path)
    ticks = [(frames.tick, follows) for frames, follows in found.ticks()]
    assert any("cannot be read" in remark for remark in found.remarks)
    assert ticks[-1][0] == 3_616, "up to the last one"
    assert [follows for _, follows in ticks].count(False) == 1


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (b"{", "is no JSON"),
        (b"[1]", "not an object"),
        (b"{}", "start.positive_proven is None; allowed 0 to 1"),
        (json.dumps({"start": START | {"flats": -1}}).encode(), "start.flats is -1; allowed 0 to 65536"),
        (json.dumps({"start": START, "locked": "x"}).encode(), "locked is 'x'"),
    ],
)
def test_a_beginning_that_another_program_wrote_is_refused_in_words(tmp_path, head, said):
    piece = b"h" + struct.pack("<I", len(head)) + head
    path = tmp_path / "x.rec"
    path.write_bytes(b"loopwarden-recording 3\n" + piece + struct.pack("<I", zlib.crc32(piece)))
    with pytest.raises(RecordingError) as error:
        read(path)
    assert said in str(error.value)


def test_two_recordings_in_one_file_are_the_first_one(recorded):
    """Else its ticks would be decided on from the end of the other, and called different."""
    data = recorded.read_bytes()
    found = replay(read(changed(recorded, data + data)))
    assert (found.identical, found.ticks) == (True, 3_616)
    assert any("another recording begins" in remark for remark in found.remarks)


def test_a_copy_is_as_good(recorded, tmp_path):
    copied = shutil.copy(recorded, tmp_path / "copy.rec")
    assert ticks_of(copied) == ticks_of(recorded)
