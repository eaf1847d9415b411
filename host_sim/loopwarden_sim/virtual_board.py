"""The virtual board: the complete firmware under real MicroPython, its console on a pseudo terminal, its flash a file.

Starts, resets and takes away the process that is the board; what the world does meanwhile is the caller's. Virtual
time: the firmware runs one tick, then waits for the world. Linux and macOS, as the 64-bit MicroPython and pseudo
terminals are.
"""

import contextlib
import json
import os
import pty
import select
import shutil
import signal
import subprocess
import sysconfig
import tempfile
import tty
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from littlefs import LittleFS

from loopwarden_build.integer_build import to_device
from loopwarden_build.model import BuildFile
from loopwarden_build.pack import pack_bytes
from loopwarden_install.version import TOP, names, on_board, script_for, version_of
from loopwarden_sim.board_pins import (
    BITE,
    FRAME_BYTES,
    OUT_BYTES,
    RESET,
    CanFrame,
    Harness,
    PinState,
    frames_after,
    read_state,
)

GUEST = Path(__file__).parent / "board_guest"
BLOCKS = 352  # of 4096 bytes: the file system of a board with 2 MB
BLOCK, PROGRAM = 4096, 256
ERASE_US, PROGRAM_US = 45_000, 900  # typical, of the usual flash part (board facts: emulated, no board)
HANG_S = 20  # the guest has not come back for so long in real time: it hangs
POWER_ON = 1 << 8  # of the RP2040's chip reset register, as of the last loss of power
HEAP_BYTES = 1024 * 1024  # 64-bit objects are twice as big, and the stand-ins live in it as well
# By the guest, in the program's parts.
_LOOKED_AT: tuple[str, ...] = ("supervisor", "faults", "active", "actives", "phases", "phase", "stage", "outputs")
_LOOKED_AT += ("drive_limit_permille", "charge_limit_permille")
GO_ON, RAISE, HANG, MEASURE = range(4)


class BoardError(RuntimeError):
    """The virtual board cannot run here, or its process ended by itself; the text says why."""


def make_image(path: Path, build: BuildFile) -> None:
    """Write a flash image as a fresh installation leaves it: the firmware, the build, no fault memory."""
    if not build.pins:
        raise BoardError("the build has no [pins]: it can be simulated, but no board can run it")
    version = version_of(pack_bytes(to_device(build)))
    fs = empty_flash()
    for folder in version.folders():
        fs.mkdir(folder)
    files = {f"{version.name}/{name}": content for name, content in version.files.items()}
    files |= {name: version.files[name] for name in TOP}
    for name, content in {**files, "current.txt": version.name.encode()}.items():
        with fs.open(name, "wb") as file:
            file.write(content)
    path.write_bytes(bytes(fs.context.buffer))


def empty_flash() -> LittleFS:
    """The file system of a board on which nothing but MicroPython is."""
    return LittleFS(block_size=BLOCK, block_count=BLOCKS, prog_size=PROGRAM, read_size=32, cache_size=1024)


def commission(path: Path, build: BuildFile) -> None:
    """Put the fault memory of a commissioned board on a fresh image."""
    with tempfile.TemporaryDirectory() as folder:
        config, script = Path(folder) / "config.json", Path(folder) / "commissioned.py"
        script.write_text(script_for((GUEST / "commissioned.py").read_text()))
        nothing = {
            "begin_us": 0,
            "clock_us": 0,
            "period_us": 20_000,
            "scratch": [0] * 4,
            "chip_reset": POWER_ON,
            "was_reset": 0,
            "erase_us": 0,
            "program_us": 0,
        }
        config.write_text(json.dumps({**Harness(build).config(), **nothing}))
        done = subprocess.run(
            [
                str(interpreter()),
                "-X",
                f"heapsize={HEAP_BYTES}",
                str(script),
                str(config),
                str(path),
            ],
            env={**os.environ, "MICROPYPATH": str(GUEST)},
            capture_output=True,
            text=True,
            timeout=HANG_S,
            check=False,
        )
    if done.stdout.strip() != "stored":
        raise BoardError(f"the fault memory cannot be made: {done.stdout}{done.stderr}")


def _looked_at() -> dict[str, str]:
    """What the guest looks at in the program, by what it is called there."""
    module, loop = on_board("loopwarden.loop", "Loop")
    found = {"module": module, "Loop": loop, "start": on_board("loopwarden.loop", "start")[1]}
    return found | {name: names().attributes.get(name, name) for name in _LOOKED_AT}


def interpreter() -> Path:
    """The 64-bit MicroPython of this environment; BoardError where it has none."""
    found = Path(sysconfig.get_path("scripts")) / "micropython"
    if not found.exists():
        raise BoardError("the virtual board needs the 64-bit MicroPython, which has no build for this system")
    return found


class Bus(Protocol):
    """A CAN bus, looked at once a tick."""

    def heard(self) -> Sequence[CanFrame]:
        """What came since the last look."""

    def say(self, frames: Sequence[CanFrame]) -> None:
        """What the board sent in its tick."""


