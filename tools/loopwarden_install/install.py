"""Installing: the steps, in their order, and what each may refuse. Prints nothing.

Whatever stops it, the board keeps starting the version it started before, or none: the one file that names the version
is written last, by the board itself, after it has checked every file of the new one.
"""

import ast
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from loopwarden_install.prompt import Full, Prompt, PromptError
from loopwarden_install.version import PREFIX, Version
from loopwarden_link.client import Link
from loopwarden_link.errors import AtPrompt, LinkError, NoAnswer, OpenError

RUNTIME_MIN = (1, 29, 0)  # older ones lose or corrupt files in cases that this program meets
BYTECODE = 6  # of the compiled files
CHIPS = {0x2: "rp2040", 0x4: "rp2350"}
_SPARE_BYTES = 64 * 1024  # for the fault memory, and for the file system to move things about
_BLOCK = 4096
_START_S = 40.0  # guess: checking every file and removing the old version take seconds of flash
_ANSWER_S = 1.0
_SERVICE = (
    "type `service` at its console (it must be off, its bus proven dead), or power it up with the service switch in"
    " SERVICE"
)

_PROBE = """
import os, sys
try:
    import rp2
    from machine import mem32
    chip = mem32[0x40000000] >> 12 & 0xffff
except ImportError:
    chip = -1
s = os.statvfs("/")
try:
    with open("/current.txt") as file:
        now = file.read().strip()
except OSError:
    now = ""
print((tuple(sys.implementation.version[:3]), sys.implementation._mpy & 0xff, chip, s[0] * s[3], now,
    [e[0] for e in os.ilistdir("/")]))
"""
_FRESH_IMPORTS = """
import sys
for m in [m for m in sys.modules if m.startswith("loopwarden")]:
    del sys.modules[m]
sys.path[:] = [p for p in sys.path if "/version-" not in p]
sys.path.insert(0, "/{name}")
"""
_ASK_INSTALLED = """
from loopwarden.board import installed, service
installed.check("/{name}", str)
print((installed.load_build("/{name}")[0].name, service.bus()))
"""
_REMOVE = """
import os
def remove(path):
    for e in list(os.ilistdir(path)):
        if e[1] == 0x4000:
            remove(path + "/" + e[0])
        else:
            os.remove(path + "/" + e[0])
    os.rmdir(path)
remove("/{name}")
"""
_SWITCH = """
from loopwarden.board.installed import switch
switch("{name}")
"""


class InstallError(Exception):
    """Not installed. str() is one line: the port, what is wrong, what to do next."""


@dataclass(frozen=True)
class Order:
    """What is wanted.

    by_meter     a person proved the bus dead with a tested meter: needed where the board's channel cannot say
    other_build  the board may hold another build
    """

    version: Version
    build_name: str
    chip: str
    by_meter: bool = False
    other_build: bool = False


@dataclass(frozen=True)
class Found:
    """What is on a board at its prompt.

    bus_mv      highest reading of its bus channel; None where that was not valid
    dead_mv     its dead level; None where there is no supervisor on it that could say
    problem     why the version that it names cannot be asked; "" where it can, or there is none
    """

    runtime: tuple[int, ...]
    chip: str
    free_bytes: int
    current: str
    top: tuple[str, ...]
    build_name: str = ""
    bus_mv: int | None = None
    dead_mv: int | None = None
    problem: str = ""


@dataclass(frozen=True)
class Installed:
    """What became of it: the version before ("" for none), the one now, and what the board answers after its start."""

    before: str
    now: str
    answer: dict[str, Any]


def look(prompt: Prompt) -> Found:
    """Ask a board at its prompt what it is and what is on it. Errors: InstallError for one that this cannot run on."""
    port = prompt.port
    try:
        told = ast.literal_eval(prompt.run(_PROBE))
        runtime, bytecode, part, free, current, top = told
    except (PromptError, ValueError, SyntaxError, TypeError) as error:
        raise InstallError(f"{port}: this is no board with MicroPython for a Pico: {error}") from None
    if part not in CHIPS:
        raise InstallError(f"{port}: this board has neither an RP2040 nor an RP2350; nothing was changed on it")
    if tuple(runtime) < RUNTIME_MIN or bytecode != BYTECODE:
        raise InstallError(
            f"{port}: its MicroPython is {'.'.join(map(str, runtime))}; put 1.29 or newer on it first (BOOTSEL)"
        )
    found = Found(tuple(runtime), CHIPS[part], free, current, tuple(top))
    return _ask_installed(prompt, found) if current in top else found


def _ask_installed(prompt: Prompt, found: Found) -> Found:
    try:
        prompt.run(_FRESH_IMPORTS.format(name=found.current))
        name, (bus_mv, dead_mv) = ast.literal_eval(prompt.run(_ASK_INSTALLED.format(name=found.current)))
    except PromptError as error:
        return Found(found.runtime, found.chip, found.free_bytes, found.current, found.top, problem=str(error))
    return Found(found.runtime, found.chip, found.free_bytes, found.current, found.top, name, bus_mv, dead_mv)


