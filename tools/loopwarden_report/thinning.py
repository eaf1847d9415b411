"""Fewer points for a plot, so that no peak and no gap vanishes.

Decides which ticks are drawn: of each bucket the lowest and the highest reading and the first one that is missing; near
what happened every tick.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loopwarden_report.history import Numbers

BUCKETS = 2000
NEAR_BEFORE_S, NEAR_AFTER_S = 1.0, 2.0  # around a code or a new phase every tick is drawn
NEAR_MAX = 16  # of those, the first so many

Places = NDArray[np.int64]


@dataclass(frozen=True)
class Thinning:
    """How the columns of one history are thinned. size: ticks in a bucket, 1 for every tick."""

    size: int
    near: Places

    def places(self, values: Numbers) -> Places:
        """The ticks to draw of a column, in order; every one where nothing has to be left out."""
        count = len(values)
        if self.size == 1 or not count:
            return np.arange(count)
        fill = -count % self.size
        whole = np.concatenate([values, np.full(fill, np.nan)]).reshape(-1, self.size)
        missing = np.isnan(whole)
        begin = np.arange(len(whole)) * self.size
        lowest = np.where(missing, np.inf, whole).argmin(axis=1) + begin
        highest = np.where(missing, -np.inf, whole).argmax(axis=1) + begin
        first_missing = (missing.argmax(axis=1) + begin)[missing.any(axis=1)]
        chosen = np.unique(np.concatenate([lowest, highest, first_missing, self.near, [0, count - 1]]))
        return chosen[chosen < count]


def thinning(t_s: Numbers, moments_s: Iterable[float], buckets: int = BUCKETS) -> Thinning:
    """How to draw so many ticks; `moments_s`: when something happened that is to be seen tick by tick."""
    size = max(1, -(-len(t_s) // buckets)) if len(t_s) > 2 * buckets else 1
    near: list[Places] = []
    if size > 1:
        for moment_s in list(moments_s)[:NEAR_MAX]:
            first = np.searchsorted(t_s, moment_s - NEAR_BEFORE_S)
            near.append(np.arange(first, np.searchsorted(t_s, moment_s + NEAR_AFTER_S)))
    return Thinning(size, np.concatenate([*near, np.empty(0, np.int64)]).astype(np.int64))


def broken(t_s: Numbers, values: Numbers, longest_s: float) -> tuple[Numbers, Numbers]:
    """The same line with a missing point in every span longer than `longest_s`, so that no line bridges a gap."""
    after = np.flatnonzero(np.diff(t_s) > longest_s) + 1
    return np.insert(t_s, after, (t_s[after - 1] + t_s[after]) / 2), np.insert(values, after, np.nan)
