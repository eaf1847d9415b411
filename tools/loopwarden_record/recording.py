"""The file of a recording: written as it comes, so that what was told before a cable was pulled is there; read as far
as it is good.

A line that names the format, then pieces: one letter, the length as 4 bytes, that many bytes, and the CRC-32 of all of
these. h: what the decisions start from, b: the packed build, t: the number of a tick and the frames from it on, e: how
it ended.
"""

import binascii
import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from loopwarden import build as device_build
from loopwarden_record.frames import WHOLE_EVERY, DamagedError, Frames, IncompleteError

FORMAT = 3
MAGIC = b"loopwarden-recording "
_HEAD = struct.Struct("<cI")
_CRC = struct.Struct("<I")
_TICK = struct.Struct("<I")
_PIECE_MOST = 1 << 20
_START = {"positive_proven": 1, "negative_proven": 1, "precharge_mj": 1 << 30, "discharge_mj": 1 << 30}
_START |= {"flats": 1 << 16, "under_load": 1 << 30, "clock_ms": 1 << 30, "cycle": 1 << 30}


class RecordingError(Exception):
    """Not a recording, one of another version, or one whose beginning is lost; the text is for people."""


@dataclass(frozen=True)
class Header:
    """What the decisions started from, and who made the recording.

    start   the fault memory's numbers, clock_ms and cycle, by name
    locked  rows that were kept over power cycles then
    """

    program: str
    made_by: str
    recorded: str
    start: dict[str, int]
    locked: tuple[int, ...]


class Writer:
    """Writes a recording while it comes. Errors: FileExistsError, OSError; ValueError for an incomplete start."""

    def __init__(self, path: Path, header: Header, image: bytes) -> None:
        missing = sorted(set(_START) - set(header.start))
        if missing:
            raise ValueError(f"the recording's start lacks {', '.join(missing)}")
        self._file: BinaryIO = path.open("xb")
        self._file.write(MAGIC + b"%d\n" % FORMAT)
        head = {"program": header.program, "made_by": header.made_by, "recorded": header.recorded}
        self._piece(b"h", json.dumps({**head, "start": header.start, "locked": header.locked}).encode())
        self._piece(b"b", image)

    def ticks(self, first: int, frames: bytes) -> None:
        """Keep whole frames; `first` is the tick of the first one."""
        self._piece(b"t", _TICK.pack(first) + frames)

    def close(self, why: str) -> None:
        """Say how it ended, and end."""
        self._piece(b"e", json.dumps({"why": why}).encode())
        self._file.close()

    def _piece(self, kind: bytes, data: bytes) -> None:
        head = _HEAD.pack(kind, len(data))
        self._file.write(head + data + _CRC.pack(binascii.crc32(head + data)))
        self._file.flush()


@dataclass
class Recording:
    """One recording. remarks: what is wrong with it, in words. ended: why it ended, "" where the file does not tell."""

    path: Path
    header: Header
    image: bytes
    ended: str = ""
    remarks: list[str] = field(default_factory=list)
    pieces: list[tuple[int, bytes]] = field(default_factory=list)  # number of the first tick, frames

    def build(self) -> Any:
        """The build that the device ran: loopwarden.build.Build. Errors: RecordingError."""
        try:
            return device_build.load(self.image)
        except (ValueError, TypeError) as error:
            raise RecordingError(f"{self.path}: its build cannot be read: {error}") from None

    @property
    def digest(self) -> str:
        """Of the build, as in its packed file."""
        return self.image.split(b"\n", 1)[0].split()[-1].decode("ascii", "replace")

    def ticks(self) -> Iterator[tuple[Frames, bool]]:
        """Each tick that can be read, in order: its frame, and whether it follows on the one before.

        What cannot be read is added to `remarks`; reading goes on at the next frame that tells everything.
        """
        frames: Frames | None = Frames()
        follows = True
        told = 0  # ticks up to here were given, or named as lost
        for first, data in self.pieces:
            if frames is None or first != frames.tick:
                if first % WHOLE_EVERY:
                    continue
                self._lost(told, first)
                frames, follows = Frames(first), first == 0
            at = 0
            while at < len(data):
                try:
                    at, end = frames.next(data, at)
                except (IncompleteError, DamagedError):
                    frames = None
                    break
                if end is not None:
                    break
                told = frames.tick
                yield frames, follows
                follows = True
        last = max((first for first, _ in self.pieces), default=0)
        if frames is None or told < last:
            self.remarks.append(f"nothing can be read from tick {told} on")

    def _lost(self, begin: int, end: int) -> None:
        if end > begin:
            self.remarks.append(f"ticks {begin} to {end - 1} cannot be read")


