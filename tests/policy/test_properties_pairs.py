"""Pairs of runs that differ in one thing: what is worse is never answered more mildly; what only tells changes nothing.

Of two runs one has one reading worse from some tick on, and no start is pressed after that. "Milder" is, in any tick:
- a drive or charge limit more than a permille above what the other grants within two rounds of slow turns;
- a main or precharge contactor, the inverter, the charger or the loads commanded where the other has them off;
- the stop lamp out where the other, in the same phase, has it lit.
The high-voltage lamp and the discharge are not compared: a run that ends sooner is dead sooner. A reading that is lost
while it decides whether the vehicle stands is compared with the key on only, and only in its limits: once the key is
off, S4 keeps the contactors closed and winds down for longer, on purpose.
"""

import copy

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden import signals as S

from .rig import Rig
from .test_properties_promises import BEGINNINGS, begun, charging, locked

ROUND = 32  # ticks, twice round the slow turns: a finding more or less may shift by so much what waits for one
LIMITS = ("drive_limit_permille", "charge_limit_permille")
SWITCHED = ("positive", "negative", "precharge", "inverter_enable", "charger_enable", "hv_loads_enable")


def examples(share):
    """So many examples of the profile's; a soak takes them all."""
    return settings(max_examples=max(settings().max_examples // share, 1))


def held(**readings):
    def make(rig):
        rig.held.update(readings)

    return make


def zones(dc, state=S.OK):
    return held(zone_dc=[dc] * 10, zone_state=[state] * 10)


def set_to(name, value):
    def make(rig):
        setattr(rig, name, value)

    return make


def latched(bit):
    def make(rig):
        rig.latch = bit

    return make


# From the build's own lines: each is on the bad side of one, or not readable at all.
WORSE = {
    "hard loop open": set_to("loops", 0),
    "watched loop open": set_to("loops", 0b101),
    "loop shorted to ground": held(loop_low=1),
    "loop shorted to supply": held(loop_high=1),
    "stop": set_to("stop", 1),
    "stop for a moment": latched(S.STOP),
    "crash for a moment": latched(S.CRASH),
    "plugged in": set_to("plug", 1),
    "isolation below its warning": lambda rig: held(isolation_ohm=rig.build.iso_fault_ohm + 1)(rig),
    "isolation fault": held(isolation_ohm=0),
    "isolation lost": held(isolation_ohm=None, isolation_state=S.STALE),
    "isolation device": held(isolation_ohm=None, isolation_state=S.DEVICE),
    "hot": lambda rig: zones(rig.build.pack_hot_dc + 10)(rig),
    "at trip": lambda rig: zones(rig.build.pack_trip_dc)(rig),
    "cold": zones(-50),
    "temperatures lost": zones(None, S.OPEN),
    "supply low": lambda rig: held(supply_mv=rig.build.supply_low_mv - 1)(rig),
    "supply failing": lambda rig: held(supply_mv=rig.build.supply_fail_mv - 1)(rig),
    "supply lost": held(supply_mv=None, supply_state=S.STALE),
    "pack over": lambda rig: held(pack_mv=rig.build.pack_over_mv)(rig),
    "pack lost": held(pack_mv=None, pack_state=S.OPEN),
    "bus lost": held(bus_mv=None, bus_state=S.OPEN),
    "coil driver": set_to("coil_fault", 1),
    "lamp driver": set_to("lamp_fault", 1),
    "coolant stopped": set_to("coolant", 0),
    "late": held(late_ms=5),
    "heap low": held(heap_free=1000),
    "memory failed": lambda rig: rig.remember(failed=True),
}
# What decides whether it stands.
UNKNOWN_MOTION = {
    "speed lost": set_to("speed_mm_s", None),
    "current lost": held(current_ma=None, current_state=S.OPEN),
}
KEPT_ON = st.lists(
    st.tuples(st.sampled_from(("load", "speed", "nothing")), st.integers(1, 150), st.integers(0, 3)), max_size=6
)
DEEDS = st.lists(
    st.tuples(st.sampled_from(("key", "load", "speed", "nothing")), st.integers(1, 150), st.integers(0, 3)), max_size=6
)


def do(rig, deed, how):
    if deed == "key":
        rig.key = how & 1
    elif deed == "load":
        rig.plant.load_a = (0.0, 60.0, 250.0, -40.0)[how]
    elif deed == "speed":
        rig.speed_mm_s = (0, 800, 5_000, 10_000)[how] if rig.speed_mm_s is not None else None


def told(rig):
    return rig.phase, rig.out.lamp_stop, [getattr(rig.out, name) for name in LIMITS + SWITCHED]


def run(rig, at, deeds, worsen=None):
    """What the rig commands in each tick while the deeds are done; from tick `at` on one reading is worse."""
    seen = []
    for deed, wait, how in [("nothing", at, 0), *deeds, ("nothing", 300, 0)]:
        do(rig, deed, how)
        for _ in range(wait):
            if worsen and len(seen) >= at:
                worsen(rig)
            Rig.tick(rig)
            seen.append(told(rig))
    return seen


def milder(worse, better, only_limits=False):
    """The first tick in which the worse run is milder, and in what; None for none."""
    for n, (phase, stop_lamp, values) in enumerate(worse[:-ROUND]):
        around = better[max(n - ROUND, 0) : n + ROUND + 1]
        for k, name in enumerate(LIMITS):
            most = max(others[k] for _, _, others in around)
            if values[k] > most + 1:
                return n, f"{name} {values[k]} over {most}"
        if only_limits:
            continue
        better_phase, better_lamp, others = better[n]
        for k, name in enumerate(SWITCHED, len(LIMITS)):
            if values[k] > others[k]:
                return n, f"{name} is on in {phase}, off in {better_phase}"
        if phase == better_phase and stop_lamp < better_lamp:
            return n, f"the stop lamp is out in {phase}"
    return None


def compare(begin, name, at, deeds, worsen, only_limits=False):
    better = copy.deepcopy(begun(name, begin))
    better.start = 0
    worse = copy.deepcopy(better)
    seen = run(better, at, deeds)
    found = milder(run(worse, at, deeds, worsen), seen, only_limits)
    assert not found, (found, worse.story(), better.story())


@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
@examples(5)
@given(
    begin=st.sampled_from(BEGINNINGS), at=st.integers(0, 60), deeds=DEEDS, what=st.sampled_from(sorted(WORSE))
)  # fmt: skip
def test_a_worse_reading_is_never_answered_more_mildly(name, begin, at, deeds, what):
    compare(begin, name, at, deeds, WORSE[what])


@examples(10)
@given(at=st.integers(0, 60), deeds=DEEDS, what=st.sampled_from(sorted(WORSE)))
def test_nor_in_a_charge(at, deeds, what):
    compare(charging, "orchard_truck", at, deeds, WORSE[what])


@examples(10)
@given(
    begin=st.sampled_from([begin for begin in BEGINNINGS if begin.__name__ in ("driving", "standing")]),
    at=st.integers(0, 60),
    deeds=KEPT_ON,
    what=st.sampled_from(sorted(UNKNOWN_MOTION)),
)
def test_a_lost_speed_or_current_raises_no_limit(begin, at, deeds, what):
    compare(begin, "orchard_truck", at, deeds, UNKNOWN_MOTION[what], only_limits=True)


@examples(10)
@given(
    name=st.sampled_from(("orchard_truck", "bench_cart")),
    begin=st.sampled_from(BEGINNINGS),
    deeds=DEEDS,
    rows=st.lists(st.integers(0, 90), min_size=1, max_size=6),
)
def test_what_a_link_asks_for_changes_no_command_without_the_button(name, begin, deeds, rows):
    """S15: in any phase, any row; the same drive without the questions commands the same in every tick."""
    quiet = copy.deepcopy(begun(name, begin))
    asked = copy.deepcopy(quiet)

    def ask(rig):
        rig.ask(rows[rig.sup.faults.clock_ms // rig.dt % len(rows)])

    assert run(asked, 0, deeds, ask) == run(quiet, 0, deeds)
    assert asked.locked >= quiet.locked


@examples(10)
@given(
    deeds=st.lists(
        st.tuples(st.sampled_from(("key", "start", "ack", *sorted(WORSE))), st.integers(1, 100), st.integers(0, 1)),
        max_size=12,
    )
)
def test_a_later_reading_never_undoes_a_lock(deeds):
    """S9: whatever is read, pressed or turned, without a request over a link it stays, and nothing is started."""
    rig = copy.deepcopy(begun("orchard_truck", locked))
    rig.run(20_000)
    before = rig.locked
    assert before
    for deed, wait, how in deeds:
        if deed in WORSE:
            WORSE[deed](rig)
        elif how == 0 and deed == "key":
            rig.held.clear()  # everything good again as well
            rig.loops = 7
        setattr(rig, deed, how) if deed not in WORSE else None
        for _ in range(wait):
            rig.tick()
            assert rig.locked >= before
            assert not rig.commanded - {"discharge"}


# Faults of different subjects, each with what brings it and what takes it away again.
SPACED = {
    "ISOLATION_WARNING": ("isolation_ohm", lambda b: b.iso_fault_ohm + 1),
    "ISOLATION_FAULT": ("isolation_ohm", lambda b: 0),
    "SUPPLY_LOW": ("supply_mv", lambda b: b.supply_low_mv - 1),
    "SUPPLY_HIGH": ("supply_mv", lambda b: b.supply_high_mv + 1),
    "OVER_VOLTAGE": ("pack_mv", lambda b: b.pack_over_mv),
    "LOOP_TO_GROUND": ("loop_low", lambda b: 2),
    "SELF_TEST_FAILED": ("reference_mv", lambda b: 0),
    "HEAP_LOW": ("heap_free", lambda b: 1000),
    "PACK_HOT": ("zone_dc", lambda b: [b.pack_hot_dc] * 10),
    "CURRENT_BAD": ("current_state", lambda b: S.OPEN),
}
BETWEEN_MS = 12_000


def story(dt_ms, names, key_off):
    """Rows and phases in the order in which they came, each with its time, at this step of time."""
    rig = Rig()
    rig.dt = dt_ms
    seen = []
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 5_000)
    rig.run(16_000)
    known, phase = rig.faults, rig.phase
    begin = rig.t_ms - rig.t_ms % BETWEEN_MS + BETWEEN_MS  # the same moment at every step
    while rig.t_ms < begin + BETWEEN_MS * (len(names) + 3):
        place = (rig.t_ms - begin) // BETWEEN_MS
        rig.held = {}
        if 0 <= place < len(names):
            reading, value = SPACED[names[place]]
            rig.held = {reading: value(rig.build)}
        if place >= key_off:
            rig.key = 0
        rig.tick()
        seen += [(name, rig.t_ms - begin) for name in sorted(rig.faults - known)]
        seen += [(rig.phase, rig.t_ms - begin)] if rig.phase != phase else []
        known, phase = rig.faults, rig.phase
    return seen


@examples(25)
@given(names=st.lists(st.sampled_from(sorted(SPACED)), min_size=1, max_size=4, unique=True), key_off=st.integers(1, 4))
def test_the_step_of_time_changes_nothing_but_resolution(names, key_off):
    """The same rows and phases in the same order at 10, 20 and 40 ms; apart by two rounds of slow turns at the most.

    40 ms is no whole part of this build's windows either: what it measures in whole ticks it measures a tick longer.
    """
    stories = {dt_ms: story(dt_ms, names, key_off) for dt_ms in (10, 20, 40)}
    for dt_ms, seen in stories.items():
        assert [what for what, _ in seen] == [what for what, _ in stories[20]], (dt_ms, stories)
        apart = max((abs(a - b) for (_, a), (_, b) in zip(seen, stories[20], strict=True)), default=0)
        assert apart <= ROUND * max(dt_ms, 20), (dt_ms, stories)
