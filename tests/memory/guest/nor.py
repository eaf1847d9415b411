"""A NOR flash that forgets nothing by itself, and can lose its power in the middle of an operation; runs everywhere.

Erasing sets a block of 4096 bytes to ones, programming only turns ones into zeros: as a flash does, and as a file does
not. Nothing is told of an operation that failed, as on the board.
"""

BLOCK = 4096
NOTHING, HALF, RANDOM, ALL = range(4)  # how much of the operation is done when the power goes
WAYS = (NOTHING, HALF, RANDOM, ALL)


class PowerCut(Exception):
    """The power went; whatever was in RAM is gone."""


class Nor:
    """A block device with the extended interface, readblocks(n, buffer, offset) and so on.

    programs, erases   done so far; operations: both
    cut_at, way        the operation, counted from 0, in which the power goes, and how; -1 never
    """

    def __init__(self, blocks, image=None):
        self.blocks = blocks
        self.image = bytearray(b"\xff" * (blocks * BLOCK)) if image is None else image
        self.programs = self.erases = self.operations = 0
        self.cut_at = -1
        self.way = NOTHING
        self.seed = 1
        self.off = False
        self.erased = None  # called before each erase; a test counts or forbids there

    def readblocks(self, n, buffer, offset=0):
        """Fill `buffer` from block `n` on."""
        if self.off:
            return -5  # EIO, without the heap: a collector that closes what a cut left open has none
        at = n * BLOCK + offset
        memoryview(buffer)[:] = memoryview(self.image)[at : at + len(buffer)]
        return 0

    def writeblocks(self, n, buffer, offset=0):
        """Program: bits go from 1 to 0 only."""
        if self.off:
            return -5
        at = n * BLOCK + offset
        image = self.image
        self.programs += 1
        if not self._cuts():
            for k in range(len(buffer)):
                image[at + k] &= buffer[k]
            return 0
        size = len(buffer) if self.way == ALL else len(buffer) // 2 if self.way == HALF else 0
        for k in range(size):
            image[at + k] &= buffer[k]
        if self.way == RANDOM:
            for k in range(len(buffer)):
                image[at + k] &= buffer[k] | self._random()
        self._gone()

    def ioctl(self, operation, argument):
        """4: blocks, 5: bytes in one, 6: erase one."""
        if operation == 4:
            return self.blocks
        if operation == 5:
            return BLOCK
        if operation == 6:
            if self.off:
                return -5
            self._erase(argument)
        return 0

    def _erase(self, n):
        if self.erased:
            self.erased(n)
        self.erases += 1
        at = n * BLOCK
        size = BLOCK
        cut = self._cuts()
        if cut:
            size = BLOCK if self.way == ALL else BLOCK // 2 if self.way == HALF else 0
        self.image[at : at + size] = b"\xff" * size
        if cut and self.way == RANDOM:
            for k in range(at, at + BLOCK):
                self.image[k] |= self._random()
        if cut:
            self._gone()

    def _cuts(self):
        self.operations += 1
        return self.operations - 1 == self.cut_at

    def _gone(self):
        self.off = True
        raise PowerCut("in operation %d" % self.cut_at)

    def _random(self):
        self.seed = (self.seed * 1103515245 + 12345) & 0x3FFFFFFF
        return self.seed >> 15 & 0xFF
