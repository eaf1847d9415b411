"""S3, S6, S7 and S13 as properties: however contactors are opened, at any step of time, with any release time.

Any way of opening is tried at any moment of a start, a drive and a charge. In every tick the judge of hostile.py looks
on; beside it, from readings and commands alone:
- with everything open and a wheel that gave a pulse within 2 s, discharge stays off: a motor that spins feeds the bus;
- after a stop, a crash or an open hard loop with a contactor commanded, a build without a speed input waits `coast_ms`;
- what was opened above the rated break current is counted, and the count is what "why" says.
"""

import copy
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden import signals as S
from loopwarden.words import why

from .hostile import Hostile
from .test_properties_promises import charging, checking, driving, precharging, standing, winding

CLOSED = {"positive", "negative", "precharge"}
SPINS_MS = 2_000  # no pulse for so long is a stand


class Opened(Hostile):
    """Hostile, and the promises above; `counted`: openings above the break current by a cut."""

    rolled_ms = cut_ms = 1_000_000
    loaded = 0
    counted = 0

    def tick(self):
        before, live = self.commanded & CLOSED, self.loaded
        super().tick()
        o, i, b = self.out, self.inputs, self.build
        self.loaded = o.hv_loads_enable or o.inverter_enable or o.charger_enable
        cut = i.latch & (S.STOP | S.CRASH | S.LOOP0) and before
        self.cut_ms = 0 if cut else self.cut_ms + self.dt
        self.rolled_ms = 0 if i.speed_pulses else self.rolled_ms + self.dt
        if o.discharge and not self.commanded & CLOSED:
            if b.speed_fitted and self.rolled_ms < SPINS_MS - self.dt:
                self.broken.append(f"S6: discharge on, {self.rolled_ms} ms after the wheel turned")
            if not b.speed_fitted and self.cut_ms < b.coast_ms:
                self.broken.append(f"S6: discharge on, {self.cut_ms} ms after a cut, without a speed input")
        if cut and live and b.current_fitted and abs(i.current_ma) > b.break_ma:
            self.counted += 1


@cache
def begun(name, begin, release_ms):
    return begin(Opened(name, release_ms=release_ms))


def key_off(rig):
    rig.key = 0


def stop(rig):
    rig.latch = S.STOP


def stop_held(rig):
    rig.stop = 1


def crash(rig):
    rig.latch = S.CRASH if rig.build.crash_fitted else S.STOP


def hard_loop(rig):
    rig.loops = 0


def watched_loop(rig):
    rig.loops &= ~2


def plug_out(rig):
    rig.plug = 0


def plug_in(rig):
    rig.plug = 1


def supply_fails(rig):
    rig.held["supply_mv"] = rig.build.supply_fail_mv - 1


def bus_lost(rig):
    rig.held.update(bus_mv=None, bus_state=S.OPEN)


def roll(rig):
    rig.speed_mm_s = 4_000


def stand(rig):
    rig.speed_mm_s = 0


def press(rig):
    rig.start = 1


def load(rig):
    rig.plant.load_a = 80.0


WAYS = (key_off, stop, stop_held, crash, hard_loop, watched_loop, plug_out, supply_fails, bus_lost, roll, stand, press)
HISTORY = st.lists(st.tuples(st.sampled_from((*WAYS, load)), st.integers(0, 60)), min_size=1, max_size=5)
STEPS_MS = st.sampled_from((5, 10, 20, 20, 33, 50))
RELEASE_MS = st.sampled_from((15, 40, 90))  # the build's own is 40


def live_through(rig, dt, ways, after_ms):
    rig.start, rig.dt = 0, dt
    for way, ticks in [*ways, (None, after_ms // dt)]:
        if way:
            way(rig)
        for _ in range(ticks):
            rig.tick()
            assert not rig.broken, (rig.broken, rig.story())


@pytest.mark.parametrize("begin", [checking, precharging, standing, driving, winding])
@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
@settings(max_examples=max(settings().max_examples // 12, 1))
@given(release_ms=RELEASE_MS, wait=st.integers(0, 60), dt=STEPS_MS, ways=HISTORY)
def test_however_it_is_opened(name, begin, release_ms, wait, dt, ways):
    rig = copy.deepcopy(begun(name, begin, release_ms))
    live_through(rig, dt, [(None, wait), *ways, (key_off, 0)], 4_000)
    if rig.counted and "OPENED_UNDER_LOAD" in rig.faults:
        assert rig.memory.under_load >= rig.counted
        assert f" {rig.memory.under_load} openings" in why(rig.sup, "OPENED_UNDER_LOAD")  # S13


@settings(max_examples=max(settings().max_examples // 6, 1))
@given(release_ms=RELEASE_MS, wait=st.integers(0, 60), dt=STEPS_MS, ways=HISTORY)
def test_however_a_charge_is_ended(release_ms, wait, dt, ways):
    rig = copy.deepcopy(begun("orchard_truck", charging, release_ms))
    live_through(rig, dt, [(None, wait), *ways, (key_off, 0)], 4_000)


@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
@settings(max_examples=max(settings().max_examples // 4, 1))
@given(
    release_ms=RELEASE_MS,
    wait=st.integers(0, 40),
    dt=STEPS_MS,
    way=st.sampled_from((key_off, stop, stop_held, crash, hard_loop, roll)),
)
def test_however_a_start_is_given_up(name, release_ms, wait, dt, way):
    rig = copy.deepcopy(begun(name, precharging, release_ms))
    live_through(rig, dt, [(None, wait), (way, 0)], 4_000)


@settings(max_examples=max(settings().max_examples // 4, 1))
@given(
    load_a=st.sampled_from((0.0, 3.0, 80.0, -20.0)),
    wait=st.integers(0, 100),
    dt=STEPS_MS,
    way=st.sampled_from((watched_loop, plug_in, supply_fails, bus_lost, key_off)),
)
def test_however_a_standing_drive_is_ended(load_a, wait, dt, way):
    """S7: what is on its way down is not live, whatever current still flows."""
    rig = copy.deepcopy(begun("orchard_truck", standing, None))
    rig.plant.load_a = load_a
    live_through(rig, dt, [(None, wait), (way, 0)], 4_000)


@settings(max_examples=max(settings().max_examples // 5, 1))
@given(
    name=st.sampled_from(("orchard_truck", "bench_cart")),
    begin=st.sampled_from((precharging, standing)),
    why_up=st.sampled_from(("discharge broken", "fed", "welded", "drifted")),
    level=st.integers(20, 100),
    dt=STEPS_MS,
    way=st.sampled_from((key_off, stop)),
)
def test_whatever_holds_the_bus_up(name, begin, why_up, level, dt, way):
    """S6: a discharge goes off when the bus does not fall as this build must."""
    rig = copy.deepcopy(begun(name, begin, None))
    for _ in range(25):
        rig.tick()
    p = rig.plant
    if why_up == "discharge broken":
        p.discharge_dead = True
    elif why_up == "fed":
        p.feed_v = p.pack_v * level / 100
    elif why_up == "drifted":
        p.discharge_ohm *= level / 10
    else:
        p.positive.welded = p.negative.welded = True
    live_through(rig, dt, [(way, 0)], rig.build.coast_ms + rig.build.discharge_window_ms + 4_000)
