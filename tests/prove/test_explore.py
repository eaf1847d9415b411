"""The exploration of the supervisor in a coarse world: closed, through every stage, and it finds what is planted."""

import pytest

from loopwarden.policy import lamps, phases
from loopwarden.policy.phases import Phases
from loopwarden_prove.coarse import coarse_cart, coarse_truck, models, small_models
from loopwarden_prove.explore import (
    Explorer,
    exploration_breaches,
    explore,
    explored_states,
    explored_transitions,
)

STAGES = {value for name, value in vars(phases).items() if name.isupper() and isinstance(value, int)} & set(range(19))


@pytest.fixture(scope="module")
def explored():
    return explore(small_models())


def test_a_small_world_is_explored_to_its_end_and_no_promise_is_broken(explored):
    assert exploration_breaches(explored) == 0, [str(b) for one in explored for b in one.breaches + one.dead_ends]
    assert all(one.closed for one in explored)


def test_every_stage_is_reached_in_it(explored):
    assert {stage for one in explored for stage in one.stages} == STAGES


def test_every_state_is_left_by_every_choice(explored):
    choices = [len(model.choices()) for model in small_models()]
    assert [one.transitions for one in explored] == [one.states * n for one, n in zip(explored, choices, strict=True)]
    assert explored_states(explored) == sum(one.states for one in explored)
    assert explored_transitions(explored) == sum(one.transitions for one in explored)


def test_the_same_world_gives_the_same_figures(explored):
    again = explore(small_models(), most=500)
    assert [str(one) for one in again] == [str(one) for one in explore(small_models(), most=500)]
    assert exploration_breaches(again) >= 1, "a model that was not closed does not count as explored"


def first_breach(promise, name="cart, driver from power-up"):
    """Explore that model until this promise is broken; the breach."""
    for model in (model for model in small_models() + models() if model.name == name):
        found = Explorer(model).run(until=promise)
        for breach in found.breaches + found.dead_ends:
            if breach.promise == promise:
                return breach
    return None


def test_a_lamp_that_trusts_an_open_command_is_found(monkeypatch):
    """S5, planted: out as soon as nothing is commanded, whatever the bus is."""

    def step(self):
        self.outputs.lamp_hv = self.outputs.positive or self.outputs.negative or self.outputs.precharge

    monkeypatch.setattr(lamps.Lamps, "step", step)
    assert first_breach("S5") is not None


def test_a_second_main_that_closes_by_time_is_found_with_the_way_there(monkeypatch):
    """S2, planted: closed after a while, wherever the bus is. The way is that of a start: key on, start, wait."""

    def settle(self, bus, fraction_mv):
        self.outputs.positive = 1
        self.enter(phases.TAKE_OVER, self.build.close_ms)

    monkeypatch.setattr(Phases, "_settle", settle)
    breach = first_breach("S2")
    assert breach is not None
    assert any("start" in choice for choice in breach.way)
    assert breach.way[0].startswith(("key", "start", "off"))


def test_a_discharge_before_the_release_time_is_found(monkeypatch):
    """S6, planted: nothing waits for the contactors to let go."""
    enter = Phases.enter
    monkeypatch.setattr(Phases, "enter", lambda self, stage, wait_ms=0: enter(self, stage))
    assert first_breach("S6") is not None


def test_a_cut_that_waits_is_found(monkeypatch):
    """S3, planted: the cut switches the inverter off and leaves the contactors."""

    def cut(self):
        self.outputs.inverter_enable = 0

    monkeypatch.setattr(Phases, "cut", cut)
    assert first_breach("S3", "cart, stop") is not None


def test_a_watch_that_never_ends_is_a_dead_end(monkeypatch):
    """Planted: after the discharge it watches for ever."""
    monkeypatch.setattr(Phases, "_creep", lambda self: None)
    assert first_breach("dead end") is not None


def test_the_coarse_builds_pass_every_rule_of_a_build():
    """coarse_build raises where one does not."""
    for build in (coarse_cart(), coarse_cart(bleed=True), coarse_truck()):
        assert build.build.tick == 0.05


def test_every_model_has_its_healthy_choices():
    for model in models():
        labels = [choice.label for choice in model.choices()]
        assert set(model.calm) <= set(labels)
        assert len(set(labels)) == len(labels)
