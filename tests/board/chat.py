"""Hosts that talk to a virtual board while a scenario runs: one that asks all the time, one that sends anything.

For tests and benchmarks; what they show is counted, what must hold is judged by whoever calls them.
"""

import binascii
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sim.board_bench import RecordedBoard, Tick, fresh_image

from loopwarden_sim.runner import Outcome
from loopwarden_sim.scenario import Scenario
from loopwarden_sim.virtual_board import HEAP_BYTES, MEASURE, VirtualBoard

COMMANDS = (b"status", b"faults", b"limits", b"inputs", b"starts", b"help", b"version", b"build", b"storage")
# Anything that a person, a tool or a desktop may send. "service" is not among it: when off and dead it is granted.
PIECES = (
    *COMMANDS,
    b"why drive limit",
    b"faults P0AA6-00",
    b"clear all",
    b"serve",
    b"clear crash",
    b"acknowledge crash",
    b"\r\x03\r\x01",  # how a tool asks for the raw prompt
    b"\x04",
    b"AT\r\nAT+GCAP\r\n",
    b"\x1b[A\x1b[200~",
    b"import machine; machine.reset()\r",
    b"x" * 300,
    b"\xff\xfe\x00",
    "é∞".encode(),
    b"@",
    b"@1 status *00000000\r",
    b"\b" * 40,
    b'{"n":1}\r',
)


def sealed(n: int, command: bytes) -> bytes:
    """A program's request as a line."""
    line = b"@%d %s" % (n, command)
    return b"%s *%08x\r" % (line, binascii.crc32(line))


def rubbish(source: random.Random) -> bytes:
    """Some bytes of a host gone wild: whole requests, damaged ones, handshakes, noise."""
    kind = source.randrange(8)
    if kind < 4:
        return source.randbytes(source.randrange(1, 300))
    if kind == 4:
        return sealed(source.randrange(65536), source.choice(COMMANDS))
    piece = bytearray(source.choice(PIECES) if kind != 5 else sealed(1, source.choice(COMMANDS)))
    for _ in range(source.randrange(4)):
        at = source.randrange(len(piece) + 1)
        if source.random() < 0.5:
            piece[at:at] = source.randbytes(1)
        else:
            del piece[at : at + 1]
    return bytes(piece) + source.choice((b"", b"\r", b"\n", b"\r\n"))


@dataclass
class Talk:
    """What came of a run with a host: bytes sent to and taken by the board, its answers' bytes, the run itself."""

    sent: int = 0
    heard: int = 0
    said: list[str] = field(default_factory=list)  # what was taken, in order
    ticks: dict[int, Tick] = field(default_factory=dict)
    outcome: Outcome | None = None
    resets: list[str] = field(default_factory=list)
    bad_erases: int = 0
    heap: dict[int, int] = field(default_factory=dict)  # tick to bytes in use, garbage taken off


def run_with_host(
    scenario: Scenario,
    image: Path,
    host: Callable[[int], bytes] | None,
    *,
    reads: Callable[[int], bool] = lambda tick: True,
    measured: tuple[int, ...] = (),
    heap_bytes: int = HEAP_BYTES,
) -> Talk:
    """Run a scenario; `host(tick)` gives what is sent before a tick, `reads(tick)` says whether answers are taken.

    What the port has no room for is kept for the next tick, as a system does. measured: ticks at which the heap that is
    alive is measured. heap_bytes: of the board, all told.
    """
    talk = Talk()
    board = VirtualBoard(scenario.build, fresh_image(scenario, image), stalls=False, heap_bytes=heap_bytes)
    waiting = b""
    try:
        run: Any = RecordedBoard(scenario, board)
        begin = run.begin

        def begin_and_talk(tick: int) -> None:
            nonlocal waiting
            begin(tick)
            if tick in measured:
                run.command = MEASURE
            if tick - 1 in measured and board.state is not None:
                talk.heap[tick - 1] = board.state.heap
            if reads(tick):
                said = board.console_text()
                talk.heard += len(said)
                talk.said.append(said)
            if host is not None:
                waiting = waiting or host(tick)
                done = board.send(waiting)
                talk.sent += done
                waiting = waiting[done:]

        run.begin = begin_and_talk
        talk.outcome = run.go(None, None)
        talk.ticks, talk.resets, talk.bad_erases = run.ticks, board.resets, board.bad_erases
    finally:
        board.close()
    return talk


def breaches(quiet: Talk, wild: Talk) -> int:
    """What a host has changed: ticks that decided something else or are missing, broken promises, resets, erases."""
    assert wild.outcome is not None
    ticks = sum(wild.ticks.get(number) != tick for number, tick in quiet.ticks.items())
    ended = bool(wild.outcome.failure)
    return ticks + len(wild.outcome.breaches) + len(wild.resets) + wild.bad_erases + ended


def wild_host(seed: int) -> Callable[[int], bytes]:
    """A host that sends rubbish before every tick, more than the port takes."""
    source = random.Random(seed)
    return lambda tick: b"".join(rubbish(source) for _ in range(4))


def now_and_then(tick: int) -> bool:
    """A reader that stops for ten seconds of every thirty."""
    return tick // 500 % 3 != 2


def curious_host(tick: int) -> bytes:
    """A program that asks once a second, all that there is in turn."""
    return sealed(tick % 65536, (*COMMANDS, b"why drive limit")[tick // 50 % 10]) if tick % 50 == 0 else b""
