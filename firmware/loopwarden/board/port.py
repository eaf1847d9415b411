"""The USB serial port, a byte at a time: whatever the host does, no call waits.

A ready poll promises room for one byte, and no more; a longer write could wait half a second for each byte taken.
"""

import select
import sys


class Port:
    """read() and write(byte), neither of which waits. Heap: none."""

    def __init__(self):
        self.source, self.sink = sys.stdin.buffer, sys.stdout.buffer
        self.coming, self.going = select.poll(), select.poll()
        self.coming.register(sys.stdin, select.POLLIN)
        self.going.register(sys.stdout, select.POLLOUT)
        self.one = bytearray(1)

    def read(self):
        """The next byte, -1 when there is none."""
        for _ in self.coming.ipoll(0):
            if self.source.readinto(self.one, 1) == 1:
                return self.one[0]
        return -1

    def write(self, byte):
        """True when the byte was taken."""
        for _, events in self.going.ipoll(0):
            if events & select.POLLOUT:
                self.one[0] = byte
                self.sink.write(self.one)
                return True
        return False
