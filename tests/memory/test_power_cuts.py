"""Power cuts at every flash operation, on MicroPython's own littlefs over a NOR flash (S8, S9).

Every program and erase of eight sessions that journal, fold, heal, clear and lock, in four ways (nothing done, half,
random bits, all), every fifth with a second cut in the recovery. What a real half-erased cell does later is not in it.
"""

import sys

import pytest

from .guest_runs import cuts, wear

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the 64-bit MicroPython has no wheel for Windows")


@pytest.mark.parametrize("start", ["blank", "fresh", "full", "aged"])
def test_a_power_cut_loses_nothing_that_was_stored_and_invents_nothing(start):
    """From the first power-up on, on a file system with two free blocks, on one aged past littlefs' relocations."""
    answer = cuts(start)
    assert answer["losses"] == []
    assert answer["lost"] == 0
    assert answer["cuts"] > 600


@pytest.mark.parametrize("broken", ["erases first", "trusts", "believes"])
def test_a_memory_that_is_broken_on_purpose_is_found_out(broken):
    """Or the test above could not fail."""
    assert cuts("fresh", broken=broken)["lost"] > 10


@pytest.mark.outside(
    subject="board and runtime",
    source="data sheet of the usual flash part, from memory",
    value="a block stands 100,000 erases",
)
def test_what_is_stored_while_live_costs_no_erase_and_little_wear_after():
    """A block of the usual part stands 100,000 erases (its data sheet, from memory)."""
    answer = wear()
    assert answer["erases_live"] == 0
    assert answer["records"] == 1200
    assert answer["erases"] < answer["records"]
    assert answer["most"] < 250  # of one block, in 200 drives
