"""A board in service for installing on, its flash as it was at each instant, and what then starts from it."""

import random
import re
import struct
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import serial
from board.test_service import running
from littlefs import LittleFS
from mpremote.transport_serial import SerialTransport
from sim.board_bench import fresh_image
from sim.scenario_files import CART
from sim.test_virtual_board import live

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import parse_build
from loopwarden_build.pack import digest_of, pack_bytes
from loopwarden_install.install import InstallError, Order, install
from loopwarden_install.prompt import Prompt
from loopwarden_install.version import Version, version_of
from loopwarden_sim.board_talk import BoardTalk
from loopwarden_sim.scenario import Action, Scenario
from loopwarden_sim.virtual_board import BLOCK, VirtualBoard, empty_flash

_HEAD = struct.Struct("<HHH")  # as the stand-in of the flash writes it
WAYS = ("nothing", "half", "random", "all")
NEW = parse_build(CART.read_text().replace('creep = "10 s"', 'creep = "12 s"'), "new.toml")
NEW_DIGEST = digest_of(to_device(NEW))
OLD_DIGEST = digest_of(to_device(live(CART).build))


@cache
def new_version() -> Version:
    """The version that is installed over the old one: the same program with another build."""
    return version_of(pack_bytes(to_device(NEW)))


def order(**more: bool) -> Order:
    return Order(new_version(), NEW.build.name, NEW.build.chip, **more)


def in_service(*events: tuple[int, Action], start: tuple[tuple[str, float], ...] = ()) -> Scenario:
    """The cart, powered up with its service switch in SERVICE; then it is turned to RUN, so that a reset starts it."""
    turned = (5, Action("set", "service", 0.0))
    return replace(live(CART), start=(("service", 1.0), *start), events=(turned, *events))


def old_image(path: Path) -> Path:
    """The flash of a board with the old version, which has stored an emergency stop."""
    fresh_image(live(CART), path)
    events = (100, Action("set", "stop", 1.0)), (150, Action("set", "key", 0.0))
    board = VirtualBoard(live(CART).build, path)
    try:
        outcome = BoardTalk(replace(live(CART), start=(), events=events, ticks=1500), board, []).go(None, None)
    finally:
        board.close()
    assert not outcome.failure
    assert not outcome.breaches
    return path


def blank_image(path: Path) -> Path:
    """The flash of a board on which nothing but MicroPython is."""
    path.write_bytes(bytes(empty_flash().context.buffer))
    return path


