"""Takes a recording from a board over its serial port, until it is told to stop or the board does not go on."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from loopwarden_link.client import Link, Stream
from loopwarden_link.errors import Lost
from loopwarden_link.lines import Object, read_line
from loopwarden_record.frames import WHOLE_EVERY, DamagedError, End, Frames, IncompleteError
from loopwarden_record.recording import FORMAT, Header, RecordingError, Writer

_KEEP_TICKS = 50  # so many in a piece at the most: what a crash of this program may lose
_SILENT_S = 5.0  # guess: a board tells every tick; so long without a byte and it has stopped
_IMAGE_MOST = 1 << 16
_LAST_S = 2.0  # for its last frame, once it was told to stop


def _header(objects: list[Object]) -> Header:
    told = {str(one["kind"]): one for one in objects}
    numbers = {**told["recording"], **told["memory"]}
    if numbers.get("format") != FORMAT:
        raise RecordingError(f"the board records in format {numbers.get('format')}; this program: {FORMAT}")
    try:
        locked = tuple(bytes.fromhex(str(numbers["locked"])))
    except (KeyError, ValueError) as error:
        raise RecordingError(f"what its decisions start from cannot be read: {error}") from None
    names = ("positive_proven", "negative_proven", "precharge_mj", "discharge_mj", "flats", "under_load")
    start: dict[str, int] = {}
    for name in (*names, "clock_ms", "cycle"):
        value = numbers.get(name)
        if type(value) is not int:
            raise RecordingError(f"what its decisions start from cannot be read: {name} is {value!r}, not a number")
        start[name] = value
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return Header(str(numbers.get("program", "")), str(numbers.get("board", "")), now, start, locked)


def _begin(stream: Stream) -> tuple[Header, bytes, bytes]:
    """What comes before the first frame: header, packed build, first bytes of frames. Errors: RecordingError."""
    size = stream.objects[-1].get("bytes")
    if type(size) is not int or not 0 < size < _IMAGE_MOST:
        raise RecordingError(f"the board says that its build has {size!r} bytes; allowed 1 to {_IMAGE_MOST}")
    data = b""
    heard_s = time.monotonic()
    while True:
        new = stream.read()
        data += new
        heard_s = time.monotonic() if new else heard_s
        lines = data[size:].split(b"\n", 2)
        if len(lines) == 3:
            break
        if len(lines) == 2 and (first := read_line(lines[0].rstrip(b"\r"))) and first["kind"] == "error":
            raise RecordingError(str(first.get("error")))
        if time.monotonic() - heard_s > _SILENT_S:
            raise RecordingError(f"the board said nothing more for {_SILENT_S:g} s before its first tick")
    objects = [read_line(line.rstrip(b"\r")) for line in lines[:2]]
    if [one and one["kind"] for one in objects] != ["recording", "memory"]:
        raise RecordingError("what the decisions start from came damaged; try again")
    return _header([one for one in objects if one]), data[:size], lines[2]


def capture(
    link: Link, path: Path, *, stop: Callable[[], bool], progress: Callable[[int], None] | None = None
) -> tuple[int, str]:
    """Record until `stop` says so. Returns how many ticks, and why it ended.

    stop        is asked some ten times a second
    progress    called with the ticks so far
    Errors: LinkError before the first frame; RecordingError; OSError, also for a file that is there already.
    """
    with link.stream("record", "image") as stream:
        header, image, data = _begin(stream)
        writer = Writer(path, header, image)
        frames = Frames()
        at = first = 0  # what is not kept yet begins at byte 0, with frame `first`
        end: End | None = None
        why = ""
        stopped_s = heard_s = time.monotonic()
        stopping = False
        try:
            while end is None and not why:
                try:
                    new = stream.read()
                    if stop() and not stopping:
                        stopping, stopped_s = True, time.monotonic()
                        stream.stop()
                except Lost as error:
                    why = str(error)
                    break
                data += new
                now_s = time.monotonic()
                heard_s = now_s if new else heard_s
                while end is None:
                    if frames.tick > first and (frames.tick - first >= _KEEP_TICKS or not frames.tick % WHOLE_EVERY):
                        writer.ticks(first, data[:at])
                        data, at, first = data[at:], 0, frames.tick
                    try:
                        at, end = frames.next(data, at)
                    except IncompleteError:
                        break
                    except DamagedError as error:
                        why = f"what came was damaged: {error}"
                        break
                if progress is not None:
                    progress(frames.tick)
                if stopping and now_s - stopped_s > _LAST_S:
                    why = "it was asked to, and the board did not answer"
                elif now_s - heard_s > _SILENT_S:
                    why = f"the board said nothing more for {_SILENT_S:g} s"
        except KeyboardInterrupt:
            why = "it was broken off here"
            raise
        finally:
            if at:
                writer.ticks(first, data[:at])
            why = end.why if end is not None else why or "this program failed"
            writer.close(why)
    return frames.tick, why
