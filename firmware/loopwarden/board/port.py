"""The USB serial port, a byte at a time: whatever the host does, no call waits.

A ready poll promises room for one byte, and no more; a longer write could wait half a second for each byte taken.
"""

import select
import sys

from micropython import const

_POLLOUT = const(4)  # as in select


class Port:
    """read(): the next byte, -1 when there is none; write(byte): True when it was taken. Neither waits. Heap: none.
    ready(0), put(buffer, at, 1): what write is made of, for who sends a lot: one byte for each time that it is ready.

    Both are closures: a name that a function closes over is found several times quicker than an attribute.
    """

    def __init__(self):
        coming, going = select.poll(), select.poll()
        coming.register(sys.stdin, select.POLLIN)
        going.register(sys.stdout, select.POLLOUT)
        one = bytearray(1)
        self.read = _reader(coming.ipoll, sys.stdin.buffer.readinto, one)
        self.ready, self.put = going.ipoll, sys.stdout.buffer.write
        self.write = _writer(self.ready, self.put, one)


def _reader(ready, take, one):
    def read():
        for _ in ready(0):
            if take(one, 1) == 1:
                return one[0]
        return -1

    return read


def _writer(ready, put, one):
    def write(byte):
        one[0] = byte
        for found in ready(0):
            if found[1] & _POLLOUT:
                put(one)
                return True
        return False

    return write
