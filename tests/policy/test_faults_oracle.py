"""The quick fault core against the slow, obvious one, over random histories; and the histories that once went wrong."""

from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden.memory.ram import RamMemory
from loopwarden.policy import fault_table as T
from loopwarden.policy.faults import UNKNOWN, Faults

from .reference_core import COLUMNS, ROW, ReferenceFaults

PERIODS_MS = (20, 40, 60, 120, 200)  # every turn that a subject has, at a tick of 20 ms; 200 of the notes' own trap
SLOTS_MAX = 15
EVENTS = (34, 46, 48, 55, 57, 69, 70)  # one of every way to end


class Pair:
    """Both cores, fed alike; the quick one as a monitor does it: only while findings differ from the last answer."""

    def __init__(self, groups, debounce=()):
        self.memory = RamMemory()
        self.stay = 0  # the column that is in force between readings
        self.quick = Faults(SimpleNamespace(debounce=debounce))
        self.slow = ReferenceFaults(debounce)
        self.period_ms = []
        self.numbers = []
        self.steady = []
        for period_ms, slots in groups:
            self.numbers.append(self.quick.add(slots))
            self.slow.add(slots)
            self.period_ms.append(period_ms)
            self.steady.append(0)
        self.quick.add_events(())

    def read(self, group, bad=(), unknown=(), late_ms=0):
        mask = sum(1 << n for n in bad) | sum(1 << UNKNOWN + n for n in unknown)
        dt_ms = self.quick.dt = self.period_ms[group] + late_ms
        self.quick.quota = SLOTS_MAX
        if mask != self.steady[group]:
            self.steady[group] = self.quick.count(self.numbers[group], mask)
        self.slow.read(group, set(bad), set(unknown), dt_ms)

    def each(self, method, *args):
        self.quick.quota = len(ROW)
        quick = getattr(self.quick, method)(*args)
        while method == "key_on" and self.quick.key_on():  # it ends a row a call, until nothing more is left
            pass
        return quick, getattr(self.slow, method)(*args)

    def places(self):
        return {row: self.quick.places[row] for row in self.quick.active_ids()}

    def judgement(self, column):
        f = self.quick
        if f.changed or f.column != column:
            f.judge(column)
        return {
            "worst": f.worst,
            "worst_row": f.worst_row,
            "drive": (f.drive >> 8, f.drive & 255),
            "charge": (f.charge >> 8, f.charge & 255),
            "caution": bool(f.bits & 1),
            "stop": bool(f.bits & 2),
        }

    def agree(self):
        assert self.places() == self.slow.places()
        for row in ROW:
            if self.quick.marks[row]:
                self.memory.keep(row, self.quick.marks[row], self.quick.places[row])
                self.quick.marks[row] = 0
        assert sorted(self.memory.locked) == self.slow.kept()
        # First the column in force as it stands, where a new row is weighed alone; then the others, where all are.
        here = self.quick.column
        for column in (here, *(other for other in range(len(COLUMNS)) if other != here), self.stay):
            assert self.judgement(column) == self.slow.judgement(column)
            assert bool(self.quick.locks) == any(ROW[row][T.ENDS] == T.LOCK for row in self.slow.places())


def is_on(pair, row):
    pair.agree()
    return row in pair.places()


rows = st.sampled_from(sorted(set(ROW) - set(EVENTS)))
some_groups = st.lists(
    st.tuples(st.sampled_from(PERIODS_MS), st.lists(rows, min_size=1, max_size=SLOTS_MAX)), min_size=1, max_size=4
)
set_times = st.dictionaries(rows, st.one_of(st.just(0), st.integers(1, 1000), st.integers(0, 60_000)), max_size=6)


def with_places(groups):
    """Slots of a row get places of their own, over all groups; what is acknowledged or cleared has one slot only."""
    used = {}
    placed = []
    for period_ms, row_ids in groups:
        slots = []
        for row in row_ids:
            if row in used and ROW[row][T.ENDS] >= T.LOCK:
                continue
            slots.append((row, used.get(row, 0)))
            used[row] = used.get(row, 0) + 1
        placed.append((period_ms, slots))
    return placed


@settings(max_examples=400)
@given(some_groups.map(with_places), set_times, st.data())
def test_the_quick_core_decides_as_the_obvious_one(groups, set_ms, data):
    """Any findings, any turn, any key-on, acknowledgement, event or clearing in between."""
    pair = Pair(groups, sorted(set_ms.items()))
    pair.stay = data.draw(st.integers(0, len(COLUMNS) - 1))
    which = st.integers(0, len(groups) - 1)
    slots = st.sets(st.integers(0, SLOTS_MAX - 1), max_size=6)
    late_ms = st.one_of(st.just(0), st.integers(-3, 80))
    readings = st.tuples(st.just("read"), which, slots, slots, st.sampled_from((1, 2, 3, 5, 12, 40, 400)), late_ms)
    chatter = st.tuples(st.just("chatter"), which, slots, st.just(set()), st.integers(1, 60), late_ms)
    others = st.sampled_from(("key_on", "acknowledge")).map(lambda name: (name,))
    events = st.tuples(st.sampled_from(("trip", "drop")), st.sampled_from(EVENTS))
    clears = st.tuples(st.just("clear"), st.sampled_from(sorted(ROW)))
    for step in data.draw(st.lists(st.one_of(readings, chatter, others, events, clears), max_size=25)):
        if step[0] == "clear" and (
            not pair.quick.places[step[1]] or sum(row == step[1] for _, held in groups for row, _ in held) > 1
        ):
            continue  # what is cleared is active and has one slot
        if step[0] == "clear":
            quick, slow = pair.each(*step)
            assert bool(quick) == slow
        elif step[0] in ("read", "chatter"):
            kind, group, bad, unknown, times, late_ms = step
            size = len(groups[group][1])
            bad, unknown = ({n for n in part if n < size} for part in (bad, unknown))
            for k in range(times):
                pair.read(group, bad if kind == "read" or k % 2 == 0 else (), unknown, late_ms if k % 3 == 0 else 0)
                pair.agree()
        else:
            pair.each(*step)
        pair.agree()