def may_install(port: str, found: Found, order: Order) -> None:
    """Raise InstallError where this order must not be carried out on this board now."""
    if order.chip != found.chip:
        raise InstallError(
            f"{port}: the build is for an {order.chip.upper()}, this board has an {found.chip.upper()}: plug in the"
            " right board, or correct build.chip and check its pins",
        )
    if found.dead_mv is not None:
        if found.bus_mv is None and not order.by_meter:
            raise InstallError(
                f"{port}: its bus channel gives no valid reading, so it cannot say that the bus is dead; mend it,"
                " or prove the bus dead with a tested meter and say so with --proven-dead-by-meter"
            )
        if found.bus_mv is not None and found.bus_mv >= found.dead_mv:
            raise InstallError(
                f"{port}: refused, the bus reads {found.bus_mv / 1000:.1f} V and is dead below"
                f" {found.dead_mv / 1000:.1f} V: disconnect and discharge it, prove it dead with a tested meter, then"
                " install again"
            )
    if found.build_name and found.build_name != order.build_name and not order.other_build:
        raise InstallError(
            f"{port}: this board holds the build '{found.build_name}', not '{order.build_name}': plug in the right"
            " board, or say --other-build"
        )
    version = order.version
    need = room_for(version)
    left = found.free_bytes + (0 if version.name not in found.top or version.name == found.current else version.size())
    if version.name != found.current and left < need:
        raise InstallError(
            f"{port}: its flash has {found.free_bytes // 1024} KB left and {need // 1024} KB are needed: remove files"
            f" that are not ours from it (it holds {', '.join(found.top)})"
        )


def room_for(version: Version) -> int:
    """Bytes of flash that a version needs, whole blocks for each file, with something to spare."""
    blocks = sum(-(-len(content) // _BLOCK) for content in version.files.values())
    return blocks * _BLOCK + _SPARE_BYTES


def send(prompt: Prompt, found: Found, version: Version, sent: Callable[[int], None]) -> None:
    """Copy a version into its own folder, have the board check it and switch to it.

    sent    called with the bytes of each file that is over there
    Errors: InstallError; the board then starts what it started before.
    """
    keeps = f"it still starts {found.current}" if found.current in found.top else "it has no whole version"
    try:
        for name in found.top:
            # What an install that was cut off has left; the version that starts stays until the new one has.
            if name.startswith(PREFIX) and name != found.current:
                prompt.run(_REMOVE.format(name=name), 120.0)
        if version.name != found.current or found.problem:
            _copy(prompt, version, sent)
        prompt.run(_FRESH_IMPORTS.format(name=version.name))
        prompt.run(_SWITCH.format(name=version.name), 60.0)
    except Full:
        raise InstallError(
            f"{prompt.port}: its flash filled up; {keeps}. Remove files that are not ours from it, then install again"
        ) from None
    except PromptError as error:
        raise InstallError(
            f"{prompt.port}: not installed, the board {error}; {keeps}, its outputs are off. Plug it in and install"
            " again"
        ) from None


def _copy(prompt: Prompt, version: Version, sent: Callable[[int], None]) -> None:
    prompt.run("import os")
    for folder in version.folders():
        # Only where the version that starts is damaged and put on again does its folder exist already.
        prompt.run(f"try:\n os.mkdir({'/' + folder!r})\nexcept OSError as e:\n if e.errno != 17: raise")
    for path, content in version.files.items():
        prompt.write(f"/{version.name}/{path}", content)
        sent(len(content))


def refuse_a_running_one(port: str) -> None:
    """Raise InstallError unless a prompt, and no supervisor, is at `port`."""
    try:
        with Link(port, answer_s=_ANSWER_S, retries=0) as link:
            link.read("version")
    except (AtPrompt, NoAnswer):
        return  # at its prompt, or nobody: the prompt will tell
    except OpenError as error:
        raise InstallError(str(error)) from None
    except LinkError:
        pass  # an answer of some kind: a supervisor runs
    raise InstallError(f"{port}: refused, the supervisor runs on it: {_SERVICE}, then install again")


def first_answer(port: str) -> dict[str, Any]:
    """What the board says of itself once it has started. Errors: InstallError when it does not answer."""
    until_s = time.monotonic() + _START_S
    said = ""
    while time.monotonic() < until_s:
        try:
            with Link(port, answer_s=_ANSWER_S, retries=0) as link:
                answer: dict[str, Any] = {}
                for part in (*link.read("version"), *link.read("status")):
                    answer |= part
                return answer
        except AtPrompt:
            raise InstallError(
                f"{port}: installed, but the board is at its prompt: put the service switch to RUN, power it off and"
                " on; if it comes back here, /start_error.txt on it says why"
            ) from None
        except LinkError as error:
            said = str(error)
            time.sleep(0.5)
    raise InstallError(f"{port}: installed, but no answer in {_START_S:g} s after the reset: {said}")


def install(
    port: str,
    order: Order,
    *,
    sent: Callable[[int], None] = lambda count: None,
    told: Callable[[Found], None] = lambda found: None,
    open_prompt: Callable[[str], Prompt] = Prompt,
) -> Installed:
    """All of it: look, refuse or send, switch, start, ask. Errors: InstallError.

    sent, told  called with the bytes of each file that is over there; with what was found, before anything is changed
    """
    refuse_a_running_one(port)
    try:
        with open_prompt(port) as prompt:
            found = look(prompt)
            told(found)
            may_install(port, found, order)
            send(prompt, found, order.version, sent)
            prompt.reset()
    except PromptError as error:
        raise InstallError(
            f"{port}: no board with MicroPython answers here: it {error}; is it the right port? If a supervisor is on"
            f" it: {_SERVICE}"
        ) from None
    return Installed(found.current, order.version.name, first_answer(port))
