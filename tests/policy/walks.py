"""Walks: a vehicle is driven up and down by a simple driver while readings, switches, contactors and memory go wrong.

What goes wrong is drawn by chance from a seed: which build with which changes, in which stage, after how many ticks,
for how long, and readings that lie at the edges of the build's levels: just below, at, just above. The vehicle is the
rig's ideal circuit, so a walk is the same on every machine. `python -m policy.walks`, with `tests` in PYTHONPATH,
writes `walks.txt`: a line for each walk, a checksum for each stretch of it over everything that the supervisor
decides. **This says nothing about right or wrong.** It makes any change of decisions visible in review, to a tick and
to a millivolt; whoever changes the policy on purpose runs it and says in the commit what the change is.
"""

import random
import sys
from pathlib import Path

from loopwarden import signals as S
from loopwarden.policy import phases as P
from loopwarden.policy.supervisor import Supervisor

from .decisions import STRETCH, Decisions
from .rig import Rig, device_build, device_values
from .troubles import KINDS, Trouble

KEPT = Path(__file__).with_name("walks.txt")
_QUIET = 150  # ticks at rest, with nothing to come, that end a walk
DRIVE, CHARGE, PARK = "drive", "charge", "park"


class Mood:
    """What a number of walks have in common. kinds: weights of what goes wrong; goals: of the driver, one of these;
    patience: ticks live before the driver parks; gaps: mean ticks between troubles in any stage; most: ticks;
    build: further changes of the build.
    """

    def __init__(self, walks, kinds, goals, patience, gaps, most=2400, **build):
        self.walks, self.kinds, self.goals = walks, kinds, goals
        self.patience, self.gaps, self.most, self.build = patience, gaps, most, build


_GOALS = ((DRIVE,), (DRIVE,), (DRIVE, DRIVE), (CHARGE,), (CHARGE, DRIVE))
_HOT = KINDS | {"zone": 60, "plant": 12, "state": 12}
_CURRENT = {"level": 10, "plant": 40, "speed": 12, "state": 8, "contact": 4, "switch": 5, "clock": 3}
MOODS = (
    Mood(480, KINDS, _GOALS, (150, 400, 700), (40, 90, 200, 400, 100_000)),
    Mood(70, _HOT, ((DRIVE,), (DRIVE,), (CHARGE,)), (900, 1500), (60, 150, 300), most=3000),
    Mood(80, KINDS, ((DRIVE,) * 4, (DRIVE, CHARGE, DRIVE)), (20, 60, 120), (90, 300, 1000), most=3600),
    Mood(60, KINDS, ((CHARGE,), (CHARGE, CHARGE)), (300, 800), (40, 90, 200)),
    Mood(70, _CURRENT, ((DRIVE,), (DRIVE, DRIVE), (CHARGE,)), (500, 1200), (60, 120, 250), over_current_ms=300),
)
WALKS = sum(mood.walks for mood in MOODS)


def mood_of(number):
    """A walk's mood."""
    for mood in MOODS:
        if number < mood.walks:
            return mood
        number -= mood.walks
    raise LookupError(number)


_NOTHING = object()

# Builds


_TWO_ZONES_EACH = {"zone_where": [0, 0, 1, 1, 2, 2], "zone_cover": [2, 1, 8, 4, 0, 0]}
_CHANGES = (
    {"discharge_kind": 1},
    {
        "discharge_kind": 2,
        "discharge_emergency_mj": 0,
        "discharge_budget_mj": 0,
        "bleed_tau_ms": 3000,
        "proof_max_ms": 3000,
    },
    {"feedback": 0},
    {"feedback": 1},
    {"current_fitted": 0, "current_threshold_ma": 0},
    {"speed_fitted": 0},
    {"speed_fitted": 0, "coast_ms": 2000},
    {"cool_kind": 0},
    {"cool_kind": 1},
    {"cool_kind": 2},
    {"cool_kind": 4},
    {"cool_kind": 4, "coolant_fitted": 0},
    {"reference_fitted": 0},
    {"hold_fitted": 0},
    {"iso_while_plugged": 0},
    {"loop_kind": [0, 1, 2, 3, 1, 0]},
    {"loop_kind": [1, 2]},
    dict(_TWO_ZONES_EACH),
    {"debounce": [[7, 500], [53, 200], [36, 0]]},
    {"crash_fitted": 0, "plug_fitted": 0},
    {"crawl_ms": 0},
    {"cool_full_dc": 600, "pack_warm_dc": 450},
    {"charge_end_mv": 424_000},
    {"dead_mv": 50_000, "discharge_stop_mv": 12_000},
    {"crawl_permille": 0},
    {"inspect_after": 1},
    {"precharge_budget_mj": 300_000},
    {"flat_ms": 100, "settle_max_ms": 400},
)
# Long waits made short, so that a walk sees what comes after them.
_SHORT = {
    "ramp_ms": 4000,
    "ramp_fast_ms": 1500,
    "crawl_ms": 1500,
    "fallback_ms": 3000,
    "creep_ms": 600,
    "hold_max_ms": 12_000,
}
_SHORT |= {"after_run_ms": 3000, "iso_settle_ms": 1500, "fall_check_ms": 2000, "discharge_window_ms": 2500}


