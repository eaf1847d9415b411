"""The campaign of one build: its cases, and what comes of one. Each case begins with a copy of its story's run.

A copy gives what the whole story, run from its start, would give (tests/prove/test_campaign.py), so that any case can
be written as a scenario. The promise monitor of the simulator judges; what is due is said in attacks.py.
"""

import copy
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loopwarden.policy import fault_table, phases
from loopwarden_build.model import BuildFile
from loopwarden_prove.attacks import Due, attacks_of
from loopwarden_prove.results import Case, Finding
from loopwarden_prove.stories import Story, stories_of
from loopwarden_sim.runner import Run
from loopwarden_sim.scenario import Action, Scenario
from loopwarden_sim.trace import FAULT_IDS, FAULT_ROWS

_MOVES_KMH = 0.5
_LONG_TICKS = 25  # a stage that lasts longer is attacked in its middle as well
_SETTLED_S = 2.0
_AFTER_S = 90.0  # at the longest, when the story is over
_GAPS_S = (0.0, 0.02, 0.1, 0.5, 2.0, 10.0)  # from the first to the second of two attacks
_STAGES = (
    "IDLE READY MARK NEGATIVE_TEST NEGATIVE_TEST_ENDS POSITIVE_TEST CHARGE_BUS TAKE_OVER DRIVE WIND_DOWN WAIT_CURRENT "
    "POSITIVE_OPENS PROOF_PULSE PROOF_ENDS NEGATIVE_OPENS ALL_OPEN DISCHARGE CREEP PROVE_DEAD"
)
STAGES = {int(getattr(phases, name)): name.lower().replace("_", " ") for name in _STAGES.split()}


@dataclass(frozen=True)
class _Seen:
    """One tick of a story with nothing wrong."""

    phase: str
    stage: int  # -1 without a board that runs
    moving: bool


@dataclass(frozen=True)
class _Moment:
    story: Story
    tick: int
    text: str
    phase: str
    moving: bool


class CampaignRun(Run):
    """A run that writes down when each row became active, and tells no story of its own."""

    def __init__(self, scenario: Scenario) -> None:
        super().__init__(scenario, scenario.seed)
        self.reactions: dict[str, int] = {}
        self.struck = 0
        self.known: frozenset[str] = frozenset()

    def tell(self, phase_changed: bool) -> None:
        """Called when phase or active rows have changed."""
        for name in self.scene.active - self.known:
            self.reactions.setdefault(name, self.tick)
        self.known = self.scene.active

    def note(self, text: str, t_ms: int) -> None:
        """Nobody reads it."""

    def power_off(self, *, orderly: bool) -> None:
        super().power_off(orderly=orderly)
        self.known = frozenset()

    def copy(self) -> "CampaignRun":
        """One that goes on from here by itself. What no run changes is shared."""
        world, monitor = self.world, self.monitor
        shared = (self.scenario, self.build, world.build, world.parameters, world._device, monitor.bounds)
        memo: dict[int, Any] = {id(one): one for one in (*shared, world.sensors._noise, world.sensors._curves)}
        for channel in (*world.sensors.channels.values(), *world.sensors.zones):
            memo[id(channel._table)] = channel._table
        memo[id(monitor._digest)] = monitor._digest.copy()
        return copy.deepcopy(self, memo)


