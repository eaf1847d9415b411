"""A flash whose blocks are the journal's files in a folder: the fault memory under CPython, without littlefs.

It programs and erases as a NOR flash does; the file system beside it is the desk's own. What littlefs itself does at a
power cut is tried where littlefs runs: test_power_cuts.py.
"""

from pathlib import Path

from loopwarden.memory.flash import BLOCKS, FlashMemory

BLOCK = 4096


class DeskFlash:
    """Block n is the file journal<n>. Counts programs and erases; `forbidden` makes an erase an error."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.programs = self.erases = 0
        self.forbidden = False
        self.bad_pages: set[tuple[int, int]] = set()  # (block, offset): programs there do not hold

    def _file(self, n):
        return self.folder / f"journal{n}"

    def _bytes(self, n):
        return bytearray(self._file(n).read_bytes()) if self._file(n).exists() else bytearray(b"\xff" * BLOCK)

    def readblocks(self, n, buffer, offset=0):
        buffer[:] = self._bytes(n)[offset : offset + len(buffer)]

    def writeblocks(self, n, buffer, offset=0):
        assert self._file(n).exists()
        self.programs += 1
        block = self._bytes(n)
        weak = 0x7F if (n, offset) in self.bad_pages else 0xFF
        for k, byte in enumerate(buffer):
            block[offset + k] &= byte & weak
        self._file(n).write_bytes(block)

    def ioctl(self, operation, n):
        if operation == 4:
            return BLOCKS
        if operation == 6:
            assert not self.forbidden, "an erase with a coil output on"
            self.erases += 1
            self._file(n).write_bytes(b"\xff" * BLOCK)
        return 0


def powered(folder: Path) -> FlashMemory:
    """Power up a memory on what lies in the folder."""
    memory = FlashMemory(DeskFlash(folder), str(folder))
    memory.begin()
    return memory
