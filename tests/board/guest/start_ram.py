"""What the program holds of the heap once it has started, and what boot.py costs. A guest script for the 32-bit build.

The parts are made as board/start.py makes them, from compiled files, with stand-ins for `machine` and `rp2` and plain
files for the fault memory; what the stand-ins and the model of the flash hold is taken off where it can be told.
The program is what an installation puts on a board, with its short names; this script and the memory's stand-in go
through `version.script_for`. Files: `config.json`, `build.bin`, `boot.py`. Prints one JSON object: `ram` bytes after a
collection, `deeds` and `page` with what clears, or makes pages, loaded as well; `boot` counted instructions.
"""

import gc
import json
import sys

import vgc
import vtime
import wires
from tick_meter import TickMeter

sys.modules["time"] = vtime
sys.modules["gc"] = vgc
import machine  # noqa: E402, F401
import rp2  # noqa: E402, F401

with open("config.json") as _file:
    wires.connect(json.load(_file), None, None).next_us = 1 << 29


def boot():
    """Instructions until boot.py has made every pin an input, reading and compiling it included."""
    meter = TickMeter()
    meter.start()
    with open("boot.py") as file:
        exec(compile(file.read(), "boot.py", "exec"), {})
    meter.stop()
    return meter.fuel


def made_and_started(kept, load):
    """The parts, as start.py makes them."""
    with open("build.bin", "rb") as file:
        packed = file.read()
    built = kept(load(packed))
    packed = None
    board = Board(built, [].clear)
    flash = PlainFlash()
    memory = PlainMemory(flash, "/memory")
    info = dict.fromkeys(("program", "build", "runtime", "board", "reset"), "x" * 64)
    made = loop.Loop(board, built, memory, Console(Port(), info, False))
    made.supervisor.bind(made.inputs, made.outputs)
    parts.forget_start()  # as the console does after the first tick
    return made, len(flash.image)


cost = boot()
gc.collect()
before = gc.mem_alloc()
from plain_flash import PlainFlash, PlainMemory  # noqa: E402

from loopwarden import loop  # noqa: E402
from loopwarden.board import installed, start  # noqa: E402
from loopwarden.board.board import Board  # noqa: E402
from loopwarden.board.port import Port  # noqa: E402
from loopwarden.build import load  # noqa: E402
from loopwarden.link import parts  # noqa: E402
from loopwarden.link.console import Console  # noqa: E402

made, image = made_and_started(start.Kept, load)
del load, installed, start, sys.modules["plain_power_up"]  # as the board lets go of them
gc.collect()
held = {"ram": gc.mem_alloc() - before - image, "boot": cost}
# One by one, as this build may not collect while something loops.
__import__("loopwarden.policy.fault_table")
__import__("loopwarden.naming")
__import__("loopwarden.writer")
__import__("loopwarden.link.lines")
__import__("loopwarden.link.tables")
__import__("loopwarden.link.rows")
__import__("loopwarden.link.requests")
__import__("loopwarden.link.deeds")
gc.collect()
held["deeds"] = gc.mem_alloc() - before - image
parts.drop(("loopwarden.link.deeds",))
__import__("loopwarden.readings")
__import__("loopwarden.link.pages")
gc.collect()
held["page"] = gc.mem_alloc() - before - image
print(json.dumps(held))
