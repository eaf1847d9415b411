"""Nothing that arrives over the link changes what is decided, delays a tick or makes the memory grow (S15, S11)."""

import pytest
from sim.board_bench import scenario_of

from .chat import breaches, curious_host, now_and_then, run_with_host, wild_host


@pytest.mark.parametrize(("name", "seed"), [("start_drive_stop", 1), ("emergency_stop_at_speed", 2)])
def test_a_host_gone_wild_changes_nothing(name, seed, tmp_path):
    """Noise, handshakes, half lines, floods, and a reader that stops now and then."""
    scenario = scenario_of(name)
    quiet = run_with_host(scenario, tmp_path / "a.img", None)
    wild = run_with_host(scenario, tmp_path / "b.img", wild_host(seed), reads=now_and_then, measured=(900, 3000))
    assert wild.sent > 30_000
    assert breaches(quiet, wild) == 0
    assert wild.heap[3000] - wild.heap[900] < 1024


def test_a_host_that_asks_once_a_second_is_answered(tmp_path):
    scenario = scenario_of("start_drive_stop")
    talk = run_with_host(scenario, tmp_path / "a.img", curious_host)
    assert not talk.outcome.breaches
    assert talk.heard > 20_000


def test_a_host_that_never_reads_holds_nothing_up(tmp_path):
    scenario = scenario_of("start_drive_stop")
    quiet = run_with_host(scenario, tmp_path / "a.img", None)
    deaf = run_with_host(scenario, tmp_path / "b.img", lambda tick: b"help\rstatus\r", reads=lambda tick: False)
    assert breaches(quiet, deaf) == 0
    assert deaf.heard == 0


def test_a_changed_output_would_be_seen(tmp_path):
    """The judge itself: a run that did something else, and one that reset itself, are breaches."""
    scenario = scenario_of("start_drive_stop")
    quiet = run_with_host(scenario, tmp_path / "a.img", None)
    other = run_with_host(scenario_of("emergency_stop_at_speed"), tmp_path / "b.img", None)
    assert breaches(quiet, other) > 1000
    other = run_with_host(scenario, tmp_path / "c.img", None)
    other.resets.append("reset")
    assert breaches(quiet, other) == 1
