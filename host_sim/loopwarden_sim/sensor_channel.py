"""One analogue sensor with its converter channel: a true value to 12-bit counts, and the ways in which it lies."""

import random
from collections import deque

COUNTS_MAX = 4095
NOISE_POINTS = 4099  # a prime: channels that step through it at different paces do not repeat together


class Noise:
    """A fixed table of standard normal numbers; quick, and the same for a seed on every machine."""

    def __init__(self, seed: int) -> None:
        source = random.Random(seed)
        self.table = [source.gauss(0.0, 1.0) for _ in range(NOISE_POINTS)]


class Channel:
    """Counts of a linear or linearised channel.

    zero, gain    counts at 0 and counts per unit of what is measured
    noise_counts  standard deviation of what the converter and the wiring add
    open_counts, short_counts   where a broken wire and a shorted sensor lie
    fault         "" or one of FAULTS; `amount` belongs to offset and noisy (in units), `late_ticks` to late
    """

    FAULTS = ("open", "short", "stuck", "offset", "noisy", "late", "stale")

    def __init__(
        self,
        noise: Noise,
        pace: int,
        *,
        zero: float,
        gain: float,
        noise_counts: float = 0.7,
        open_counts: int = 0,
        short_counts: int = COUNTS_MAX,
        top: int = COUNTS_MAX,
    ) -> None:
        self.zero = zero
        self.gain = gain
        self.noise_counts = noise_counts
        self.open_counts = open_counts
        self.short_counts = short_counts
        self.fault = ""
        self.amount = 0.0
        self.late_ticks = 0
        self._top = top
        self._table = noise.table
        self._pace = pace
        self._at = pace
        self._last = 0
        self._queue: deque[float] = deque()

    def counts(self, value: float) -> int | None:
        """What the converter gives for a true value; None when no conversion comes any more."""
        if self.fault:
            return self._faulty(value)
        self._at = at = (self._at + self._pace) % NOISE_POINTS
        counts = int(self.zero + self.gain * value + self.noise_counts * self._table[at] + 0.5)
        self._last = counts = 0 if counts < 0 else self._top if counts > self._top else counts
        return counts

    def strike(self, fault: str, amount: float = 0.0, late_ticks: int = 0) -> None:
        """Begin a fault; "" ends it."""
        self.fault = fault
        self.amount = amount
        self.late_ticks = late_ticks
        self._queue.clear()

    def _faulty(self, value: float) -> int | None:
        fault = self.fault
        if fault == "open":
            return self.open_counts
        if fault == "short":
            return self.short_counts
        if fault == "stuck":
            return self._last
        if fault == "stale":
            return None
        if fault == "offset":
            value += self.amount
        elif fault == "noisy":
            self._at = (self._at + self._pace) % NOISE_POINTS
            value += self.amount * self._table[self._at]
        else:  # late
            self._queue.append(value)
            if len(self._queue) > self.late_ticks + 1:
                self._queue.popleft()
            value = self._queue[0]
        self.fault = ""
        counts = self.counts(value)
        self.fault = fault
        return counts
