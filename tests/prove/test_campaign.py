"""The campaign: everything that can fail is attacked, at every moment, and a case is what its scenario is."""

import random
from pathlib import Path

import pytest

from loopwarden.policy import fault_table, phases, supervisor
from loopwarden_build.load import read_build
from loopwarden_prove.attacks import attacks_of
from loopwarden_prove.campaign import STAGES, Campaign, CampaignRun
from loopwarden_sim.world import World

BUILDS = Path(__file__).parents[2] / "host_sim" / "builds"
NAMES = ("orchard_truck", "bench_cart")
ROWS = {row[fault_table.NAME]: row for row in fault_table.TABLE}


@pytest.fixture(scope="module", params=NAMES)
def campaign(request):
    return Campaign(read_build(BUILDS / f"{request.param}.toml"))


def some(campaign, count, seed=7):
    return random.Random(seed).sample(campaign.cases, count)


def test_every_fault_that_a_build_can_have_is_an_attack(campaign):
    struck = {
        action.name for attack in campaign.attacks.values() for _, action in attack.deeds if action.kind == "strike"
    }
    # The coil drive that holds too long is no fault of a drive: the virtual board's tests judge it (S11).
    assert struck == World(campaign.build, 1).possible() - {"heartbeat_gate_slow"}


def test_every_zone_loop_and_contactor_is_struck_by_itself(campaign):
    world = World(campaign.build, 1)
    struck = {(action.name, action.value) for attack in campaign.attacks.values() for _, action in attack.deeds}
    for fault in world.possible():
        for place in world.names_of(fault):
            assert (fault, place) in struck


def test_every_deed_can_be_done(campaign):
    for attack in campaign.attacks.values():
        world = World(campaign.build, 1)
        for _, action in sorted(attack.deeds, key=lambda deed: deed[0]):
            if action.kind == "set":
                world.set(action.name, action.value)
            elif action.kind == "strike":
                world.strike(action.name, action.value, **action.arguments)
            elif action.kind == "heal":
                world.heal(action.name, action.value)
            else:
                assert (action.kind, action.name in ("reset", "off", "on")) == ("board", True)


def test_what_is_due_is_a_row_of_the_table_and_leaves_it_its_set_time():
    """The times in attacks.py come from the published reactions; the table is what the policy loads."""
    for name in NAMES:
        for attack in attacks_of(read_build(BUILDS / f"{name}.toml")):
            if attack.due:
                assert ROWS[attack.due.row][fault_table.SET_MS] <= attack.due.bound_ms
                assert attack.due.phases <= set(phases.NAMES)


def test_every_phase_is_attacked_and_those_that_can_move_moving_and_standing(campaign):
    met = {(case.phase, case.moving) for case in campaign.cases}
    standing = {phase for phase, moving in met if not moving}
    # A lock needs a crash or a fault that is one: the cart has no crash input, and its stories have no fault.
    can = set(phases.NAMES) - (set() if campaign.build.inputs.crash else {"locked out"})
    assert can <= standing
    assert {(phase, True) for phase in ("live", "winding down", "discharging")} <= met


def test_every_stage_is_attacked_before_at_and_after_it_begins(campaign):
    texts = {case.moment.removesuffix(" +1").removesuffix(" -1") for case in campaign.cases if case.story == "drive"}
    begun = {seen.stage for seen in campaign._seen["drive"]} - {-1}
    assert all(any(text.startswith(STAGES[stage]) for text in texts) for stage in begun)


def test_a_reset_strikes_in_every_tick_of_a_drive(campaign):
    story = campaign.stories["drive"]
    ticks = {case.tick for case in campaign.cases if case.story == "drive" and case.attacks == ("reset",)}
    assert set(story.attacked) <= ticks


@pytest.mark.parametrize("double", [False, True])
def test_a_case_is_what_its_scenario_is(campaign, double):
    """The copy that a case begins with gives what the story gives that is run from its start (S14)."""
    cases = campaign.doubles(4, 3) if double else some(campaign, 6)
    for case in cases:
        found = campaign.run(case)
        whole = CampaignRun(campaign.scenario(case))
        whole.prepare()
        for tick in range(1, case.tick + found.ticks):
            whole.advance(tick)
        assert whole.monitor.digest == found.digest
        assert whole.scene.phase == found.ended


def test_a_case_leaves_nothing_behind_for_the_next(campaign):
    cases = some(campaign, 3)
    first = [campaign.run(case) for case in cases]
    again = [campaign.run(case) for case in reversed(cases)]
    assert first == again[::-1]


def test_nothing_is_found_in_a_sample_of_single_attacks(campaign):
    for case in some(campaign, 30, seed=2026):
        assert_sound(campaign, case)


def test_nothing_is_found_in_a_sample_of_double_attacks(campaign):
    for case in campaign.doubles(12, 2026):
        assert_sound(campaign, case)


def assert_sound(campaign, case):
    found = campaign.run(case)
    assert (found.breaches, found.failure) == ((), ""), case
    assert found.settled, case
    if found.expected:
        assert 0 <= found.reacted_ms <= found.bound_ms, case


def test_doubles_are_drawn_by_their_seed(campaign):
    drawn = campaign.doubles(40, 1)
    assert drawn == campaign.doubles(40, 1)
    assert drawn != campaign.doubles(40, 2)
    assert [case.number for case in drawn] == list(range(len(campaign.cases), len(campaign.cases) + 40))
    assert all(len(set(case.attacks)) == 2 for case in drawn)


def test_a_policy_that_closes_without_its_checks_is_found(monkeypatch):
    """Planted: the start checks say yes to everything. A start with the stop button in must then be a breach of S1."""
    monkeypatch.setattr(supervisor.start_checks.StartChecks, "refusal", lambda self, charge: 0)
    campaign = Campaign(read_build(BUILDS / "orchard_truck.toml"))
    cases = [case for case in campaign.cases if case.phase == "checking" and case.attacks[0] == "supply_sense_open"]
    assert any(promise == "S1" for case in cases for promise, _, _ in campaign.run(case).breaches)
