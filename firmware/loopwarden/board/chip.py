"""Which chip this is, and its addresses and bits. Decides nothing.

From the data sheets of RP2040 and RP2350: SYSINFO, SIO, IO_BANK0, WATCHDOG, VREG_AND_CHIP_RESET or POWMAN. On neither
tried: no board was at hand. Errors: ValueError at import on any other chip.
"""

from machine import mem32
from micropython import const

_PART = const(0x0FFFF000)
_ID = mem32[0x40000000]
STEPPING = _ID >> 28  # an RP2350 of stepping A2 needs 8 kohm or less at every input (its erratum E9)

# Raw interrupts, four bits a pin, eight pins a word: edges stay latched until written, with or without an interrupt,
# through every stall of flash or collector.
FELL = const(4)
GPIO_IN = const(0xD0000004)  # every pin's level in one read
# Whole numbers of this size lie on the heap, so the addresses are made once.
if _ID & _PART == 0x2000:
    CHIP = 2040
    GPIO_OUT_SET, GPIO_OUT_CLR = 0xD0000014, 0xD0000018
    EDGES = 0x400140F0
    _WATCHDOG, _CHIP_RESET = 0x40058000, 0x40064008
    _CAUSES = ((8, "power-on or brown-out"), (16, "reset pin"), (20, "debugger"))
elif _ID & _PART == 0x4000:
    CHIP = 2350
    GPIO_OUT_SET, GPIO_OUT_CLR = 0xD0000018, 0xD0000020
    EDGES = 0x40028230
    _WATCHDOG, _CHIP_RESET = 0x400D8000, 0x4010002C
    _CAUSES = ((17, "brown-out"), (16, "power-on"), (18, "reset pin"))
else:
    raise ValueError("chip 0x%08x is neither an RP2040 nor an RP2350" % _ID)

# Words 0 to 3 outlive watchdog and reset, not a loss of power.
SCRATCH = (_WATCHDOG + 12, _WATCHDOG + 16, _WATCHDOG + 20, _WATCHDOG + 24)
_REASON = _WATCHDOG + 8


def why_reset():
    """What the last reset was, in words. The chip cannot tell a watchdog's bite from a reset by the program."""
    if mem32[_REASON] & 3:
        return "watchdog, or by its own program"
    cause = mem32[_CHIP_RESET]
    for bit, text in _CAUSES:
        if cause >> bit & 1:
            return text
    return "not told"
