"""What is spread over ticks when much happens at once, and that nothing is lost or made milder by it."""

from types import SimpleNamespace

import pytest

from loopwarden.memory.ram import RamMemory
from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import UNKNOWN, Faults
from loopwarden.policy.supervisor import Supervisor

from .rig import device_build

TICK_MS = 20
ROWS = (35, 36, 38, 52, 53, 66)  # all end at a key-on
LONGEST_WAIT_MS = 3 * TICK_MS


class Ticks:
    """Groups of rows that are fed every tick, as the monitors and the supervisor do it."""

    def __init__(self, groups, set_ms):
        self.faults = Faults(SimpleNamespace(debounce=[(row, set_ms) for rows in groups for row in rows]))
        self.groups = [self.faults.add([(row, 0) for row in rows]) for rows in groups]
        self.faults.add_events(())
        self.steady = [0] * len(groups)
        self.t_ms = 0
        self.on_ms = {}
        self.most_at_once = 0

    def tick(self, *bads):
        f = self.faults
        f.dt, f.turn, f.quota, f.busy = TICK_MS, (f.turn + 1) & 3, 1, 0
        before = set(f.active_ids())
        for n, group in enumerate(self.groups):
            if bads[n] != self.steady[n]:
                self.steady[n] = f.update(group, bads[n])
        fresh = set(f.active_ids()) - before
        self.most_at_once = max(self.most_at_once, len(fresh))
        for row in fresh:
            self.on_ms[row] = self.t_ms
        self.t_ms += TICK_MS


@pytest.mark.parametrize("start", range(4))
@pytest.mark.parametrize("set_ms", [60, 200, 1000])
def test_much_at_once_is_late_by_three_ticks_and_a_tick_a_row_at_the_most(set_ms, start):
    """Never early: the set time is counted in full. One row a tick becomes active."""
    ticks = Ticks([ROWS], set_ms)
    for _ in range(start):
        ticks.tick(0)
    begin_ms = ticks.t_ms
    for _ in range(set_ms // TICK_MS + 40):
        ticks.tick(0b111111)
    assert sorted(ticks.on_ms) == sorted(ROWS)
    assert ticks.most_at_once == 1
    first = min(ticks.on_ms.values()) - begin_ms
    assert set_ms <= first <= set_ms + LONGEST_WAIT_MS
    # While more than four still wait, only every fourth tick looks; after that it is a row a tick.
    assert max(ticks.on_ms.values()) - begin_ms <= first + 2 * (LONGEST_WAIT_MS + TICK_MS) + len(ROWS) * TICK_MS


@pytest.mark.parametrize("moment", range(8))
def test_what_was_bad_for_a_tick_while_its_group_waited_is_not_lost(moment):
    """S8: a latched edge, set time 0, among five slots that count."""
    ticks = Ticks([ROWS], 10_000)
    ticks.faults.begin[5] += 10_000  # the last one confirms at its first reading
    for k in range(20):
        ticks.tick(0b011111 | (0b100000 if k == 4 + moment else 0))
    assert list(ticks.on_ms) == [ROWS[5]]
    assert ticks.on_ms[ROWS[5]] - (4 + moment) * TICK_MS <= LONGEST_WAIT_MS


@pytest.mark.parametrize("then", [0, 0b111111 << UNKNOWN], ids=["good", "unknown"])
def test_all_that_is_bad_in_one_and_the_same_tick_only_is_noted_after_all(then):
    """S8: six edges at once, gone in the next tick; a row a tick."""
    ticks = Ticks([ROWS], 0)
    ticks.tick(0b111111)
    for _ in range(40):
        ticks.tick(then)
    assert sorted(ticks.on_ms) == sorted(ROWS)
    assert ticks.most_at_once == 1
    assert all(ticks.faults.marks[row] for row in ROWS)


@pytest.mark.parametrize(("bad", "late_ms"), [(0b1, 0), (0b1111, 0), (0b11111, LONGEST_WAIT_MS)])
def test_a_few_at_once_are_never_late(bad, late_ms):
    """Four slots of a group count in every tick; one cause rarely moves more."""
    ticks = Ticks([ROWS], 100)
    for _ in range(20):
        ticks.tick(bad)
    assert 100 <= min(ticks.on_ms.values()) <= 100 + late_ms


def test_neighbouring_groups_count_in_the_same_tick():
    """One cause often moves both; the second row waits a tick to become active, no more."""
    ticks = Ticks([(35,), (36,), (38,), (52,)], 100)
    for _ in range(20):
        ticks.tick(0, 0, 1, 1)
    assert (ticks.on_ms[38], ticks.on_ms[52]) == (100, 100 + TICK_MS)


def test_one_subject_does_not_make_another_wait_for_ever():
    """The first counts in every tick; the other pair still has its turn, three ticks late at the most."""
    ticks = Ticks([(35,), (36,), (38,), (52,)], 100)
    for _ in range(20):
        ticks.tick(1, 0, 1, 0)
    assert ticks.on_ms[35] == 100
    assert 100 <= ticks.on_ms[38] <= 100 + LONGEST_WAIT_MS


def test_an_unknown_reading_after_a_bad_one_that_waited_leaves_the_bad_one():
    """Bad in between counts as bad; unknown alone freezes."""
    ticks = Ticks([ROWS], 10_000)
    ticks.faults.begin[5] += 10_000
    for _ in range(3):
        ticks.tick(0b011111)
    while ticks.faults.turn != 1:
        ticks.tick(0b011111)
    ticks.tick(0b111111)  # the tick after the group's own: it waits
    for _ in range(4):
        ticks.tick(0b011111 | 1 << UNKNOWN + 5)
    assert list(ticks.on_ms) == [ROWS[5]]


def test_a_cap_asks_for_something_in_every_live_column():
    """The core keeps caps apart from columns; so a row that caps must react in both of them."""
    for row in T.TABLE:
        if min(row[T.DRIVE], row[T.CHARGE]) < T.FULL:
            assert min(row[T.STANDING], row[T.MOVING]) >= T.LIMIT, row[T.NAME]


def test_one_row_alone_ends_at_the_key_on_after_an_acknowledgement():
    """The core keeps one acknowledgement."""
    assert [row[T.NAME] for row in T.TABLE if row[T.ENDS] == T.KEY_ACKED] == ["EMERGENCY_STOP"]


def test_the_subjects_of_every_tick_hold_the_first_four_groups():
    """Turns are dealt by number: two-state inputs and shorts share one, electrics and motion the other."""
    sup = Supervisor(device_build("orchard_truck"), RamMemory())
    groups = (sup.switches.group, sup.switches.short_group, sup.electrics.group, sup.motion.group)
    assert groups == (0, 1, 2, 3)


def test_a_key_on_ends_nothing_in_a_tick_in_which_a_row_became_active():
    """One change a tick: the end waits for the next one, and the key-on is not used up by that."""
    ticks = Ticks([ROWS], 0)
    ticks.tick(0b000001)
    for _ in range(100):
        ticks.tick(0)
    faults = ticks.faults
    assert faults.active_ids() == [ROWS[0]]
    faults.quota = 0
    assert faults.key_on() == 1
    assert faults.active_ids() == [ROWS[0]]
    faults.quota = 1
    assert faults.key_on() == 1
    assert faults.active_ids() == []
    assert faults.key_on() == 0
