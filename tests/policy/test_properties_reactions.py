"""The published reactions as properties: each row, alone or beside another, in each place, does what the table says.

Compared with what the supervisor commands, never with the policy's own table. The rows are those of
test_fault_table.py, written by hand. A row is raised as an event, so its cause is gone at once and what is seen is the
row's. The hardest of the rows that are there counts (rules of the fault notes). Bounds are the design's: off within two
ticks (S3); limits down within 0.5 s where it stands, along the build's ramp where it moves; then at most 2 s for the
current, before the first contact opens.
"""

import copy
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from .rig import ID_OF, Rig
from .test_fault_table import EXPECTED
from .test_properties_promises import driving, off, standing

MILD_TO_HARD = ("-", "note", "caution", "limit", "refuse", "wind", "fast", "open", "at_once")
ROWS = {line.split()[0]: line.split()[1:] for line in EXPECTED.strip().splitlines()}
# What a row of this name does beside its reaction, or that its own subject takes back at once, as nothing is measured.
OF_A_SEQUENCE = {"BUS_FALLING", "PRECHARGE_RESISTOR_HOT", "DISCHARGE_RESISTOR_HOT", "PACK_WARM", "LOOP_FLICKERS"}
NAMES = sorted(set(ROWS) - OF_A_SEQUENCE)
MAINS = {"positive", "negative"}
DOWN_MS = 500 + 2_000 + 100  # limits to zero, the current awaited, a tick or two


def hardness(name):
    return MILD_TO_HARD.index(name)


def reaction(rows, column):
    """The hardest of what these rows ask for; column: 0 before the start, 1 standing, 2 moving."""
    return max((ROWS[name][2 + column] for name in rows), key=hardness, default="-")


def caps(rows, column):
    """The least drive and charge limit in permille that these rows leave, where they limit or are harder."""
    least = {"D": 1000, "C": 1000}
    for name in rows:
        if hardness(ROWS[name][2 + column]) >= hardness("limit"):
            for cap in ROWS[name][6:]:
                if cap[0] in least and cap[1:].isdigit():
                    least[cap[0]] = min(least[cap[0]], 10 * int(cap[1:]))
    return least["D"], least["C"]


def lamps_tell(rig, rows, column):
    """Caution and limit light the caution lamp, refuse and harder the stop lamp; where another is meant it is said."""
    harder = [name for name in rows if hardness(ROWS[name][2 + column]) >= hardness("caution")]
    refusing = [name for name in harder if hardness(ROWS[name][2 + column]) >= hardness("refuse")]
    stop = any("stop" in ROWS[name][6:] for name in harder) or any("caution" not in ROWS[name][6:] for name in refusing)
    if stop:
        return rig.out.lamp_stop
    return rig.out.lamp_caution if harder else True


@cache
def begun(begin):
    return begin(Rig())


def raised(begin, name, other, wait):
    rig = copy.deepcopy(begun(begin))
    rig.start = 0
    for _ in range(wait):
        rig.tick()
    rows = sorted({name, *other})
    for row in rows:
        rig.sup.faults.trip(ID_OF[row])
    rig.tick()
    return rig, rows


beside = st.one_of(st.just(()), st.tuples(st.sampled_from(NAMES)))
waits = st.integers(0, 40)
few = settings(max_examples=max(settings().max_examples // 25, 1))


@pytest.mark.parametrize("name", NAMES)
@few
@given(other=beside, wait=waits)
def test_moving(name, other, wait):
    """S4: nothing but "at once" opens anything while it moves; the rest takes the limits down, or caps them."""
    rig, rows = raised(driving, name, other, wait)
    done = reaction(rows, 2)
    if done == "at_once":
        rig.tick()
        assert not rig.commanded & MAINS, rig.story()
        return
    b = rig.build
    ramp_ms = {"wind": b.ramp_ms, "fast": b.ramp_fast_ms}.get(done, 0)
    first = rig.out.drive_limit_permille
    end_ms = rig.t_ms + ramp_ms + 1_500
    rig.dt = 50
    while rig.t_ms < end_ms:
        rig.tick()
        assert rig.commanded >= MAINS, (rows, rig.story())
    drive, charge = caps(rows, 2)
    most = {"wind": b.crawl_permille, "fast": 0}.get(done, 1000)
    assert rig.out.drive_limit_permille <= min(most, drive), (rows, rig.story())
    assert rig.out.charge_limit_permille <= min(most, charge), (rows, rig.story())
    if hardness(done) <= hardness("caution"):
        assert rig.out.drive_limit_permille >= first, (rows, rig.story())
    assert rig.phase == ("winding down" if ramp_ms else "live")
    assert lamps_tell(rig, rows, 2), (rows, rig.story())


@pytest.mark.parametrize("name", NAMES)
@few
@given(other=beside, wait=waits)
def test_standing(name, other, wait):
    """What winds down or opens has opened within its time; anything milder leaves it live, within its caps."""
    rig, rows = raised(standing, name, other, wait)
    done = reaction(rows, 1)
    o = rig.out
    if done == "open":
        assert not o.inverter_enable, (rows, rig.story())
        assert not max(o.drive_limit_permille, o.charge_limit_permille), (rows, rig.story())
    rig.run(rig.dt if done == "at_once" else DOWN_MS)
    if done in ("wind", "fast", "open", "at_once"):
        assert not rig.commanded & (MAINS if done == "at_once" else {"positive"}), (rows, rig.story())
        return
    assert rig.commanded >= MAINS, (rows, rig.story())
    drive, charge = caps(rows, 1)
    assert o.drive_limit_permille <= drive, (rows, rig.story())
    assert o.charge_limit_permille <= charge, (rows, rig.story())
    assert lamps_tell(rig, rows, 1), (rows, rig.story())


@pytest.mark.parametrize("name", NAMES)
@few
@given(other=beside, keys=st.integers(0, 2), cut=st.booleans())
def test_before_a_start(name, other, keys, cut):
    """What refuses, refuses; what waits for a key-on is over with it; a lock is not, not even after a power cut."""
    rig, rows = raised(off, name, other, 0)
    rig.run(1_000)
    if cut:
        rig.cut_power()
        rig.run(400)
    for key in (1, 0) * keys + (1,):
        rig.key = key
        rig.run(300)
    rig.run(2_200)
    kept = {"lock", "acknowledged", "button_and_key"}
    for row in rows:
        if ROWS[row][5] in kept:
            assert row in rig.faults, (row, rig.story())
        elif ROWS[row][5] == "key" or cut:
            assert row not in rig.faults, (row, rig.story())
    rig.start = 1
    rig.run(100)
    refuses = hardness(reaction(rig.faults & set(rows), 0)) >= hardness("refuse")
    assert bool(rig.commanded & {*MAINS, "precharge"}) != refuses, (rows, rig.story())