def single(row, period_ms, set_ms):
    return Pair([(period_ms, [(row, 0)])], [(row, set_ms)])


@pytest.mark.parametrize("period_ms", PERIODS_MS)
def test_one_bad_reading_confirms_nothing_that_has_a_set_time(period_ms):
    """Turn and set time of 200 ms: once, a single bad reading was enough."""
    pair = single(21, period_ms, set_ms=period_ms)
    pair.read(0, bad=[0])
    assert not is_on(pair, 21)
    for _ in range(100):
        pair.read(0)
    assert not is_on(pair, 21)


@pytest.mark.parametrize("period_ms", PERIODS_MS)
@pytest.mark.parametrize("set_ms", [1, 60, 200, 5000])
def test_the_set_time_is_inclusive(period_ms, set_ms):
    """The reading that completes the set time, counted from the first bad one, is the one that confirms."""
    pair = single(21, period_ms, set_ms)
    later = -(-set_ms // period_ms)
    for _ in range(later):
        pair.read(0, bad=[0])
        assert not is_on(pair, 21)
    pair.read(0, bad=[0])
    assert is_on(pair, 21)


def test_a_set_time_of_zero_confirms_at_the_first_reading():
    pair = single(62, 20, set_ms=0)
    pair.read(0, bad=[0])
    assert is_on(pair, 62)


@pytest.mark.parametrize("period_ms", PERIODS_MS)
def test_alternating_good_and_bad_does_not_hide(period_ms):
    """Of every two turns three quarters of one count: so it takes 8/3 of the set time, a turn or two on top."""
    set_ms = 10 * period_ms
    pair = single(21, period_ms, set_ms)
    readings = 0
    while not is_on(pair, 21):
        pair.read(0, bad=[0] if readings % 2 == 0 else [])
        readings += 1
        assert readings * period_ms <= set_ms * 8 // 3 + 3 * period_ms, "it hides"
    assert readings * period_ms > 2 * set_ms


def test_an_unknown_reading_freezes_in_both_directions():
    """Neither bad time nor good time passes while nothing can be judged (S10)."""
    pair = single(7, 60, set_ms=600)
    for _ in range(6):
        pair.read(0, bad=[0])  # 300 ms credited
    for _ in range(1000):
        pair.read(0, unknown=[0])
    assert not is_on(pair, 7)
    for _ in range(5):
        pair.read(0, bad=[0])
    assert is_on(pair, 7)
    for _ in range(1000):
        pair.read(0, unknown=[0])
    assert is_on(pair, 7)


def test_a_fault_that_heals_takes_four_times_its_set_time_at_least():
    """Goes up at full speed and down at a quarter."""
    pair = single(7, 60, set_ms=5000)
    for _ in range(100):
        pair.read(0, bad=[0])
    good_ms = 0
    while is_on(pair, 7):
        pair.read(0)
        good_ms += 60
    assert 20_000 <= good_ms <= 20_400


def test_the_harder_reaction_wins_and_a_tie_goes_to_the_first_row():
    """Whichever came first; and a milder fault that ends changes nothing."""
    pair = Pair([(20, [(53, 0), (8, 0), (7, 0), (39, 0)])])
    for bad in ([2], [0, 2], [0, 1, 2]):
        for _ in range(300):
            pair.read(0, bad=bad)
    pair.agree()
    assert pair.judgement(2)["worst_row"] == 8
    assert pair.judgement(2)["worst"] == T.WIND
    assert pair.judgement(2)["drive"] == (800, 7)
    for _ in range(5000):
        pair.read(0, bad=[0, 1])
    pair.agree()
    assert pair.judgement(2)["worst_row"] == 8
    assert pair.judgement(2)["drive"] == (T.FULL, 0)


@pytest.mark.parametrize(
    ("row", "by_key", "by_ack_then_key", "by_clear"),
    [(21, True, True, True), (61, False, True, True), (62, False, False, True), (34, False, False, True)],
)
def test_each_way_to_end(row, by_key, by_ack_then_key, by_clear):
    """Keyed; acknowledged, then keyed; a lock ends by clearing only (S9)."""
    for actions, ends in (
        (["key_on"], by_key),
        (["key_on", "acknowledge"], by_key),
        (["acknowledge", "key_on"], by_ack_then_key),
        (["clear"], by_clear),
    ):
        pair = single(row, 20, set_ms=40)
        for _ in range(20):
            pair.read(0, bad=[0])
        for action in actions:  # nothing ends what is still there
            pair.each(action, *([row] if action == "clear" else []))
            assert is_on(pair, row)
        for _ in range(200):
            pair.read(0)
        assert is_on(pair, row)
        for action in actions:
            pair.each(action, *([row] if action == "clear" else []))
        assert is_on(pair, row) is not ends, actions
