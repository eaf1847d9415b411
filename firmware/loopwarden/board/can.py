"""The seam to a CAN controller: frames out, and those of the build's sensors in; whatever comes, no call waits (S11).

No driver is part of this version. One that is to come is a module `can_controller` on the board, with

    Controller(identifiers)        those that are wanted, for its filters; bit 29 set marks an extended one
    send(identifier, data)         True when the eight bytes were taken; never waits
    receive(data)                  the next frame: its identifier, its bytes in place, or -1; never waits
    length                         how many bytes the last one received had

and none of them takes from the heap. Without one nothing is sent and nothing is heard: a build that measures over CAN
then has no reading, and does not start (S10).
"""

from micropython import const

_TAKEN_MAX = const(16)  # frames a tick; a flood that its filters let through costs no more, and the rest is lost
_NONE = const(-1)


def fitted(board, build, link):
    """Put CAN on a board: what comes in is sampled with the pins. Returns the link that the loop is to work for."""
    can = Can(build)
    board.sample = can.sampled(board.sample)
    if build.can[0] < 0:
        return link
    from loopwarden.link.frames import Frames

    return Frames(can, build, link)


class Can:
    """Bound to one build; `sampled` puts what came in front of the pins. Heap: none after the start."""

    def __init__(self, build):
        at = 2 + build.can[1]
        self.isolation, self.speed = [(wanted or (_NONE, 0))[:2] for wanted in (build.can[2:at], build.can[at:])]
        self.data = bytearray(8)
        self.controller = None
        try:
            from can_controller import Controller

            self.controller = Controller([n for n, _ in (self.isolation, self.speed) if n >= 0])
        except ImportError:
            pass

    def send(self, identifier, data):
        """True when the frame was taken."""
        try:
            return self.controller is not None and self.controller.send(identifier, data)
        except Exception:  # it must not end the drive, and is not asked again
            self.controller = None
            return False

    def sampled(self, sample):
        """What `Board.sample` becomes: it takes what came, then does what it did; the same where no sensor is here."""
        if not (self.isolation[1] or self.speed[1]):
            return sample

        def both(raw):
            self.take(raw)
            sample(raw)

        return both

    def take(self, raw):
        """The last frame of each sensor since the last tick; others, and those of another length, are nobody's."""
        raw.isolation_fresh = raw.speed_fresh = 0
        try:
            self._take(raw, self.controller, self.data)
        except Exception:  # as above; what it told grows old (S10)
            self.controller = None

    def _take(self, raw, controller, data):
        left = 0 if controller is None else _TAKEN_MAX
        while left:
            left -= 1
            identifier = controller.receive(data)
            if identifier < 0:
                return
            if identifier == self.isolation[0] and controller.length == self.isolation[1]:
                raw.isolation_fresh = 1
                self._copy(raw.isolation_data)
            if identifier == self.speed[0] and controller.length == self.speed[1]:
                raw.speed_fresh = 1
                self._copy(raw.speed_data)

    def _copy(self, to):
        k = 8
        while k:
            k -= 1
            to[k] = self.data[k]
