"""S9 and S15 as properties: what ends a lock, an acknowledged fault and an emergency stop, and that nothing else does.

Judged from what was pressed, turned, asked for and read, kept here apart from the policy: the bus has to have read
validly dead for 10 s with nothing commanded, the request has to be at most 10 s old, and the wired button has to be
pressed after it (design: "proven dead", "Clearing a lock"). Rows are named as in the published table of faults.
"""

import copy
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden import signals as S
from loopwarden.memory.ram import RamMemory

from .rig import ID_OF, Rig, device_build
from .test_properties_pairs import examples
from .test_properties_promises import driving, opening, precharging, standing, winding

LOCKS = (
    "BUS_LIVE",
    "NEGATIVE_WELDED",
    "POSITIVE_WELDED",
    "PRECHARGE_WELDED",
    "PACK_RUNAWAY",
    "DISCHARGE_SLOW",
    "DISCHARGE_CREEPS_BACK",
    "CRASH",
    "MEMORY_NEW",
    "PRECHARGE_FLAT_AGAIN",
    "POSITIVE_UNPROVEN",
    "RESTARTED_WHILE_LIVE",
)
CLOSED = {"positive", "negative", "precharge"}
DEAD_MS, ASKED_MS = 10_000, 10_000
BUILDS = ("orchard_truck", "bench_cart")


class Watched(Rig):
    """A rig that keeps, from what happens outside, whether a lock or an emergency stop may end now.

    cleared  rows that were asked for, and acknowledged after that on a bus proven dead
    stopped  an emergency stop was there, and no button was pressed since, with the stop let go of
    turned   the key was turned on, or power came back, since that press
    """

    def __init__(self, *args):
        super().__init__(*args)
        self.dead_ms = self.asked_ms = 0
        self.asked = None
        self.pressed = self.on = 0
        self.cleared = set()
        self.stopped = self.turned = False

    def tick(self):
        super().tick()
        i, b = self.inputs, self.build
        dead = not i.bus_state and i.bus_mv is not None and i.bus_mv < b.dead_mv and not self.commanded
        self.dead_ms = self.dead_ms + self.dt if dead else 0
        self.asked_ms += self.dt
        press = self.ack and not self.pressed
        if press and self.asked is not None:
            if self.asked_ms <= ASKED_MS and self.dead_ms >= DEAD_MS:
                self.cleared.add(self.asked)
            self.asked = None
        if self.stop or i.latch & S.STOP:
            self.stopped, self.turned = True, False
        elif press:
            self.stopped = False
        if self.key and not self.on and not self.stopped:
            self.turned = True
        self.pressed, self.on = self.ack, self.key

    def ask(self, name):
        self.asked, self.asked_ms = name, 0
        self.sup.ask(ID_OF[name])

    def cut_power(self):
        super().cut_power()
        self.dead_ms, self.asked = 0, None
        self.turned = self.turned or not self.stopped
        self.on = 0


@cache
def awake(name):
    return Watched(device_build(name)).wake()


def locked(name, row):
    """Off and dead for long, with a row active and its cause gone."""
    rig = copy.deepcopy(awake(name))
    rig.sup.faults.trip(ID_OF[row])
    return rig.run(1_000)


def ask(rig, row):
    rig.ask(row)


def ask_another(rig, row):
    rig.ask(LOCKS[LOCKS.index(row) - 1])


def press(rig, _):
    rig.ack = 1
    rig.run(60)
    rig.ack = 0
    rig.run(20)


def hold_the_button(rig, _):
    rig.ack = 1


def let_go(rig, _):
    rig.ack = 0


def turn_the_key(rig, _):
    rig.key = 1 - rig.key


def start(rig, _):
    rig.key = 1
    rig.run(2_200)
    rig.start = 1
    rig.run(100)
    rig.start = 0


def feed_the_bus(rig, _):
    rig.plant.feed_v = None if rig.plant.feed_v else 2 * rig.build.dead_mv / 1000


def lose_the_bus(rig, _):
    lost = {"bus_mv": None, "bus_state": S.OPEN}
    rig.held = {} if rig.held else lost


def cut_power(rig, _):
    rig.cut_power()


DEEDS = (ask, ask, ask_another, press, press, hold_the_button, let_go, turn_the_key, start, feed_the_bus, lose_the_bus)
HISTORY = st.lists(st.tuples(st.sampled_from((*DEEDS, cut_power)), st.sampled_from((1, 3, 40, 300, 550))), max_size=14)