def read(path: Path) -> Recording:
    """Read a recording as far as it is good. Errors: RecordingError; OSError."""
    data = path.read_bytes()
    line, newline, _ = data[:64].partition(b"\n")
    if not line.startswith(MAGIC):
        raise RecordingError(f'{path}: is no recording: it does not begin with "{MAGIC.decode().strip()}"')
    if not newline or line[len(MAGIC) :] != b"%d" % FORMAT:
        version = line[len(MAGIC) :].decode("ascii", "replace")
        raise RecordingError(f"{path}: is a recording of format {version!r}; this program reads format {FORMAT}")
    header: Header | None = None
    image = b""
    found = Recording(path, Header("", "", "", {}, ()), b"")
    at = len(line) + 1
    while at < len(data):
        kind, content, at = _piece_at(data, at, found.remarks)
        if kind == b"h" and header is not None:
            found.remarks.append("another recording begins within it; it is left out")
            break
        if kind == b"h":
            header = _header(path, content)
        elif kind == b"b":
            image = content
        elif kind == b"t" and len(content) >= _TICK.size:
            found.pieces.append((_TICK.unpack_from(content)[0], content[_TICK.size :]))
        elif kind == b"e":
            found.ended = str(_object(path, content).get("why", ""))
    if header is None or not image:
        raise RecordingError(f"{path}: its beginning is damaged: what the decisions started from cannot be read")
    found.header, found.image = header, image
    if not found.ended:
        found.remarks.append("it does not say how it ended: the cable was pulled, or the file is cut short")
    return found


def _piece_at(data: bytes, at: int, remarks: list[str]) -> tuple[bytes, bytes, int]:
    """Kind, content, where the next one begins. Kind is empty for what is damaged; the last piece may be cut short."""
    if at + _HEAD.size > len(data):
        remarks.append(f"byte {at}: {len(data) - at} bytes at the end are the beginning of nothing")
        return b"", b"", len(data)
    kind, length = _HEAD.unpack_from(data, at)
    end = at + _HEAD.size + length
    whole = end + _CRC.size <= len(data)
    if whole and binascii.crc32(data[at:end]) == _CRC.unpack_from(data, end)[0]:
        return kind, data[at + _HEAD.size : end], end + _CRC.size
    later = _resume(data, at + 1)
    if kind == b"t" and not whole and length <= _PIECE_MOST and later == len(data):
        remarks.append(f"byte {at}: the last piece is cut short")
        return kind, data[at + _HEAD.size : end], len(data)
    remarks.append(f"byte {at}: {later - at} bytes are damaged")
    return b"", b"", later


def _resume(data: bytes, at: int) -> int:
    """The next place where a piece begins whose sum fits."""
    while at + _HEAD.size + _CRC.size <= len(data):
        kind, length = _HEAD.unpack_from(data, at)
        end = at + _HEAD.size + length
        if kind in (b"t", b"e", b"b", b"h") and end + _CRC.size <= len(data):
            (crc,) = _CRC.unpack_from(data, end)
            if crc == binascii.crc32(data[at:end]):
                return at
        at += 1
    return len(data)


def _object(path: Path, content: bytes) -> dict[str, Any]:
    try:
        told = json.loads(content)
    except ValueError as error:  # of another program: its sum fits
        raise RecordingError(f"{path}: one of its pieces is no JSON: {error}") from None
    if not isinstance(told, dict):
        raise RecordingError(f"{path}: one of its pieces is {told!r}, not an object")
    return told


def _header(path: Path, content: bytes) -> Header:
    told = _object(path, content)
    start = told.get("start")
    if not isinstance(start, dict):
        start = {}
    for name, most in _START.items():
        value = start.get(name)
        if type(value) is not int or not 0 <= value <= most:
            raise RecordingError(f"{path}: start.{name} is {value!r}; allowed 0 to {most}")
    locked = told.get("locked", [])
    if not isinstance(locked, list) or not all(type(row) is int and 0 < row < 256 for row in locked):
        raise RecordingError(f"{path}: locked is {locked!r}; allowed are rows from 1 to 255")
    made_by, recorded = str(told.get("made_by", "")), str(told.get("recorded", ""))
    return Header(str(told.get("program", "")), made_by, recorded, start, tuple(locked))
