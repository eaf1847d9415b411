"""What the chip tells of itself: which one it is, and what its last reset was.

Bits: RP2040 VREG_AND_CHIP_RESET CHIP_RESET (8 power-on or brown-out, 16 RUN, 20 debugger), RP2350 POWMAN CHIP_RESET (16
power-on, 17 brown-out, 18 RUN), WATCHDOG REASON (0 timer, 1 forced): the SDK's register headers.
"""

import importlib

import pytest

CAUSE = {2040: 0x40064008, 2350: 0x4010002C}
REASON = {2040: 0x40058008, 2350: 0x400D8008}
WORDS = {
    2040: {8: "power-on or brown-out", 16: "reset pin", 20: "debugger", 3: "not told"},
    2350: {16: "power-on", 17: "brown-out", 18: "reset pin", 3: "not told"},
}


def loaded(chip, cause=0, reason=0):
    import machine

    machine.mem32[CAUSE[chip.kind]] = cause
    machine.mem32[REASON[chip.kind]] = reason
    return importlib.import_module("loopwarden.board.chip")


def test_it_knows_which_chip_it_is_and_its_stepping(chip):
    module = loaded(chip)
    assert (chip.kind, 2) == (module.CHIP, module.STEPPING)


def test_the_last_reset_is_told_in_words(chip):
    for bit, words in WORDS[chip.kind].items():
        assert loaded(chip, 1 << bit).why_reset() == words


@pytest.mark.parametrize("reason", [1, 2])
def test_a_watchdogs_reset_hides_what_was_before_it(chip, reason):
    """The chip keeps the cause of the last loss of power; the watchdog's own register says that this came later."""
    assert loaded(chip, 1 << 8 | 1 << 16, reason).why_reset() == "watchdog, or by its own program"


def test_any_other_chip_is_no_board_of_ours(chip, monkeypatch):
    monkeypatch.setattr(type(__import__("machine").mem32), "__getitem__", lambda self, at: 0x10008927)
    with pytest.raises(ValueError, match="chip 0x10008927 is neither an RP2040 nor an RP2350"):
        loaded(chip)
