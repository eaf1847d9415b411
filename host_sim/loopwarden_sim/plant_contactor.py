"""One contactor: coil to contact with travel time and bounce, and the ways in which it fails."""

import math


class Contactor:
    """`closed` is the main contact, 0 or 1; `due_s` the time to its next change, infinite when none is under way.

    normally_closed   closed while the coil is off (a discharge contact that needs no board to close)
    """

    def __init__(self, close_s: float, release_s: float, bounce_s: float, normally_closed: bool = False) -> None:
        self.close_s = close_s
        self.release_s = release_s
        self.bounce_s = bounce_s
        self.normally_closed = normally_closed
        self.coil = 0
        self.closed = int(normally_closed)
        self.due_s = math.inf
        self.welded = False
        self.stuck_open = False
        self.slow = 1.0  # factor on both travel times
        self.bounces = 1
        self._plan: list[tuple[float, int]] = []  # time to wait, then position

    def command(self, coil: int) -> None:
        """Energise (1) or release (0) the coil."""
        if coil != self.coil:
            self.coil = coil
            self._move()

    def settle(self) -> None:
        """Take up a fault, or its end, that was just set in the attributes."""
        if self.welded:
            self.closed = 1
        elif self.stuck_open:
            self.closed = 0
        self._move()

    def advance(self, dt_s: float) -> None:
        """Let time pass, at most `due_s` of it."""
        self.due_s -= dt_s
        if self.due_s <= 1e-9:
            self.closed = self._plan.pop(0)[1]
            self.due_s = self._plan[0][0] if self._plan else math.inf

    def _move(self) -> None:
        target = self.coil ^ int(self.normally_closed)
        if self.welded or self.stuck_open or target == self.closed:
            self._plan = []
        else:
            # The coil closes a normally open contact and opens a normally closed one.
            travel_s = (self.close_s if self.coil else self.release_s) * self.slow
            self._plan = [(travel_s, target)]
            if target:
                self._plan += [(self.bounce_s, 0), (self.bounce_s, 1)] * self.bounces
        self.due_s = self._plan[0][0] if self._plan else math.inf
