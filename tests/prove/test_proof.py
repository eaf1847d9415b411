"""A whole proof of a shipped build, of a few cases: a planted mistake is found, shrunk and written; else nothing is."""

import itertools
import tomllib
from pathlib import Path

import pytest

from loopwarden_build.load import parse_build
from loopwarden_prove import plan, proof, work
from loopwarden_prove.executors import DaskExecutor, ExecutorError, LocalExecutor, PoolExecutor
from loopwarden_prove.proof import Asked, prove, write_scenarios
from loopwarden_prove.results import Case
from loopwarden_prove.tally import BREACH, FAILURE, NO_REACTION
from loopwarden_prove.work import Cases, campaign_of, run_cases, source_of
from loopwarden_sim.runner import run
from loopwarden_sim.scenario import load_scenario

from .broken_policy import plant

TRUCK = Path(__file__).resolve().parents[2] / "host_sim" / "builds" / "orchard_truck.toml"
SOURCE = source_of("orchard_truck.toml", TRUCK.read_text(encoding="utf-8"), 1)


def cases(attack: str, count: int, phase: str = "live") -> list[Case]:
    """Some of the campaign's own."""
    found = [one for one in campaign_of(SOURCE).cases if one.attacks == (attack,) and one.phase == phase]
    return found[:: max(1, len(found) // count)][:count]


@pytest.fixture(autouse=True)
def fresh():
    """A campaign keeps a run at hand, with the policy as it was when that began: no test hands it to the next."""
    campaign_of.cache_clear()
    yield
    campaign_of.cache_clear()


@pytest.fixture
def only(monkeypatch):
    """Let a quick proof be of these cases."""

    def install(chosen: list[Case]) -> None:
        monkeypatch.setattr(plan, "sample", lambda cases, count, seed: chosen)

    return install


def proven(asked: Asked | None = None, progress=lambda *seen: None) -> proof.Proof:
    with LocalExecutor() as executor:
        return prove(SOURCE, asked or Asked(1, quick=True), executor, "here", progress)


def written(made: proof.Proof, folder: Path) -> list[Path]:
    with LocalExecutor() as executor:
        write_scenarios(made, SOURCE, TRUCK, folder, executor)
    return sorted(folder.glob("*")) if folder.exists() else []


def test_a_good_policy_shows_nothing_and_nothing_is_written(only, tmp_path):
    only(cases("bus_voltage_open", 3))
    made = proven()
    assert made.troubles == []
    assert (made.run, made.planned, made.ended) == (3, 3, "complete")
    assert made.tally.reactions["BUS_VOLTAGE_BAD"].came > 0
    assert written(made, tmp_path / "out") == []
    assert not (tmp_path / "out").exists()


def test_a_planted_mistake_is_found_shrunk_and_its_file_passes_once_it_is_healed(only, tmp_path, monkeypatch):
    only(cases("bus_voltage_open", 3))
    with monkeypatch.context() as patch:
        plant(patch, "lamps out on none")
        made = proven()
        assert {(one.kind, one.promise) for one in made.troubles} == {(BREACH, "S5")}
        files = written(made, tmp_path / "out")
        assert len(files) == len(made.troubles)
        for path in files:
            assert not run(load_scenario(path)).passed, path.read_text(encoding="utf-8")
    for path in files:
        assert run(load_scenario(path)).passed, path.read_text(encoding="utf-8")


def test_a_file_says_from_which_build_seed_and_case_it_is(only, tmp_path, monkeypatch):
    chosen = cases("bus_voltage_open", 1)
    only(chosen)
    plant(monkeypatch, "lamps out on none")
    made = proven()
    text = written(made, tmp_path)[0].read_text(encoding="utf-8")
    head = " ".join(line.removeprefix("# ") for line in text.splitlines() if line.startswith("#"))
    assert head.startswith("S5 broken: high-voltage lamps out")
    assert f"seed 1, case {chosen[0].number}: bus_voltage_open" in head
    assert made.build_digest[:16] in head
    assert made.firmware_digest[:16] in head
    assert f"{len(tomllib.loads(text)['at'])} events are left" in head


def test_what_the_program_raises_is_a_failure_with_a_file_of_its_own(only, tmp_path, monkeypatch):
    only(cases("bus_voltage_open", 2))
    with monkeypatch.context() as patch:
        plant(patch, "raises on none")
        made = proven()
        assert {one.kind for one in made.troubles} == {FAILURE}
        (path, *_) = written(made, tmp_path)
        assert "TypeError" in run(load_scenario(path)).failure
    assert run(load_scenario(path)).passed


def test_a_reaction_that_does_not_come_is_expected_in_its_file(only, tmp_path, monkeypatch):
    """The attack's row is renamed: what was due under the old name does not come, and simulate says so as well."""
    chosen = [one for one in cases("bus_voltage_open", 30) if campaign_of(SOURCE).run(one).expected][:1]
    only(chosen)
    campaign = campaign_of(SOURCE)
    true_run = campaign.run

    def swapped(case):
        found = true_run(case)
        return type(found)(**{**vars(found), "expected": "CURRENT_BAD", "reacted_ms": -1})

    monkeypatch.setattr(campaign, "run", swapped)
    made = proven()
    assert [(one.kind, one.what) for one in made.troubles] == [(NO_REACTION, "CURRENT_BAD")]
    (path,) = written(made, tmp_path)
    (result,) = run(load_scenario(path)).expectations
    assert not result.passed
    assert "CURRENT_BAD active" in result.text
    path.write_text(path.read_text(encoding="utf-8").replace("CURRENT_BAD", "BUS_VOLTAGE_BAD"), encoding="utf-8")
    assert run(load_scenario(path)).passed


def test_ctrl_c_ends_it_with_what_was_found_so_far(only, tmp_path, monkeypatch):
    only(cases("bus_voltage_open", 3) + cases("stop pressed", 3))
    monkeypatch.setattr(plan, "_TOGETHER", 1)
    plant(monkeypatch, "lamps out on none")

    def interrupt(done: int, planned: int, wrong: int) -> None:
        if wrong:
            raise KeyboardInterrupt

    made = proven(progress=interrupt)
    assert made.ended == "interrupted"
    assert 0 < made.run < made.planned
    assert made.troubles
    (path, *_) = written(made, tmp_path)  # at once: as the case was
    assert "runs: " not in path.read_text(encoding="utf-8")
    assert not run(load_scenario(path)).passed


def test_nothing_is_handed_out_when_the_time_is_over(only, monkeypatch):
    """The clock stands in for time: a second passes whenever somebody looks."""
    only(cases("stop pressed", 6))
    monkeypatch.setattr(plan, "_TOGETHER", 1)
    seconds = itertools.count()
    monkeypatch.setattr(proof.time, "monotonic", lambda: next(seconds))
    made = proven(Asked(1, quick=True, pairs=3, budget_s=3.5))
    assert made.ended == "out of time"
    assert (made.run, made.tally.doubles) == (3, 0)


def test_pairs_come_after_the_single_faults(only):
    only(cases("stop pressed", 2))
    seen = []
    made = proven(Asked(1, quick=True, pairs=2), progress=lambda *now: seen.append(now[:2]))
    assert (made.tally.singles.run, made.tally.doubles, made.ended) == (2, 2, "complete")
    assert seen == [(2, 4), (4, 4)]


def test_at_most_so_many_files_and_one_of_each_kind_first(only, tmp_path, monkeypatch):
    only([*cases("bus_voltage_open", 1), *cases("bus_voltage_short", 1), *cases("bus_voltage_stale", 1)])
    monkeypatch.setattr(proof, "FILES_MAX", 1)
    plant(monkeypatch, "lamps out on none")
    made = proven()
    assert len(made.troubles) > 1
    assert len(written(made, tmp_path)) == 1


def test_findings_are_the_same_here_in_a_pool_and_on_a_cluster():
    """A campaign is made anew by each worker, from the text of the build file."""
    distributed = pytest.importorskip("dask.distributed")
    chosen = cases("bus_voltage_open", 4) + cases("positive_welded", 4)
    tasks = [Cases(SOURCE, tuple(chosen[begin : begin + 2])) for begin in range(0, 8, 2)]
    with LocalExecutor() as here:
        expected = sorted(here.map_unordered(run_cases, tasks))
    with PoolExecutor(2) as pool:
        assert sorted(pool.map_unordered(run_cases, tasks)) == expected
    cluster = distributed.LocalCluster(n_workers=2, threads_per_worker=2, dashboard_address=":0", silence_logs=50)
    with cluster, DaskExecutor(cluster.scheduler_address) as dask:
        assert sorted(dask.map_unordered(run_cases, tasks)) == expected


def test_a_worker_with_another_program_does_no_work():
    other = work.Source(SOURCE.build_file, SOURCE.build_text, SOURCE.seed, "another program's digest", ())
    with LocalExecutor() as executor, pytest.raises(ExecutorError, match="another version of loopwarden"):
        list(executor.map_unordered(run_cases, [Cases(other, ())]))


def test_the_campaign_is_of_the_text_that_was_read():
    assert campaign_of(SOURCE).build == parse_build(SOURCE.build_text, SOURCE.build_file)
