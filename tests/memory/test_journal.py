"""The journal by itself, on a flash of three blocks: which page comes next, what counts, what is to be erased."""

import struct
import zlib

import pytest

from loopwarden.memory.journal import PAGE, Journal

BLOCKS = (4, 0, 2)  # numbers of the blocks, in the journal's order
KIND = 3


class Nor:
    """Programming clears bits, erasing sets those of a block; reads count, and pages may be weak."""

    def __init__(self):
        self.blocks = {n: bytearray(b"\xff" * 4096) for n in BLOCKS}
        self.programs = []
        self.weak = set()  # (block, page)

    def readblocks(self, n, buffer, offset):
        buffer[:] = self.blocks[n][offset : offset + len(buffer)]

    def writeblocks(self, n, buffer, offset):
        assert len(buffer) == 256
        self.programs.append((BLOCKS.index(n), offset // 256))
        mask = 0xFE if (n, offset // 256) in self.weak else 0xFF
        for k, byte in enumerate(buffer):
            self.blocks[n][offset + k] &= byte & mask

    def ioctl(self, operation, n):
        assert operation == 6  # MicroPython's block device: erase
        self.blocks[n][:] = b"\xff" * 4096


def erased(flash=None):
    """A journal whose blocks were all erased by it: sequences 1 to 3 are in their first pages."""
    journal = Journal(flash or Nor(), BLOCKS, bytearray(PAGE))
    assert all(journal.erase(k) for k in range(3))
    journal.recount()
    return journal


def scanned(flash, folded=0):
    """A journal found on a flash, and what it handed over: (kind, sequence, first byte)."""
    journal, taken = Journal(flash, BLOCKS, bytearray(PAGE)), []
    journal.scan(folded, lambda kind, sequence, page: taken.append((kind, sequence, page[8])))
    return journal, taken


def store(journal, *numbers):
    for number in numbers:
        journal.page[8] = number
        assert journal.commit(KIND)


def damage(flash, block, page, at=100):
    flash.blocks[BLOCKS[block]][256 * page + at] ^= 0x40


def test_a_flash_on_which_nothing_was_ever_erased_by_it_is_erased_before_it_is_trusted():
    journal, taken = scanned(Nor())
    assert (journal.free, journal.used, journal.damaged, journal.foreign, journal.sequence) == (45, 0, 0, 0, 1)
    assert list(journal.dirty) == [1, 1, 1]
    assert taken == []


def test_erasing_says_so_in_the_first_page_and_leaves_fifteen_free():
    journal = erased()
    assert (journal.free, journal.used, journal.sequence) == (45, 0, 4)
    assert list(journal.dirty) == [0, 0, 0]
    for k, n in enumerate(BLOCKS):
        page = bytes(journal.flash.blocks[n][:256])
        assert page[:8] == struct.pack("<HBBI", 0x574C, 0, 2, k + 1)
        assert page[8:252] == bytes(244)
        assert page[252:] == struct.pack("<I", zlib.crc32(page[:252]))
    again, taken = scanned(journal.flash)
    assert (again.free, again.used, again.sequence, list(again.dirty)) == (45, 0, 4, [0, 0, 0])
    assert taken == []
    assert again.at == 33  # behind the first page of the block erased last


def test_pages_follow_each_other_through_all_blocks_but_for_their_first():
    journal = erased()
    before = len(journal.flash.programs)
    store(journal, *range(45))
    assert journal.flash.programs[before:] == [(k, page) for k in range(3) for page in range(1, 16)]
    assert (journal.free, journal.used, journal.sequence) == (0, 45, 49)
    assert not journal.commit(KIND)
    assert len(journal.flash.programs) == before + 45
    assert (journal.free, journal.used, journal.sequence) == (0, 45, 49)
    assert not journal.failed()
    again, taken = scanned(journal.flash)
    assert (again.free, again.used, again.sequence, again.damaged) == (0, 45, 49, 0)
    assert taken == [(KIND, 4 + k, k) for k in range(45)]
    assert list(again.dirty) == [1, 1, 1]


@pytest.mark.parametrize("stored", [0, 1, 14, 15, 16, 29, 30, 31, 44])
def test_it_goes_on_behind_the_newest_page(stored):
    journal = erased()
    store(journal, *range(stored))
    again, taken = scanned(journal.flash)
    assert len(taken) == again.used == stored
    assert (again.free, again.sequence) == (45 - stored, 4 + stored)
    assert [bool(dirty) for dirty in again.dirty] == [stored > 15 * k for k in range(3)]
    store(again, 99)
    expected = stored if stored else 30  # nothing stored: behind the first page of the block erased last
    assert again.flash.programs[-1] == (expected // 15, expected % 15 + 1)
    assert bytes(again.flash.blocks[BLOCKS[expected // 15]])[256 * (expected % 15 + 1) + 8] == 99


def test_behind_the_last_page_comes_the_first_that_is_free():
    """After the first blocks were erased while the last one still holds records."""
    journal = erased()
    store(journal, *range(45))
    assert journal.erase(0)
    assert list(journal.dirty) == [0, 1, 1]
    journal.recount()
    assert (journal.free, journal.used) == (15, 0)
    store(journal, 77)
    assert journal.flash.programs[-1] == (0, 1)
    again, taken = scanned(journal.flash, 48)
    assert taken == [(KIND, 50, 77)]  # the erase took 49
    assert again.sequence == 51
    store(again, 78)
    assert again.flash.programs[-1] == (0, 2)


def test_only_records_above_what_is_folded_are_handed_over():
    journal = erased()
    store(journal, 10, 11, 12)
    again, taken = scanned(journal.flash, 5)
    assert taken == [(KIND, 6, 12)]
    assert again.used == 3  # to be erased all the same
    assert list(again.dirty) == [1, 0, 0]


def test_a_page_that_does_not_hold_is_passed_over_and_three_in_a_row_are_a_failure():
    journal = erased()
    journal.flash.weak |= {(4, 1), (4, 2), (4, 4), (4, 5), (4, 6)}
    for free in (44, 43):
        assert not journal.commit(KIND)
        assert (journal.free, journal.used, journal.sequence, journal.failed()) == (free, 0, 4, False)
    assert list(journal.dirty) == [1, 0, 0]
    store(journal, 50)
    assert (journal.free, journal.used, journal.sequence) == (42, 1, 5)
    for failed in (False, False, True):
        assert not journal.commit(KIND)
        assert journal.failed() is failed


def test_a_block_whose_first_page_does_not_hold_is_not_called_erased():
    journal = erased()
    store(journal, 1)
    journal.flash.weak.add((4, 0))
    for failed in (False, False, True):
        assert journal.erase(0) is False
        assert (journal.dirty[0], journal.sequence, journal.failed()) == (1, 5, failed)
    journal.flash.weak.clear()
    assert journal.erase(0) is True
    assert (journal.dirty[0], journal.sequence, journal.failed()) == (0, 6, False)


def test_a_page_that_holds_ends_a_row_of_bad_ones():
    journal = erased()
    journal.flash.weak |= {(4, page) for page in (1, 2, 4, 5)}
    for holds in (False, False, True, False, False):
        assert journal.commit(KIND) is holds
        assert not journal.failed()


@pytest.mark.parametrize(
    ("block", "page", "counts"),
    [(0, 1, 1), (0, 2, 1), (0, 15, 1), (0, 0, 0), (1, 1, 1), (1, 3, 0), (1, 0, 0), (2, 0, 0)],
)
def test_what_is_damaged_counts_beside_records_that_are_not_folded(block, page, counts):
    """Not a first page, whose erase was cut short, and not the page behind the newest, whose program was."""
    journal = erased()
    store(journal, *range(17))  # up to page 2 of the second block
    flash = journal.flash
    if (block, page) == (1, 3):
        flash.blocks[BLOCKS[1]][256 * 3 : 256 * 3 + 60] = bytes(60)
    else:
        damage(flash, block, page)
    again, _ = scanned(flash)
    assert (again.damaged, again.foreign) == (counts, 0)
    assert again.dirty[block] == 1


def test_what_is_damaged_among_folded_records_does_not_count():
    """They lie in their files; the erase that was to follow is made up for."""
    journal = erased()
    store(journal, *range(17))
    damage(journal.flash, 0, 3)
    assert scanned(journal.flash, folded=17)[0].damaged == 1  # the 15th page of the first block is not folded
    assert scanned(journal.flash, folded=18)[0].damaged == 0
    for page in (3, 4, 5):
        damage(journal.flash, 0, page, at=9)
    assert scanned(journal.flash)[0].damaged == 3


def test_a_page_that_is_damaged_is_neither_free_nor_used():
    journal = erased()
    store(journal, 1, 2, 3)
    damage(journal.flash, 0, 2)
    again, taken = scanned(journal.flash)
    assert (again.free, again.used) == (42, 2)
    assert [number for _, _, number in taken] == [1, 3]
    damage(journal.flash, 1, 0)
    assert scanned(journal.flash)[0].free == 42
    assert list(scanned(journal.flash)[0].dirty) == [1, 1, 0]


def test_a_page_of_another_schema_is_foreign():
    journal = erased()
    store(journal, 1, 2, 3)
    for page in (1, 2):
        content = journal.flash.blocks[4][256 * page : 256 * page + 256]
        content[3] = 3
        content[-4:] = struct.pack("<I", zlib.crc32(content[:-4]))
        journal.flash.blocks[4][256 * page : 256 * page + 256] = content
    again, taken = scanned(journal.flash)
    assert again.foreign == 2
    assert [number for _, _, number in taken] == [3]


def test_the_newest_page_is_the_one_with_the_highest_sequence_wherever_it_lies():
    """The second block's records are older than the first one's, which was erased in between."""
    journal = erased()
    store(journal, *range(20))
    assert journal.erase(0)
    journal.at = 1
    store(journal, 70, 71)
    again, taken = scanned(journal.flash)
    assert again.sequence == taken[1][1] + 1
    assert again.at == 3
    assert [number for _, _, number in taken] == [70, 71, *range(15, 20)]
    assert again.damaged == 0


def test_recounting_counts_blank_pages_only():
    journal = erased()
    store(journal, 1, 2)
    assert journal.erase(2)
    journal.recount()
    assert (journal.free, journal.used) == (43, 0)
