"""Stand-in for MicroPython's `time` on the virtual board: the counters wrap at 2**30, as on 32 bits."""

import wires


def ticks_us():
    return wires.WIRES.now()


def ticks_ms():
    wires.WIRES.advance(wires.LOOK_US)
    return wires.WIRES.us // 1000 % wires.WRAP


def ticks_add(ticks, delta):
    return (ticks + delta) % wires.WRAP


def ticks_diff(end, start):
    return (end - start + (wires.WRAP >> 1)) % wires.WRAP - (wires.WRAP >> 1)


def sleep_us(us):
    wires.WIRES.advance(max(us, 0))


def sleep_ms(ms):
    wires.WIRES.advance(ms * 1000)


def sleep(seconds):
    wires.WIRES.advance(int(seconds * 1000000))


def time():
    return 1609459200 + wires.WIRES.us // 1000000  # as a board begins: 2021-01-01
