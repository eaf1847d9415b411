"""S12 as a property: whatever is pressed, shorted or cut, a resistor's heat is booked for no less than it is.

The other side is the textbook's: P = U^2/R in the circuit of tiny_plant.py, summed over every millisecond in which the
contacts are really closed, and a lumped heat capacity that cools by exp(-t/tau) with the build's own tau. Power comes
back at once, so nothing has cooled that the board knows nothing of.
"""

import copy
from functools import cache
from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden import signals as S

from .rig import Rig, device_build

BUILDS = ("orchard_truck", "bench_cart")
# The policy cools in steps of a second, by 1 - 1/tau for exp(-1/tau), at the end of the second that made it.
ONE_SECOND = 1.02  # 1/tau of what was made just now, at the shortest tau, 60 s
STEPS = 1000 / 200  # mJ per joule ever there: n seconds of it, n/(2*tau^2)*exp(-n/tau), are 1/(2*e*tau) at the most


class Heated(Rig):
    """A rig that knows the true heat of both resistors, and looks at what is booked in every tick."""

    most_j = precharge_j = discharge_j = made_precharge_j = made_discharge_j = 0.0

    def tick(self):
        super().tick()
        b, p, seconds = self.build, self.plant, self.dt / 1000
        cooled_j = self.precharge_j * exp(-seconds / b.precharge_cool_s)
        self.precharge_j = cooled_j + p.precharge_j - self.made_precharge_j
        cooled_j = self.discharge_j * exp(-seconds / b.discharge_cool_s)
        self.discharge_j = cooled_j + p.discharge_j - self.made_discharge_j
        self.most_j = max(self.most_j, self.precharge_j, self.discharge_j)
        self.made_precharge_j, self.made_discharge_j = p.precharge_j, p.discharge_j
        self.look()

    def look(self):
        r, b = self.sup.resistors, self.build
        booked = r.precharge_mj + r.doubt_mj  # in doubt while nobody can tell whether the contact is made
        parts = ((booked, self.precharge_j), (r.discharge_mj, self.discharge_j))
        for booked, true_j in parts:
            assert booked * ONE_SECOND + STEPS * self.most_j >= 1000 * true_j, (
                f"{booked} mJ of {true_j:.3f} J, {self.story()}"
            )
        assert 1000 * self.precharge_j <= b.precharge_budget_mj, self.story()
        assert 1000 * self.discharge_j <= b.discharge_budget_mj, self.story()

    def cut_power(self):
        super().cut_power()
        self.look()


@cache
def awake(name):
    return Heated(device_build(name)).wake()


def wait(rig, ticks):
    """Tenths of a second, in the longest steps of a build where no coil is on."""
    until_ms = rig.t_ms + 100 * ticks
    while rig.t_ms < until_ms:
        rig.dt = rig.build.tick_ms if rig.commanded else 100
        rig.tick()
    rig.dt = rig.build.tick_ms


def start(rig, ticks):
    """Key off and on, and a press; the bus is dead before it, where it can be."""
    rig.key = 0
    rig.run(100)
    rig.turn_key().start = 1
    rig.run(100)
    rig.start = 0
    for _ in range(ticks):
        rig.tick()


def acknowledge(rig, _):
    """What an emergency, or a cut while live, leaves to be acknowledged, once the bus is proven dead."""
    rig.key = 0
    wait(rig, 250)
    for row in rig.sup.faults.active_ids():
        rig.sup.ask(row)
        rig.ack = 1
        rig.run(60)
        rig.ack = 0
        rig.run(60)


def key_off(rig, ticks):
    rig.key = 0
    rig.run(ticks * rig.dt)


def stop(rig, ticks):
    rig.latch = S.STOP
    rig.run(ticks * rig.dt)


def power_cut(rig, ticks):
    rig.cut_power()
    rig.run(ticks * rig.dt)


def late(rig, ticks):
    """One late tick, up to the longest that is decided on."""
    rig.dt = rig.build.tick_ms + (100 - rig.build.tick_ms) * ticks // 60
    rig.tick()
    rig.dt = rig.build.tick_ms


def short(rig, ticks):
    """Something across the bus, with all off: from a dead short to a load that lets it come up part of the way.

    A bus that breaks down within a tick of precharging is no case of the trapezoid rule, by which heat is counted.
    """
    rig.key = 0
    rig.until(lambda r: not r.commanded & {"positive", "negative", "precharge"}, 60_000)
    rig.run(2 * rig.build.release_ms)
    rig.plant.leak_ohm = (None, 0.01, 1.0, 10.0, 40.0)[ticks % 5]


DEEDS = st.lists(
    st.tuples(
        st.sampled_from((start, start, start, short, late, key_off, stop, power_cut, wait, acknowledge)),
        st.integers(1, 60),
    ),
    min_size=1,
    max_size=8,
)


@pytest.mark.parametrize("name", BUILDS)
@given(deeds=DEEDS)
@settings(max_examples=settings().max_examples)
def test_no_heat_is_booked_too_low_whatever_is_done(name, deeds):
    rig = copy.deepcopy(awake(name))
    for deed, ticks in deeds:
        deed(rig, ticks)


@pytest.mark.parametrize("name", BUILDS)
@given(ohm=st.sampled_from((None, 0.01, 1.0, 10.0)), ticks=st.integers(1, 40), late_ticks=st.integers(0, 60))
@settings(max_examples=max(settings().max_examples // 4, 1))
def test_a_cut_at_any_tick_of_a_start_forgets_no_heat(name, ohm, ticks, late_ticks):
    rig = copy.deepcopy(awake(name))
    rig.plant.leak_ohm = ohm
    start(rig, ticks)
    late(rig, late_ticks)
    rig.cut_power()
    wait(rig, 20)


def test_a_start_is_heat():
    """Otherwise the properties above would prove nothing. C*V^2/2, whatever the resistor: textbook."""
    for name in BUILDS:
        rig = copy.deepcopy(awake(name))
        start(rig, 60)
        half_j = rig.plant.c_farad * rig.plant.pack_v**2 / 2
        assert rig.precharge_j == pytest.approx(half_j, rel=0.02)


# What these properties found, each with the least that shows it.


@pytest.mark.parametrize("late_ms", [60, 100])
def test_a_late_step_in_precharging_is_booked_for_as_long_as_it_was(late_ms):
    """S12: precharge and negative closed, and the next step is a late one; found with (start, 1), (wait, 5)."""
    rig = copy.deepcopy(awake("bench_cart"))
    start(rig, 0)
    rig.until(lambda r: r.out.precharge and r.out.negative, 1_000)
    rig.dt = late_ms
    rig.tick()


def test_time_that_passed_before_a_start_cools_nothing_of_it():
    """S12: steps of 100 ms for 50 s, in which a turn is 1.6 s, then a start; found with (acknowledge, 1) twice."""
    rig = copy.deepcopy(awake("bench_cart"))
    rig.dt = 100
    rig.run(50_000)
    rig.dt = rig.build.tick_ms
    start(rig, 60)
    key_off(rig, 1)
    wait(rig, 60)
