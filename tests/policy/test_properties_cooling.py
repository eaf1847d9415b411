"""Cooling as properties, for any temperatures and any sensors that fail: nobody knows is hot, and hotter is never less.

S10 for cooling: while anything may be closed and no valid reading of the pack is left, everything is cooled in full.
The other side is the build's own lines: full cooling from `cool_full_dc`, or from where the pack counts as warm.
"""

import copy
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden import signals as S

from .rig import Rig, device_build
from .test_properties_pairs import examples
from .test_properties_promises import driving, opening, precharging, standing, winding

FULL = 1000
ROUND_MS = 2_000  # every zone has had its turn, and cooling
AIR, LIQUID, CHILLED, HEAT_SHARING = 1, 2, 3, 4  # kinds of build that have something to ask for
KINDS = st.sampled_from((AIR, LIQUID, CHILLED, HEAT_SHARING))
UNREAD = st.sampled_from((S.OPEN, S.SHORT, S.STALE, S.RANGE))


@cache
def begun(begin, kind):
    return begin(Rig(device_build(cool_kind=kind)))


@pytest.mark.parametrize("begin", [standing, driving, winding])
@examples(4)
@given(kind=KINDS, states=st.lists(UNREAD, min_size=3, max_size=3), dc=st.integers(-300, 400), more=st.integers(0, 100))
def test_where_nobody_knows_how_hot_the_pack_is_it_is_cooled_in_full(begin, kind, states, dc, more):
    """Whatever was read before, and in whatever way each of its sensors fails."""
    rig = copy.deepcopy(begun(begin, kind))
    rig.zones_dc[:3] = [dc] * 3
    rig.run(ROUND_MS)
    zones = len(rig.zones_dc)
    rig.held["zone_dc"] = [None] * 3 + rig.zones_dc[3:] + [None] * (S.ZONES_MAX - zones)
    rig.held["zone_state"] = states + [S.OK] * (zones - 3) + [S.STALE] * (S.ZONES_MAX - zones)
    rig.run(ROUND_MS)
    for _ in range(more):
        rig.tick()
        assert rig.out.fan_permille == FULL, rig.story()
        assert kind == AIR or rig.out.pump_permille == FULL, rig.story()


@examples(2)
@given(
    kind=KINDS,
    begin=st.sampled_from((precharging, standing, driving, winding, opening)),
    dc=st.integers(0, 600),
    more_dc=st.integers(0, 100),
    zone=st.integers(0, 2),
)
def test_hotter_is_never_cooled_less_and_the_full_level_in_full(kind, begin, dc, more_dc, zone):
    asked = []
    for hotter_dc in (0, more_dc):
        rig = copy.deepcopy(begun(begin, kind))
        rig.zones_dc[:3] = [dc] * 3
        rig.zones_dc[zone] += hotter_dc
        rig.run(ROUND_MS)
        asked.append((rig.out.fan_permille, rig.out.pump_permille))
    (fan, pump), (more_fan, more_pump) = asked
    assert more_fan >= fan
    assert more_pump >= pump
    if dc + more_dc >= min(rig.build.cool_full_dc, rig.build.pack_warm_dc):
        assert more_fan == FULL, rig.story()
        assert kind == AIR or more_pump == FULL, rig.story()
