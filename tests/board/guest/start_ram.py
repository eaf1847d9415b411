"""What the program holds of the heap once it has started, and what boot.py costs. A guest script for the 32-bit build.

The parts are made as board/start.py makes them, from compiled files, with stand-ins for `machine` and `rp2` and plain
files for the fault memory; what the stand-ins and the model of the flash hold is taken off where it can be told.
Files: `config.json`, `build.bin`, `boot.py`. Prints one JSON object: `ram` bytes after a collection, `boot` counted
instructions.
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


def start():
    """The parts, as start.py makes them."""
    with open("build.bin", "rb") as file:
        packed = file.read()
    from plain_flash import PlainFlash, PlainMemory

    from loopwarden import loop
    from loopwarden.board import installed as _  # noqa: F401
    from loopwarden.board import start as board_start
    from loopwarden.board.board import Board
    from loopwarden.board.port import Port
    from loopwarden.build import load
    from loopwarden.link import parts
    from loopwarden.link.console import Console

    built = board_start.Kept(load(packed))
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
made, image = start()
gc.collect()
print(json.dumps({"ram": gc.mem_alloc() - before - image, "boot": cost}))
