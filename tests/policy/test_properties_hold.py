"""When the board lets its own supply go, as a property: key off, proven dead and all stored; or after the longest wait.

"Proven dead": validly below the dead level throughout 10 s, with everything commanded off (design, sequence "down").
Counted here from readings and commands, whatever discharges, feeds or hides the bus, and however the drive ended.
"""

import copy
from functools import cache

from hypothesis import given, settings
from hypothesis import strategies as st

from loopwarden import signals as S

from .rig import COMMANDS, Rig, device_build
from .test_properties_promises import checking, driving, opening, standing

PROVEN_MS = 10_000
TURN_MS = 1_000  # the wait is counted in slow turns, twice the longest way round at the most


class Held(Rig):
    """A rig that looks at `hold` in every tick."""

    dead_ms = waits_ms = 0

    def tick(self):
        stored = not self.sup.faults.marked
        super().tick()
        i, b = self.inputs, self.build
        off = not any(getattr(self.out, name) for name in COMMANDS)
        dead = off and not i.bus_state and i.bus_mv is not None and i.bus_mv < b.dead_mv
        self.dead_ms = self.dead_ms + self.dt if dead else 0
        self.waits_ms = 0 if self.key else self.waits_ms + self.dt
        if not self.out.hold and self.waits_ms < b.hold_max_ms - TURN_MS:
            assert not self.key, self.story()
            assert self.dead_ms >= PROVEN_MS, f"bus dead for {self.dead_ms} ms, {self.story()}"
            assert stored, f"not all stored, {self.story()}"


def rolled_out(rig):
    return driving(rig).stand()


@cache
def begun(begin):
    return begin(Held(device_build("orchard_truck", hold_max_ms=60_000, cool_kind=0)))


@settings(max_examples=max(settings().max_examples // 2, 1))
@given(
    begin=st.sampled_from((checking, standing, rolled_out, opening)),
    ends=st.sampled_from(("key", "stop", "crash")),
    bus=st.sampled_from(("free", "free", "fed", "welded", "unread", "slow", "creeps")),
    again_ms=st.integers(0, 20_000),
)
def test_the_supply_is_let_go_only_when_all_is_dead_and_stored(begin, ends, bus, again_ms):
    rig = copy.deepcopy(begun(begin))
    rig.start = rig.key = 0
    rig.latch = {"stop": S.STOP, "crash": S.CRASH}.get(ends, 0)
    rig.tick()
    if bus == "fed":
        rig.plant.feed_v = 2 * rig.build.dead_mv / 1000
    elif bus == "welded":
        rig.plant.positive.welded = rig.plant.negative.welded = True
    elif bus == "unread":
        rig.held.update(bus_mv=None, bus_state=S.OPEN)
    elif bus == "slow":
        rig.plant.discharge_dead = True
    for _ in range(again_ms // rig.dt):
        rig.tick()
    if bus == "creeps":
        rig.plant.feed_v = 1.5 * rig.build.dead_mv / 1000
        rig.run(500)
    if bus != "slow":
        rig.plant.feed_v = None
        rig.plant.positive.welded = rig.plant.negative.welded = False
        rig.held.clear()
    rig.dt = 50
    rig.run(75_000)
    assert not rig.out.hold, rig.story()