class Campaign:
    """All single attacks at every moment of every story; `run` and `scenario` give one case, simulated or written down.

    cases  in order of story and tick; each moment's cases lie together, so that its copy is made from one run
    """

    def __init__(self, build: BuildFile, seed: int = 1) -> None:
        self.build = build
        self.seed = seed
        self.tick_ms = round(1000 * build.build.tick)
        self.stories = {story.name: story for story in stories_of(build)}
        self.attacks = {attack.name: attack for attack in attacks_of(build)}
        self._seen = {name: self._live_through(story) for name, story in self.stories.items()}
        self._moments = [moment for story in self.stories.values() for moment in self._moments_of(story)]
        self._at: tuple[str, CampaignRun] | None = None
        self.cases = self._singles()

    # What is attacked ----------------------------------------------------------------------------------------------

    def _scenario(self, story: Story, more: tuple[tuple[int, Action], ...] = (), title: str = "") -> Scenario:
        return Scenario(
            path=Path(f"{story.name}.toml"),
            title=title or story.name,
            build=self.build,
            seed=self.seed,
            ticks=story.ticks + round(_AFTER_S * 1000 / self.tick_ms),
            memory_new=False,
            start=story.start,
            events=tuple(sorted((*story.events, *more), key=lambda event: event[0])),
            expectations=(),
        )

    def _live_through(self, story: Story) -> list[_Seen]:
        run = CampaignRun(self._scenario(story))
        run.prepare()
        seen = [_Seen("unpowered", -1, False)]
        for tick in range(1, story.ticks + 1):
            run.advance(tick)
            supervisor = run.scene.supervisor
            stage = -1 if supervisor is None else supervisor.phases.stage
            moving = abs(run.world.plant.vehicle.speed_m_s) * 3.6 > _MOVES_KMH
            seen.append(_Seen(run.scene.phase, stage, moving))
        return seen

    def _moments_of(self, story: Story) -> list[_Moment]:
        """Before, at and after each change of stage, motion or grant, and the middle of what lasts."""
        seen = self._seen[story.name]
        found: dict[int, str] = {}
        begin = 1
        for tick in range(2, len(seen) + 1):
            if tick < len(seen) and (seen[tick].stage, seen[tick].moving) == (
                seen[tick - 1].stage,
                seen[tick - 1].moving,
            ):
                continue
            name = _named(seen[begin])
            for shift in (-1, 0, 1):
                if begin + shift >= 1:
                    found.setdefault(begin + shift, f"{name} begins {shift:+d}" if shift else f"{name} begins")
            if tick - begin > _LONG_TICKS:
                found.setdefault((begin + tick) // 2, f"in {name}")
            begin = tick
        return [
            _Moment(story, tick, text, seen[tick - 1].phase, seen[tick - 1].moving)
            for tick, text in sorted(found.items())
            if tick in story.attacked and seen[tick - 1].phase in story.phases
        ]

    def _singles(self) -> list[Case]:
        found: list[Case] = []
        for moment in self._moments:
            for attack in self.attacks:
                found.append(_case(len(found), moment, (attack,)))
        story = next(iter(self.stories.values()))
        seen = self._seen[story.name]
        for tick in story.attacked:  # a reset at any tick
            moment = _Moment(story, tick, f"tick {tick}", seen[tick - 1].phase, seen[tick - 1].moving)
            found.append(_case(len(found), moment, ("reset",)))
        return found

    def doubles(self, count: int, seed: int) -> list[Case]:
        """`count` pairs of attacks, drawn by `seed`, numbered on after the single ones, in order of their moments."""
        draw = random.Random(seed)
        names = list(self.attacks)
        drawn: list[tuple[int, tuple[str, ...], int]] = []
        for _ in range(count):
            where = draw.randrange(len(self._moments))
            gap = round(draw.choice(_GAPS_S) * 1000 / self.tick_ms)
            drawn.append((where, tuple(draw.sample(names, 2)), gap))
        drawn.sort(key=lambda one: one[0])
        first = len(self.cases)
        return [_case(first + n, self._moments[where], pair, gap) for n, (where, pair, gap) in enumerate(drawn)]

    # What comes of it ----------------------------------------------------------------------------------------------

    def _deeds(self, case: Case) -> tuple[tuple[int, Action], ...]:
        deeds: list[tuple[int, Action]] = []
        for n, name in enumerate(case.attacks):
            tick = case.tick + n * case.gap_ticks
            deeds += [(tick + delay, action) for delay, action in self.attacks[name].deeds]
        return tuple(deeds)

    def scenario(self, case: Case) -> Scenario:
        """The case as one scenario, from the story's start on."""
        title = f"{' and '.join(case.attacks)}: {case.story}, {case.moment}"
        return self._scenario(self.stories[case.story], self._deeds(case), title)

    def run(self, case: Case) -> Finding:
        """Simulate a case from its moment on until all is settled."""
        story = self.stories[case.story]
        run = self._before(story, case.tick).copy()
        before = dict(run.monitor.exercised)
        scenario = self.scenario(case)
        run.expect_events([event for event in scenario.events if event[0] >= case.tick])
        over = max(story.ticks, scenario.events[-1][0])
        settled = False
        failure = ""
        tick = case.tick - 1
        try:
            quiet, last = 0, None
            while tick < scenario.ticks and not settled:
                tick += 1
                run.advance(tick)
                if tick > over:
                    now = self._state(run)
                    quiet = quiet + 1 if now == last else 0
                    last = now
                    settled = quiet * self.tick_ms >= 1000 * _SETTLED_S
        except Exception as error:  # the code under test may raise anything
            failure = run.failed(error)
        return self._finding(case, run, before, tick, settled, failure)

    @staticmethod
    def _state(run: CampaignRun) -> tuple[Any, ...] | None:
        """What stays the same once all is over; None while a coil is on, a limit is granted or it moves."""
        outputs = run.scene.outputs
        if (
            outputs.positive
            or outputs.negative
            or outputs.precharge
            or outputs.discharge
            or outputs.drive_limit_permille
        ):
            return None
        if abs(run.world.plant.vehicle.speed_m_s) * 3.6 > _MOVES_KMH:
            return None
        return run.scene.phase, run.scene.active, outputs.lamp_hv, outputs.hold

    def _finding(
        self, case: Case, run: CampaignRun, before: dict[str, int], tick: int, settled: bool, failure: str
    ) -> Finding:
        strike_ms = (case.tick - 1) * self.tick_ms
        reactions = {name: at * self.tick_ms - strike_ms for name, at in run.reactions.items() if at >= case.tick}
        due = self._due(case)
        breaches = [(one.promise, one.t_ms - strike_ms, one.seen) for one in run.monitor.breaches]
        kept, lost = _kept(run)
        breaches += [(promise, (tick - case.tick + 1) * self.tick_ms, what) for promise, what in lost]
        exercised = {**{name: n - before[name] for name, n in run.monitor.exercised.items()}, **kept}
        return Finding(
            number=case.number,
            ticks=tick - case.tick + 1,
            ended=run.scene.phase,
            settled=settled,
            breaches=tuple(breaches),
            reactions=tuple(sorted(reactions.items(), key=lambda one: (one[1], one[0]))),
            exercised=tuple((name, n) for name, n in exercised.items() if n),
            expected=due.row if due else "",
            bound_ms=due.bound_ms if due else 0,
            reacted_ms=reactions.get(due.row, reactions.get(due.or_row, -1)) if due else -1,
            failure=failure,
            digest=run.monitor.digest,
        )

    def _due(self, case: Case) -> Due | None:
        """What this attack must raise here: where the story itself stays long enough in a phase that looks for it."""
        if len(case.attacks) != 1:
            return None
        due = self.attacks[case.attacks[0]].due
        if due is None:
            return None
        seen = self._seen[case.story]
        last = min(case.tick + due.bound_ms // self.tick_ms + 1, len(seen))
        stays = last < len(seen) and all(one.phase in due.phases for one in seen[case.tick - 1 : last])
        return due if stays else None

    def _before(self, story: Story, tick: int) -> CampaignRun:
        """The story's own run, just before a tick."""
        if self._at is None or self._at[0] != story.name or self._at[1].tick >= tick:
            run = CampaignRun(self._scenario(story))
            run.prepare()
            self._at = (story.name, run)
        run = self._at[1]
        while run.tick < tick - 1:
            run.advance(run.tick + 1)
        return run


def _kept(run: CampaignRun) -> tuple[dict[str, int], list[tuple[str, str]]]:
    """What the fault memory must hold of all that became active: a record of every code (S8), every lock (S9).

    Returns how often either was put to the test, and what is missing. Nobody clears anything in a campaign.
    """
    memory = run.scene.memory
    rows = [(name, FAULT_ROWS[FAULT_IDS[name]]) for name in sorted(run.reactions)]
    coded = [(name, row) for name, row in rows if row[fault_table.CODE]]
    locks = [(name, row) for name, row in rows if row[fault_table.ENDS] == fault_table.LOCK]
    lost = [("S8", f"no record of {name}") for name, row in coded if memory.raw(row[fault_table.ID]) is None]
    lost += [("S9", f"{name} is no lock any more") for name, row in locks if row[fault_table.ID] not in memory.locked]
    return {"S8": len(coded), "S9": len(locks)}, lost


def _case(number: int, moment: _Moment, attacks: tuple[str, ...], gap_ticks: int = 0) -> Case:
    story, tick = moment.story.name, moment.tick
    return Case(number, story, moment.text, tick, moment.phase, moment.moving, attacks, gap_ticks)


def _named(seen: _Seen) -> str:
    stage = "unpowered" if seen.stage < 0 else STAGES[seen.stage]
    return f"{stage}, moving" if seen.moving else stage