class VirtualBoard:
    """One board. Attributes: port (path of its serial port), state (its pins after the last tick; None without power).

    image       the flash; made when it does not exist
    stalls      False: writing flash takes no time, as in the host simulation
    clock_us    where its tick counter stands when virtual time begins
    flash_log   a file to which every erase and program is added, for power cuts at each of them
    bus         what is at the other end of its CAN controller; None: nothing, and what it sends goes nowhere
    """

    def __init__(
        self,
        build: BuildFile,
        image: Path,
        *,
        stalls: bool = True,
        clock_us: int = 0,
        heap_bytes: int = HEAP_BYTES,
        flash_log: Path | None = None,
        bus: Bus | None = None,
    ) -> None:
        self._binary = interpreter()
        self.harness = Harness(build)
        self.image = image
        if not image.exists():
            make_image(image, build)
        self._tick_us = round(build.build.tick * 1e6)
        self._stalls = stalls
        self._clock_us = clock_us
        self._heap_bytes = heap_bytes
        self._flash_log = flash_log
        self._bus = bus
        self._folder = Path(tempfile.mkdtemp(prefix="loopwarden-board-"))
        # The board has the one end, whoever opens the port the other; ours keeps it up while nobody does.
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)  # no signals from control bytes, no line editing: as a USB port has none
        os.set_blocking(self._slave, False)
        self.port = os.ttyname(self._slave)
        self._process: subprocess.Popen[bytes] | None = None
        self._to_guest = self._from_guest = -1
        self.state: PinState | None = None
        self.erases = self.programs = self.bad_erases = 0
        self.resets: list[str] = []

    @property
    def running(self) -> bool:
        """Whether the board has power and its program runs."""
        return self._process is not None

    def power_on(self, t_us: int, raw: Any, scratch: tuple[int, int, int, int] = (0, 0, 0, 0)) -> None:
        """Start the program so that it is at its first tick at virtual time `t_us`.

        raw      what its pins see while it starts
        scratch  what a reset has left; zeros after a loss of power
        """
        config = {
            **self.harness.config(),
            "period_us": self._tick_us,
            "begin_us": t_us - self._tick_us,
            "clock_us": self._clock_us,
            "scratch": scratch,
            "erase_us": ERASE_US if self._stalls else 0,
            "program_us": PROGRAM_US if self._stalls else 0,
            "chip_reset": POWER_ON,
            "was_reset": int(any(scratch)),
            "flash_log": None if self._flash_log is None else str(self._flash_log),
            "names": _looked_at(),
        }
        (self._folder / "config.json").write_text(json.dumps(config))
        guest_reads, self._to_guest = os.pipe()
        self._from_guest, guest_writes = os.pipe()
        self._process = subprocess.Popen(
            [
                str(self._binary),
                "-X",
                f"heapsize={self._heap_bytes}",
                str(GUEST / "launch.py"),
                str(self._folder / "config.json"),
                str(self.image),
                str(guest_reads),
                str(guest_writes),
            ],
            stdin=self._master,
            stdout=self._master,
            stderr=self._master,
            pass_fds=(guest_reads, guest_writes),
            env={**os.environ, "MICROPYPATH": str(GUEST)},
            start_new_session=True,
        )
        os.close(guest_reads)
        os.close(guest_writes)
        self.state = self._receive()
        self.tick(raw)

    def power_off(self) -> None:
        """Take the power away, or reset: at once, wherever the program is."""
        if self._process is None:
            return
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        os.close(self._to_guest)
        os.close(self._from_guest)
        self._process = None
        self.state = None

    def tick(self, raw: Any, command: int = GO_ON, *, crash_ended: bool = False) -> PinState:
        """Let the program see `raw` and run until the next tick; returns its pins.

        command  GO_ON, RAISE an exception in it, let it HANG, or MEASURE its heap

        After a reset of its own the state's kind is RESET or BITE, and the board must be started again.
        """
        assert self.state is not None
        heard = () if self._bus is None else self._bus.heard()
        os.write(self._to_guest, self.harness.answer(raw, self.state, command, crash_ended=crash_ended, frames=heard))
        state = self.state = self._receive()
        if self._bus is not None:
            self._bus.say(state.frames)
        self.bad_erases += state.bad_erases
        if state.kind in (RESET, BITE):
            self.resets.append("watchdog" if state.kind == BITE else "reset")
        return state

    def _receive(self) -> PinState:
        message = self._read(OUT_BYTES)
        return read_state(message + self._read(FRAME_BYTES * frames_after(message)))

    def _read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            ready, _, _ = select.select([self._from_guest], [], [], HANG_S)
            part = os.read(self._from_guest, count - len(data)) if ready else b""
            if not part:
                raise BoardError(f"the board's process {'ended' if ready else 'hangs'}: {self.console_text()[-1500:]}")
            data += part
        return data

    def type(self, text: str) -> None:
        """Type at the console, as a terminal would."""
        os.write(self._slave, text.encode("ascii"))

    def send(self, data: bytes) -> int:
        """Send bytes; returns how many the port had room for."""
        try:
            return os.write(self._slave, data) if data else 0
        except BlockingIOError:
            return 0

    def console_bytes(self) -> bytes:
        """What the board has sent and nobody has read yet."""
        said = b""
        with contextlib.suppress(BlockingIOError):
            while True:
                said += os.read(self._slave, 4096)
        return said

    def console_text(self) -> str:
        """The same as text."""
        return self.console_bytes().decode("ascii", "replace")

    def close(self) -> None:
        """End the process and the port; the flash image stays."""
        self.power_off()
        os.close(self._master)
        os.close(self._slave)
        shutil.rmtree(self._folder, ignore_errors=True)
