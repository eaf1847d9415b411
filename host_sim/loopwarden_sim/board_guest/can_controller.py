"""Stand-in for the driver of a CAN controller, as board/can.py has it: mailboxes out, a buffer in, no filters at all.

So whatever is on the bus reaches the firmware, as it would where a filter is set wrong.
"""

import wires


class Controller:
    MAILBOXES = 3  # frames that can wait for the bus; it takes them between two ticks

    def __init__(self, identifiers):
        self.wanted = identifiers
        self.length = 0

    def send(self, identifier, data):
        w = wires.WIRES
        if len(w.frames_out) >= self.MAILBOXES:
            return False
        w.frames_out.append((identifier, bytes(data)))
        return True

    def receive(self, data):
        w = wires.WIRES
        if not w.frames_in:
            return -1
        identifier, self.length, content = w.frames_in.pop(0)
        data[:] = content
        return identifier
