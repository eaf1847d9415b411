"""A fault memory for the 32-bit build, which has no littlefs: files in its own folder, the journal beside them."""

from loopwarden.memory.flash import BLOCKS, FlashMemory


class PlainFlash:
    """Copies whole buffers; the journal only programs what is erased."""

    def __init__(self):
        self.image = bytearray(b"\xff" * (4096 * BLOCKS))
        self.view = memoryview(self.image)
        self.programs = self.erases = 0

    def readblocks(self, n, buffer, offset=0):
        at = n * 4096 + offset
        buffer[:] = self.view[at : at + len(buffer)]

    def writeblocks(self, n, buffer, offset=0):
        at = n * 4096 + offset
        self.programs += 1
        self.view[at : at + len(buffer)] = buffer

    def ioctl(self, operation, n):
        self.erases += operation == 6
        return 0


class PlainMemory(FlashMemory):
    """Whose journal lies beside its files."""

    def _power_up(self):
        from plain_power_up import PlainPowerUp  # held by nobody, as its like on a board

        return PlainPowerUp(self)