class Operations:
    """Every erase and program of one installation, its first start included. `at(n, way)` is the flash cut at one."""

    def __init__(self, before: bytes, log: bytes) -> None:
        self._before = before
        self._all: list[tuple[int, int, bytes]] = []
        place = 0
        while place < len(log):
            block, offset, size = _HEAD.unpack_from(log, place)
            place += _HEAD.size
            self._all.append((block, offset, log[place : place + size]))
            place += size

    def __len__(self) -> int:
        return len(self._all)

    def at(self, n: int, way: str) -> bytes:
        flash = bytearray(self._before)
        for block, offset, data in self._all[:n]:
            _carry_out(flash, block, offset, data, len(data) or BLOCK)
        block, offset, data = self._all[n]
        size = len(data) or BLOCK
        if way == "half":
            _carry_out(flash, block, offset, data, size // 2)
        elif way == "all":
            _carry_out(flash, block, offset, data, size)
        elif way == "random":
            begin = block * BLOCK + offset
            noise = random.Random(n).randbytes(size)
            for k in range(size):
                # Programming only clears bits, erasing only sets them; some of them have already changed.
                if data:
                    flash[begin + k] &= data[k] | noise[k]
                else:
                    flash[begin + k] |= noise[k]
        return bytes(flash)


def _carry_out(flash: bytearray, block: int, offset: int, data: bytes, size: int) -> None:
    begin = block * BLOCK + offset
    flash[begin : begin + size] = data[:size] if data else b"\xff" * size


def recorded_install(folder: Path, image: Path) -> Operations:
    """Install the new version on the board with this flash and let it start, all its flash operations kept."""
    before = image.read_bytes()
    log = folder / "flash.log"
    with running(in_service(), image, flash_log=log) as port:
        done = install(port, order())
        assert done.answer["build"] == NEW_DIGEST
    return Operations(before, log.read_bytes())


class Start:
    """One start of a board from a flash image, for some seconds of its time.

    which   "old" or "new" for the version that answers, "prompt" where none does
    said    all that its console said
    lit     its lamps were lit until a version answered, and no coil was ever on
    """

    def __init__(self, folder: Path, flash: bytes) -> None:
        image = folder / "cut.img"
        image.write_bytes(flash)
        scenario = replace(live(CART), start=(), events=(), ticks=120)
        board = VirtualBoard(scenario.build, image)
        try:
            run = _Watched(scenario, board, [(70, "version"), (80, "faults")])
            outcome = run.go(None, None)
        finally:
            board.close()
        assert not outcome.failure, outcome.failure
        self.said = run.said
        self.safe = run.safe and not outcome.breaches
        self.which = "old" if OLD_DIGEST in run.said else "new" if NEW_DIGEST in run.said else "prompt"
        self.keeps_codes = "emergency stop" in run.said
        if self.which == "prompt":
            assert run.said.rstrip().endswith(">>>"), run.said


class _Watched(BoardTalk):
    safe = True

    def decide(self):
        decided = super().decide()
        o = self.scene.outputs
        if o.positive or o.negative or o.precharge or o.discharge:
            self.safe = False
        return decided


def mounted(flash: bytes) -> LittleFS:
    """The file system of a flash image, to look into."""
    fs = empty_flash()
    fs.context.buffer[:] = flash
    fs.mount()
    return fs


def spread(many: int, points: int) -> Iterator[int]:
    """So many of 0..many-1, the first and the last among them."""
    seen = -1
    for k in range(points):
        n = k * (many - 1) // (points - 1)
        if n != seen:
            yield n
        seen = n


def flash_cuts(folder: Path, operations: Operations, points: Sequence[int]) -> tuple[int, list[str]]:
    """An update cut at these operations in every way: how many starts were looked at, and which were not as they must.

    Exactly one whole version answers (S11), with the codes that were stored before, and no coil was ever on.
    """
    failures = []
    for n in points:
        for way in WAYS:
            start = Start(folder, operations.at(n, way))
            if not (start.safe and start.keeps_codes and start.which in ("old", "new")):
                failures.append(f"flash operation {n}, {way}: {start.which} {start.said[-200:]!r}")
    return len(points) * len(WAYS), failures


class PulledAt(SerialTransport):
    """A cable that comes off after so many bytes were sent."""

    def __init__(self, port, count):
        super().__init__(port, timeout=5.0)
        self.left = count
        self.sent = 0
        write = self.serial.write

        def cut(data):
            if self.left < len(data):
                write(data[: self.left])
                self.left = 0
                self.serial.close()
                raise serial.SerialException("the cable came off")
            self.left -= len(data)
            self.sent += len(data)
            return write(data)

        self.serial.write = cut


def pulled_cables(folder: Path, points: int) -> tuple[int, list[str]]:
    """Updates whose cable comes off at a byte: how many, and after which the board was not as it must be.

    The old version starts, with its codes; at last the whole update goes through on the same board.
    """
    image = old_image(folder / "flash.img")
    untouched = image.read_bytes()
    made: list[PulledAt] = []

    def counted(port: str) -> PulledAt:
        made.append(PulledAt(port, 1 << 30))
        return made[-1]

    with running(in_service(), image) as port:
        install(port, order(), open_prompt=lambda name: Prompt(name, counted))
    total = made[0].sent
    image.write_bytes(untouched)
    counts = [1, 7, 40, *(total * k // (points - 3) for k in range(1, points - 3)), total - 300]
    failures = []
    with running(in_service(), image) as port:
        for count in counts:
            try:
                install(port, order(), open_prompt=lambda name, n=count: Prompt(name, lambda p: PulledAt(p, n)))
                failures.append(f"byte {count}: the update went through")
            except InstallError as error:
                if not re.search("again|right port", str(error)):
                    failures.append(f"byte {count}: {error}")
            start = Start(folder, image.read_bytes())
            if not (start.safe and start.which == "old" and start.keeps_codes):
                failures.append(f"byte {count}: {start.which} {start.said[-200:]!r}")
        if install(port, order()).now != order().version.name:
            failures.append("the update did not go through in the end")
    return len(counts), failures
