"""Stand-in for MicroPython's `rp2`: the flash, in a file that outlives the process; it behaves as NOR flash does.

Erasing sets a block to ones, programming only turns ones into zeros, nothing is told of a failure, and both stall the
board. An erase with a coil's pin on is counted: the host judges.
"""

import struct

import wires

BLOCK = 4096
_file = None
_log = None  # every operation, for tests that cut the power at each


def open_image(name, log=None):
    """Called by the launcher: the flash lies in this file, which stays open; `log`: another for what is done to it."""
    global _file, _log
    _file = open(name, "r+b")
    _log = log and open(log, "ab")


def _note(block, offset, data):
    # Block, offset and length, then what was programmed; an erase has no bytes.
    if _log:
        _log.write(struct.pack("<HHH", block, offset, len(data)))
        _log.write(data)
        _log.flush()


class Flash:
    def __init__(self):
        _file.seek(0, 2)
        self.blocks = _file.tell() // BLOCK
        self.old = bytearray(256)

    def readblocks(self, n, buffer, offset=0):
        _file.seek(n * BLOCK + offset)
        _file.readinto(buffer)
        return 0

    def writeblocks(self, n, buffer, offset=0):
        w = wires.WIRES
        done = 0
        size = len(buffer)
        while done < size:
            part = min(256, size - done)
            old = self.old if part == 256 else bytearray(part)
            _file.seek(n * BLOCK + offset + done)
            _file.readinto(old)
            for k in range(part):
                old[k] &= buffer[done + k]
            _file.seek(n * BLOCK + offset + done)
            _file.write(old)
            _note(n, offset + done, old)
            done += part
            w.programs += 1
            w.stall(w.config["program_us"])
        return 0

    def ioctl(self, operation, argument):
        if operation == 4:
            return self.blocks
        if operation == 5:
            return BLOCK
        if operation == 6:
            w = wires.WIRES
            w.erases += 1
            if w.out & w.oe & w.config["coils"]:
                w.bad_erases += 1
            _file.seek(argument * BLOCK)
            _file.write(b"\xff" * BLOCK)
            _note(argument, 0, b"")
            w.stall(w.config["erase_us"])
        return 0
