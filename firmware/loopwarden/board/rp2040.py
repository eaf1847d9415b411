"""Addresses and bits of the RP2040 (data sheet: SIO, IO_BANK0, WATCHDOG). Decides nothing."""

from micropython import const

GPIO_IN = const(0xD0000004)  # every pin's level in one read
GPIO_OUT_SET = const(0xD0000014)
GPIO_OUT_CLR = const(0xD0000018)
# Raw interrupts, four bits a pin, eight pins a word: edges stay latched until written, with or without an interrupt,
# through every stall of flash or collector.
EDGES = const(0x400140F0)
FELL = const(4)
# Words 0 to 3 outlive watchdog and reset, not a loss of power. Whole numbers of this size lie on the heap, so the
# addresses are made once.
SCRATCH = (0x4005800C, 0x40058010, 0x40058014, 0x40058018)
