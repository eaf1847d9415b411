"""The heartbeat gate as drawn, stepped through in milliseconds: two monostables, AND, latch (S11).

A monostable is on for its time after each edge of its kind, and from the newest one anew, as retriggerable ones are.
"""

import pytest

from loopwarden_circuits import values as V

TICK_MS = V.tick_ms()
NOMINAL_MS = V.HOLD_PART * V.hold_ms()
HALVES_MS = (0.8 * NOMINAL_MS, NOMINAL_MS, 1.2 * NOMINAL_MS)  # R, C, part and heat, together


class Gate:
    """half_ms: how long each half stays on; stuck: a half (0 rising, 1 falling) that never goes off again."""

    def __init__(self, half_ms, stuck=None):
        self.half_ms, self.stuck = half_ms, stuck
        self.left_ms = [0.0, 0.0]
        self.level, self.latched = 0, False

    def step(self, level, driven):
        """One millisecond with the pin at `level`; whether the coils have a feed after it."""
        if level != self.level:
            self.left_ms[0 if level else 1] = self.half_ms
            self.level = level
        beats = all(left > 0 or half == self.stuck for half, left in enumerate(self.left_ms))
        self.left_ms = [left - 1 for left in self.left_ms]
        self.latched = beats and (self.latched or not driven)
        return self.latched


def beat(gate, ticks, driven, late_ms=0):
    """Ticks with an edge at the start of each, the last one longer; the feed in each millisecond."""
    feed = []
    for tick in range(ticks):
        level = 1 - gate.level
        for _ in range(TICK_MS + (late_ms if tick == ticks - 1 else 0)):
            feed.append(gate.step(level, driven))
    return feed


def live(half_ms, stuck=None):
    gate = Gate(half_ms, stuck)
    beat(gate, 4, driven=False)
    assert all(beat(gate, 50, driven=True)), "a sound heart holds the coils"
    return gate


def silence_ms(gate):
    """How long the feed lasts after the last edge; the pin stands still."""
    for ms in range(1, 500):
        if not gate.step(gate.level, driven=True):
            return ms + TICK_MS
    return None


@pytest.mark.parametrize("half_ms", HALVES_MS)
@pytest.mark.parametrize("ticks", [0, 1])
def test_it_lets_go_within_the_builds_hold_time_whichever_way_the_pin_stands_still(half_ms, ticks):
    gate = live(half_ms)
    beat(gate, ticks, driven=True)
    assert silence_ms(gate) <= V.hold_ms()


@pytest.mark.parametrize("stuck", [0, 1])
def test_it_lets_go_with_one_half_stuck_on(stuck):
    assert silence_ms(live(HALVES_MS[2], stuck)) <= V.hold_ms()


def test_a_tick_that_is_one_tick_late_does_not_drop_the_drive():
    gate = live(HALVES_MS[0])
    assert all(beat(gate, 1, driven=True, late_ms=TICK_MS))
    assert all(beat(gate, 10, driven=True))


def test_a_heart_that_begins_again_closes_nothing_until_every_command_was_off():
    gate = live(NOMINAL_MS)
    assert not all(beat(gate, 1, driven=True, late_ms=70))
    assert not any(beat(gate, 50, driven=True)[2 * TICK_MS :])
    beat(gate, 2, driven=False)
    assert all(beat(gate, 10, driven=True))


def test_a_board_that_starts_with_a_command_on_gets_no_feed():
    assert not any(beat(Gate(NOMINAL_MS), 50, driven=True))
