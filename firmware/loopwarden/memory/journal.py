"""The journal: pages of 256 bytes in blocks erased beforehand, so that storing while live costs one page program.

Knows nothing of what it stores. It writes past the file system into whole blocks that the store has reserved; an erase
happens only when it is asked for one, which the store does with every coil output off.
"""

from micropython import const

from loopwarden.memory.sealed import FOREIGN, HEAD, TAIL, seal, sealed_kind, sequence_of

PAGE = const(256)
BLOCK = const(4096)
ERASED = const(0)  # the kind of a block's first page: this block was erased to the end
_ERASE = const(6)  # block device operation
_PER_BLOCK = const(16)
_TRIES = const(3)


class Journal:
    """Attributes: page (bytearray; write what is to be stored from HEAD on), free (pages left), used (records kept),
    damaged (records that do not read any more), foreign (records of another schema), sequence (of the next record).

    flash   block device with readblocks(n, buffer, offset), writeblocks(n, buffer, offset), ioctl(operation, n)
    blocks  numbers of the reserved blocks
    check   PAGE bytes to read into; what is there may be overwritten in each call
    """

    def __init__(self, flash, blocks, check):
        self.flash = flash
        self.blocks = blocks
        self.page = bytearray(PAGE)
        self.check = check
        self.blank = b"\xff" * PAGE
        self.pages = len(blocks) * _PER_BLOCK
        self.at = self.free = self.used = self.damaged = self.foreign = self.misses = 0
        self.sequence = 1
        self.dirty = bytearray(len(blocks))  # blocks to erase: something was written, or never whether all was erased

    def _read(self, n):
        self.flash.readblocks(self.blocks[n // _PER_BLOCK], self.check, n % _PER_BLOCK * PAGE)

    def scan(self, folded, take):
        """Look at all pages; take(kind, sequence, page) gets each good record above `folded`, in no order.

        At power-up only. What is damaged counts as such only beside records that are not folded: a block whose erase
        was cut short, and the page that was being programmed when the power went, were never called stored.
        """
        newest = -1
        bad = []
        headed = bytearray(len(self.blocks))
        fresh = bytearray(len(self.blocks))
        for n in range(self.pages):
            self._read(n)
            if self.check == self.blank:
                self.free += 1 if n % _PER_BLOCK else 0
                continue
            kind = sealed_kind(self.check, PAGE)
            if kind < 0:
                bad.append(n)
                self.foreign += kind == FOREIGN
                self.dirty[n // _PER_BLOCK] = 1
                continue
            sequence = sequence_of(self.check)
            if sequence >= self.sequence:
                self.sequence = sequence + 1
                newest = n
            if n % _PER_BLOCK == 0:
                headed[n // _PER_BLOCK] = 1
            if kind != ERASED:
                self.used += 1
                self.dirty[n // _PER_BLOCK] = 1
                if sequence > folded:
                    fresh[n // _PER_BLOCK] = 1
                    take(kind, sequence, bytes(self.check))
        self.at = (newest + 1) % self.pages
        self.at += self.at % _PER_BLOCK == 0
        self.damaged = len([n for n in bad if n % _PER_BLOCK and n != self.at and fresh[n // _PER_BLOCK]])
        for block in range(len(self.blocks)):
            if not headed[block]:
                self.dirty[block] = 1

    def commit(self, kind):
        """Program the page in hand and read it back: one program (S8).

        False when it did not hold, or no page is left.
        """
        n = self._blank_page()
        if n < 0:
            return False
        seal(self.page, PAGE, kind, self.sequence)
        block = self.blocks[n // _PER_BLOCK]
        self.flash.writeblocks(block, self.page, n % _PER_BLOCK * PAGE)
        self._read(n)
        self.free -= 1
        self.at = (n + 1) % self.pages
        self.dirty[n // _PER_BLOCK] = 1
        if self.check != self.page:
            self.misses += 1
            return False
        self.misses = 0
        self.used += 1
        self.sequence += 1
        return True

    def failed(self):
        """True when several programs in a row did not hold."""
        return self.misses >= _TRIES

    def _blank_page(self):
        n = self.at
        for _ in range(self.pages):
            if n % _PER_BLOCK:
                self._read(n)
                if self.check == self.blank:
                    return n
            n = (n + 1) % self.pages
        return -1

    def erase(self, k):
        """Erase the k-th block and say so in its first page; False when that did not hold. Coil outputs off only."""
        self.flash.ioctl(_ERASE, self.blocks[k])
        for i in range(HEAD, PAGE - TAIL):
            self.page[i] = 0
        seal(self.page, PAGE, ERASED, self.sequence)
        self.flash.writeblocks(self.blocks[k], self.page, 0)
        self._read(k * _PER_BLOCK)
        if self.check != self.page:
            self.misses += 1
            return False
        self.sequence += 1
        self.misses = 0
        self.dirty[k] = 0
        return True

    def recount(self):
        """After erasing: nothing is kept here any more, and how many pages are free."""
        self.used = self.free = 0
        for n in range(self.pages):
            if n % _PER_BLOCK:
                self._read(n)
                self.free += self.check == self.blank