def live_through(rig, history, row, kept):
    """Do it, look in every tick; what is waited for after each deed is in ticks, at the longest step of a build."""
    for deed, ticks in history:
        deed(rig, row)
        assert kept(rig), (deed.__name__, rig.story())
        rig.dt = 50 if ticks > 50 else rig.build.tick_ms
        for _ in range(ticks):
            rig.tick()
            assert kept(rig), (deed.__name__, rig.story())
        rig.dt = rig.build.tick_ms


@pytest.mark.parametrize("row", LOCKS)
@examples(8)
@given(name=st.sampled_from(BUILDS), history=HISTORY)
def test_a_lock_ends_only_with_the_button_after_the_request_on_a_dead_bus(row, name, history):
    rig = locked(name, row)

    def kept(rig):
        if row in rig.cleared:
            return True
        return row in rig.faults and not rig.commanded & CLOSED

    live_through(rig, history, row, kept)


@pytest.mark.parametrize("row", LOCKS)
@pytest.mark.parametrize("name", BUILDS)
def test_asked_for_and_acknowledged_on_a_dead_bus_it_ends(name, row):
    """Otherwise the property above would prove nothing."""
    rig = locked(name, row)
    rig.run(11_000).ask(row)
    press(rig, row)
    assert row in rig.cleared
    assert row not in rig.faults


@examples(2)
@given(name=st.sampled_from(BUILDS), history=HISTORY)
def test_a_new_memory_starts_nothing_before_it_was_cleared_at_the_vehicle(name, history):
    """S9: a board that was wiped must not look like a board without faults."""
    rig = Watched(device_build(name), RamMemory(new=True)).wake()

    def kept(rig):
        return "MEMORY_NEW" in rig.cleared or ("MEMORY_NEW" in rig.faults and not rig.commanded & CLOSED)

    live_through(rig, history, "MEMORY_NEW", kept)


@cache
def begun(name, begin):
    return begin(Watched(device_build(name)))


@examples(3)
@given(
    name=st.sampled_from(BUILDS),
    begin=st.sampled_from((precharging, standing, driving, winding, opening)),
    wait=st.integers(0, 60),
    history=HISTORY,
)
def test_after_a_cut_with_anything_closed_nothing_starts_before_somebody_acknowledged_it(name, begin, wait, history):
    """S11: restarted while live, whatever the cause; a proof of the positive main is not to be had that way either."""
    rig = copy.deepcopy(begun(name, begin))
    rig.start = 0
    for _ in range(wait):
        rig.tick()
    if not rig.commanded & CLOSED:
        return
    rig.cut_power()
    rig.tick()

    def kept(rig):
        row = "RESTARTED_WHILE_LIVE"
        return row in rig.cleared or (row in rig.faults and not rig.commanded & CLOSED)

    live_through(rig, history, "RESTARTED_WHILE_LIVE", kept)


def press_stop(rig, _):
    rig.stop = 1 - rig.stop


def pulse(rig, _):
    rig.latch = S.STOP


STOPS = st.lists(
    st.tuples(
        st.sampled_from(
            (press, hold_the_button, let_go, turn_the_key, turn_the_key, start, press_stop, pulse, cut_power)
        ),
        st.sampled_from((1, 3, 40, 300)),
    ),
    max_size=14,
)


@examples(1)
@given(name=st.sampled_from(BUILDS), history=STOPS)
def test_an_emergency_stop_is_over_after_the_button_and_then_a_key_on(name, history):
    """S15: released, acknowledged at the vehicle, and the key turned on after that; a new stop begins it all anew."""
    rig = copy.deepcopy(awake(name))
    pulse(rig, None)
    rig.tick()

    def kept(rig):
        return rig.turned or ("EMERGENCY_STOP" in rig.faults and not rig.commanded & CLOSED)

    live_through(rig, history, "EMERGENCY_STOP", kept)


@pytest.mark.parametrize("name", BUILDS)
def test_the_button_and_then_a_key_on_end_it(name):
    rig = copy.deepcopy(awake(name))
    pulse(rig, None)
    rig.run(2_000)
    press(rig, None)
    assert "EMERGENCY_STOP" in rig.faults
    rig.turn_key()
    assert rig.turned
    assert "EMERGENCY_STOP" not in rig.faults
