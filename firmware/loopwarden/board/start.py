"""Puts the parts together on a board and runs the loop; called by main.py and by nobody else."""

import gc
import os
import sys

import rp2

from loopwarden import VERSION, loop
from loopwarden.board.board import Board, Flash
from loopwarden.board.chip import CHIP, STEPPING, why_reset
from loopwarden.board.port import Port
from loopwarden.link.console import Console
from loopwarden.link.parts import WHOLE_FREE
from loopwarden.memory.flash import FlashMemory

START_ERROR = "start_error.txt"
_BUILD_REJECTED, _INSTALL_INCOMPLETE = 77, 78  # rows


class Kept:
    """The values of a checked build, without the code that checked it, which the heap of an RP2040 has no room for."""

    def __init__(self, built):
        for name in built.__dict__:
            value = getattr(built, name)
            setattr(self, name, tuple(value) if type(value) is list else value)  # a list has room to grow, for good


def run(feed, folder):
    """Never returns: the loop runs, or the board is reset. Errors: what keeps it from starting, outputs off.

    folder  of the version that main.py found named and checked; main.py may be older or newer, so what they have
            between them stays as it is
    """
    gc.disable()  # a collection takes longer than a tick; the loop collects in the off phase
    gc.collect()  # what loading has left would stay until then
    built, digest, image = _build_of(folder)
    gc.collect()
    board = Board(built, feed)
    feed()
    memory = FlashMemory(Flash(rp2.Flash(), board.inputs), "/memory")
    feed()
    info = {
        "program": VERSION,
        "build": digest,
        "runtime": sys.version,
        "board": "RP%d, stepping %d" % (CHIP, STEPPING),
        "reset": why_reset(),
        "image": image,
    }
    row = _last_start()
    _remove_others(feed)  # this one got as far as it can without ticking
    gc.collect()
    console = Console(Port(), info, gc.mem_free() >= WHOLE_FREE)
    feed()
    gc.collect()
    if built.can:  # a build without does not hold what it takes
        from loopwarden.board.can import fitted

        console = fitted(board, built, console)
    loop.start(board, built, memory, console, note_error, row)


def _build_of(folder):
    # Imported in here: what no name of this module holds can go once the loop runs (link/parts.py).
    from loopwarden.board.installed import BUILD_FILE, load_build

    built, digest = load_build(folder)
    return Kept(built), digest, folder + "/" + BUILD_FILE


def _remove_others(feed):
    from loopwarden.board.installed import others, remove

    for name in others():
        remove("/" + name, feed)


def _last_start():
    # What kept the last start from starting could not be stored then: nobody ran who could.
    if START_ERROR not in os.listdir("/"):
        return 0
    with open("/" + START_ERROR) as file:
        row = _BUILD_REJECTED if "build:" in file.read() else _INSTALL_INCOMPLETE
    os.remove("/" + START_ERROR)
    return row


def note_error(error):
    """Keep in a file why the program could not start, for whoever comes to the prompt. Outputs off."""
    with open("/" + START_ERROR, "w") as file:
        file.write("%s: %s" % (type(error).__name__, error))