def build_of(draw, further):
    """A shipped build with a few changes, or none but the further ones."""
    name = "bench_cart" if draw.random() < 0.12 else "orchard_truck"
    changes = {}
    for _ in range(draw.choice((0, 1, 1, 2, 3))):
        changes |= draw.choice(_CHANGES)
    if name == "bench_cart":
        changes = {key: value for key, value in changes.items() if not key.startswith(("zone_", "cool", "current"))}
    if draw.random() < 0.85:
        changes = {key: value for key, value in _SHORT.items() if draw.random() < 0.9} | changes
    build = device_build(name)
    for key, value in (changes | further).items():
        assert hasattr(build, key), key
        setattr(build, key, value)  # lists of any length: nothing is converted here
    return build


class Walk(Rig):
    """One walk: `for stretch in Walk(seed).stretches()` gives a checksum for each."""

    def __init__(self, number):
        self.draw = draw = random.Random(number)
        self.mood = mood = mood_of(number)
        super().__init__(build_of(draw, mood.build))
        self.plant.coarse = True
        self.goals = list(draw.choice(mood.goals))
        self.goal = None
        self.patience = draw.choice(mood.patience)
        self.troubles = [Trouble(draw, kinds=mood.kinds) for _ in range(draw.choice((2, 3, 5, 8, 12)))]
        self.later = []
        self.under_way = []  # (trouble, ticks left)
        self.pressed, self.warming, self.bad_zones = {}, {}, {}
        self.foot_a = self.wheel_mm_s = _NOTHING
        self.pedal_a = draw.choice((0.0, 8.0, 40.0, 80.0, -25.0))
        self.speed_goal = draw.choice((0, 2000, 8000, 15_000))
        if self.speed_goal == 0 and draw.random() < 0.7:
            self.pedal_a = draw.choice((0.0, 4.0))
        self.gap = draw.choice(mood.gaps)
        self.rolls_out = draw.random() < 0.7  # stands before the key is turned off
        warm_dc = draw.choice((250, 250, 310, 420, self.build.heat_dc + 10, self.build.cool_on_dc - 10))
        self.zones_dc = [warm_dc + z for z in range(len(self.build.zone_where))]
        if draw.random() < 0.15:
            self.dt = draw.choice((16, 32, 33))
        self.ticks = self.live_ticks = self.rest_ticks = self.stage_ticks = 0
        self.stage = -1
        self.true_mm_s = 0
        self.decisions = Decisions()

    def power_up(self):
        """The supply is cut for a moment."""
        self.memory.begin()
        self.sup = Supervisor(self.build, self.memory)
        self.out = S.Outputs()

    def ask_now(self):
        """A link asks to clear one of the active rows, or one that is not active."""
        active = self.sup.faults.active_ids()
        self.sup.ask(self.draw.choice(active) if active else 44)

    def stretches(self):
        """Checksums, each over so many ticks, the last over the rest."""
        going = True
        while going:
            for _ in range(STRETCH):
                going = going and self._go_on()
            yield self.decisions.stretch(self.sup)

    def _go_on(self):
        if self.ticks >= self.mood.most or self.rest_ticks >= _QUIET:
            return False
        self.ticks += 1
        self._trouble()
        self._drive()
        for name, value in self.pressed.items():
            setattr(self, name, value)
        for z, step in self.warming.items():
            self.zones_dc[z] += step * (self.ticks % 2)
        self.tick()
        self.decisions.tick(self.sup, self.out)
        resting = self.sup.phase in (P.OFF, P.LOCKED) and not (self.goals or self.under_way or self.memory.mark)
        self.rest_ticks = self.rest_ticks + 1 if resting and self.goal is PARK else 0
        return True

    def fill(self):
        super().fill()
        for z, (state, dc) in self.bad_zones.items():
            self.inputs.zone_state[z] = state
            self.inputs.zone_dc[z] = dc

    def _trouble(self):
        stage = self.sup.phases.stage
        self.stage_ticks = self.stage_ticks + 1 if stage == self.stage else 0
        self.stage = stage
        for entry in self.under_way[:]:
            entry[1] -= 1
            if entry[1] < 0:
                self.under_way.remove(entry)
                if entry[0].undo:
                    entry[0].undo()
        for late in self.later[:]:
            late.ticks -= 1
            if late.ticks < 0:
                self.later.remove(late)
                if len(self.under_way) < 20 and self.draw.random() < 0.7:
                    late.trouble.begin(self)
                    self.under_way.append([late.trouble, late.trouble.ticks])
        if self.draw.random() * self.gap < 1 and stage != P.IDLE:
            self.troubles.append(Trouble(self.draw, stage, self.mood.kinds))
        for trouble in self.troubles[:]:
            if trouble.stage == stage and self.stage_ticks >= trouble.after:
                self.troubles.remove(trouble)
                trouble.begin(self)
                self.under_way.append([trouble, trouble.ticks])

    def _drive(self):
        """The driver: up, some time live, down; an acknowledgement and another key-on where nothing goes."""
        p = self.sup.phases
        n = self.ticks
        self.start = self.ack = self.stop = self.crash = self.service = self.charged = self.coil_fault = 0
        self.lamp_fault, self.coolant = 0, 1
        if self.goal is None or (self.goal is PARK and p.phase in (P.OFF, P.LOCKED) and self.goals):
            self.goal = self.goals.pop(0)
            self.live_ticks = 0
            self.since = n
        live = p.phase in (P.LIVE, P.WINDING)
        self.live_ticks += live
        tired = self.live_ticks > self.patience or n - self.since > 1100
        if self.goal is not PARK and tired:
            if self.rolls_out and self.true_mm_s and n - self.since < 1400:
                self.speed_goal = 0
            else:
                self.goal = PARK
        self.key = 0 if self.goal is PARK else 1
        self.plug = 1 if self.goal is CHARGE else 0
        if p.stage == P.READY:
            wait = n % 40
            self.start = 1 if wait < 8 else 0
            if n - self.since > 330:
                # Nothing goes: another key-on, a request, the button.
                late = (n - self.since) % 300
                self.key = 0 if late < 3 else 1
                self.ack = 1 if 40 <= late < 50 else 0
                if late == 30:
                    self.ask_now()
        wheel = self.speed_goal if live and self.goal is DRIVE and p.phase == P.LIVE else 0
        self.true_mm_s += max(min(wheel - self.true_mm_s, 120), -160)
        self.speed_mm_s = self.true_mm_s if self.wheel_mm_s is _NOTHING else self.wheel_mm_s
        if not self.build.speed_fitted:
            self.speed_mm_s = 0
        granted = self.out.drive_limit_permille if self.goal is DRIVE else self.out.charge_limit_permille
        foot_a = self.pedal_a if self.goal is DRIVE else -abs(self.pedal_a)
        self.plant.load_a = (foot_a * granted / 1000) if self.foot_a is _NOTHING else self.foot_a


def walked(number):
    """A walk's checksums as text, one after the other."""
    return " ".join(f"{stretch:08x}" for stretch in Walk(number).stretches())


def kept():
    """What `walks.txt` holds: number of the walk -> checksums as text."""
    lines = KEPT.read_text(encoding="utf-8").splitlines()
    return {int(number): sums for number, sums in (line.split(": ") for line in lines)}


def main():
    lines = [f"{number}: {walked(number)}\n" for number in range(WALKS)]
    KEPT.write_text("".join(lines), encoding="utf-8")


if __name__ == "__main__":
    device_values("orchard_truck")
    sys.exit(main())
