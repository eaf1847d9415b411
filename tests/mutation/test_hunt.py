"""Results outlive a run that was ended; tests meet a mutant in a sensible order; the summary counts what was tried."""

import json

import pytest

from .hunt import Results, all_mutants, figures, interval, published, summary
from .mutants import Mutant
from .plan import Plan
from .victims import Verdict

LAMPS = "policy/lamps.py"
MUTANT = Mutant(LAMPS, "Lamps.step", 24, "o.lamp_hv = 0 if dark else 1", "0 if dark else 1 -> 0", 0)
SLOW, QUICK, OWN = (
    "tests/policy/test_a.py::test_a[1]",
    "tests/policy/test_b.py::test_b",
    "tests/policy/test_down.py::test_c",
)
SECOND = "tests/policy/test_a.py::test_a[2]"


def plan():
    plan = Plan(of={})
    for name, seconds in ((SLOW, 1.0), (SECOND, 1.5), (QUICK, 0.1), (OWN, 2.0)):
        plan.add(name, seconds, {LAMPS: [24]})
    plan.add("tests/policy/test_e.py::test_elsewhere", 0.1, {LAMPS: [18]})
    return plan


def names(tests):
    return [name for name, _ in tests]


def test_results_are_read_back_and_the_later_one_counts(tmp_path):
    results = Results(tmp_path / "results.jsonl")
    results.add(MUTANT, Verdict("", "survived", 1.5))
    results.add(MUTANT, Verdict(QUICK, "failed", 0.5))
    assert Results(tmp_path / "results.jsonl").of == {MUTANT.key: Verdict(QUICK, "failed", 0.5)}


def test_only_tests_that_run_the_line_are_tried_its_own_first_then_the_quickest():
    """And one case of each test before the second case of any."""
    assert names(plan().tests(MUTANT, 60)) == [OWN, QUICK, SLOW, SECOND]


def test_walks_come_before_all_but_for_rows_of_the_table_their_own_test():
    known = plan()
    walk, rows = "tests/policy/test_walks.py::test_d[7]", "tests/policy/test_fault_table.py::test_row"
    for name in (walk, rows):
        known.add(name, 1.0, {LAMPS: [24]})
    assert names(known.tests(MUTANT, 60))[0] == walk
    row = Mutant("policy/fault_table.py", "", 61, "(1,", "column 6: DOWN -> FAST", 0)
    assert names(known.tests(row, 60))[:2] == [rows, walk]


def test_what_killed_in_the_same_function_goes_before_all():
    known = plan()
    known.kills[LAMPS, "Lamps.step"][SECOND] += 1
    assert names(known.tests(MUTANT, 60))[0] == SECOND


def test_tests_end_where_their_usual_time_is_over():
    assert names(plan().tests(MUTANT, 2.15)) == [OWN, QUICK]


def test_a_plan_is_kept_for_the_same_files_and_for_no_others(tmp_path):
    kept = Plan.load(tmp_path / "none.json")
    assert not kept.seconds
    file = next(name for name in kept.of if name.endswith("test_lamps.py") or name.endswith("test_down.py"))
    kept.add(f"{file}::test_x", 1.0, {LAMPS: [24]})
    kept.save(tmp_path / "tests.json")
    assert Plan.load(tmp_path / "tests.json").runs[LAMPS] == {24: [f"{file}::test_x"]}
    for changed in (file, ""):
        content = json.loads((tmp_path / "tests.json").read_text(encoding="utf-8"))
        content["of"][changed] = "another"
        (tmp_path / "other.json").write_text(json.dumps(content), encoding="utf-8")
        assert not Plan.load(tmp_path / "other.json").seconds


def test_the_summary_counts_what_was_tried_and_names_what_survived(tmp_path):
    results = Results(tmp_path / "results.jsonl")
    some = all_mutants()[:20]
    for mutant in some[:8]:
        results.add(mutant, Verdict(QUICK, "failed", 0.1))
    for mutant in some[8:10]:
        results.add(mutant, Verdict("", "survived", 0.1))
    told = summary(some, results, 20)
    assert (told["made"], told["tried"], told["killed"], told["score_percent"]) == (20, 10, 8, 80.0)
    assert sorted(told["survivors"]) == sorted(mutant.key for mutant in some[8:10])
    assert figures(told)["mutation_score_percent"] == 80.0


def test_how_sure_a_sample_makes():
    """Wilson's interval of 90 in 100: (p + z2/2n +- z sqrt(p(1-p)/n + z2/4n2)) / (1 + z2/n), z = 1.96 (by algebra)."""
    assert interval(90, 100) == pytest.approx([82.56, 94.48], abs=0.01)
    assert interval(0, 0) == [0.0, 100.0]


def test_packages_count_by_what_could_be_mutated_not_by_what_was_tried():
    parts = {"memory": {"made": 100, "score_percent": 80.0}, "policy": {"made": 300, "score_percent": 100.0}}
    assert published(parts)["score_percent"] == 95.0


def test_policy_comes_before_memory_and_within_it_by_chance_and_always_the_same():
    mutants = all_mutants()
    packages = [mutant.file.split("/")[0] for mutant in mutants]
    assert packages == sorted(packages, reverse=True)
    assert len({mutant.file for mutant in mutants[:30]}) > 5
    assert [mutant.key for mutant in mutants] == [mutant.key for mutant in all_mutants()]
