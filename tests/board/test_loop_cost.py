"""What a tick of the whole loop costs on the 32-bit build, what it leaves on the heap, and what the program holds.

Counted instructions are the same on every machine. The worst of other drives is measured by the bench.
"""

import pytest

from .recorded_pins import loop_cost, started

LIVE_MOST, WORST_MOST = 300_000, 800_000
RECORDING_MOST_PERCENT = 25  # more than without
AFTER_START_MOST = 112_640  # bytes
RP2040_HEAP = 216_000


@pytest.fixture(scope="module")
def chatting():
    return loop_cost("start_drive_stop", 45)


def test_a_live_tick_with_a_chatting_host(chatting):
    assert chatting["ticks"] > 1500
    assert chatting["sent"] > 10_000
    assert chatting["live"] <= LIVE_MOST
    assert chatting["most"] <= WORST_MOST


@pytest.fixture(scope="module")
def alone():
    return loop_cost("start_drive_stop", 45, host="none")


def test_a_tick_in_which_nobody_asks_leaves_nothing_on_the_heap(alone):
    assert alone["quiet_heap"] == 0


def test_what_a_recording_adds_to_a_live_tick(alone):
    """S11, S15."""
    recorded = loop_cost("start_drive_stop", 45, host="records")
    assert recorded["sent"] > 2 * recorded["ticks"]
    assert 100 * recorded["live"] <= (100 + RECORDING_MOST_PERCENT) * alone["live"]
    assert recorded["most"] <= WORST_MOST
    assert recorded["quiet_heap"] == 0


def test_what_the_program_holds_once_it_has_started():
    assert started("start_drive_stop")["ram"] <= AFTER_START_MOST


def test_an_rp2040_has_room_for_what_clears_and_for_a_page():
    """So that parts.py keeps the first and answers with the second: it wants 56 KB and 40 KB beside them."""
    held = started("start_drive_stop")
    assert RP2040_HEAP - held["deeds"] > 56 * 1024
    assert RP2040_HEAP - held["page"] > 40 * 1024
