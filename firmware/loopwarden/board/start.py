"""Puts the parts together on a board and runs the loop; called by main.py and by nobody else."""

import gc
import os
import sys

import rp2
from machine import Pin
from micropython import const

from loopwarden import VERSION, build, loop, words
from loopwarden.board.board import Board, Flash
from loopwarden.board.port import Port
from loopwarden.link.console import Console
from loopwarden.memory.flash import FlashMemory

BUILD_FILE = "build.bin"
START_ERROR = "start_error.txt"
_SERVICE = const(4)  # place in pins_in


def run(feed):
    """Never returns: the loop runs, or the board is reset. Errors: what keeps it from starting, outputs off."""
    gc.disable()  # a collection takes longer than a tick; the loop collects in the off phase
    with open(BUILD_FILE, "rb") as file:
        packed = file.read()
    built = build.load(packed)
    board = Board(built, feed)
    feed()
    if Pin(built.pins_in[_SERVICE], Pin.IN).value():
        board.scratch[3] = loop.SERVICE  # the watchdog runs and cannot be stopped: service needs a start without it
        board.reset()
    memory = FlashMemory(Flash(rp2.Flash(), board.inputs), "memory")
    words.open_texts()
    feed()
    info = {"program": VERSION, "build": packed.split(b"\n", 1)[0].split()[-1].decode(), "runtime": sys.version}
    packed = None
    if START_ERROR in os.listdir():
        os.remove(START_ERROR)
    gc.collect()
    loop.start(board, built, memory, Console(Port(), info), note_error)


def note_error(error):
    """Keep in a file why the program could not start, for whoever comes to the prompt. Outputs off."""
    with open(START_ERROR, "w") as file:
        file.write("%s: %s" % (type(error).__name__, error))
