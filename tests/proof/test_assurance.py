"""The assurance page says what its sources say: comments, tests, monitor, scenarios, the last long run, the hazards."""

import json
import re
from dataclasses import replace

import pytest

from proof import assurance_page, evidence, exercised, last_run
from proof.evidence import PROMISES, ROOT
from proof.hazards import HAZARDS, JUDGED_ELSEWHERE, KEPT_AS_A_WHOLE, NOT_COVERED

NOTES = ROOT / "hardware_notes"
FOUND = assurance_page.of_this_checkout()
RUN = {
    "date": "2001-02-03",
    "commit": "abc1234",
    "minutes": 61,
    "figures": {"campaign_cases": 12345, "campaign_breaches": 0, "mutation_score_percent": 95.1, "dogs_barked": 7},
    "promises": {"S1": 4321},
}


def section(page, promise):
    return page.split(f"\n## {promise}\n")[1].split("\n## ")[0]


def anchors(text):
    """Headings as links name them: lower case, spaces as hyphens, no punctuation."""
    heads = re.findall(r"^#+ (.*)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def test_the_page_in_the_checkout_is_the_page_of_its_sources():
    """After a change of any of them: python3 tools/dev.py pages."""
    assert assurance_page.PAGE.read_text(encoding="utf-8") == assurance_page.page(FOUND)


@pytest.mark.parametrize("name", ["assurance", "outside_checks"])
def test_every_link_of_a_generated_page_leads_somewhere(name):
    links = re.findall(r"\]\(([^)#]*)(?:#([^)]*))?\)", (NOTES / f"{name}.md").read_text(encoding="utf-8"))
    assert len(links) > 100
    for path, anchor in set(links):
        target = NOTES / path if path else NOTES / f"{name}.md"
        assert target.exists(), path
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), f"{path}#{anchor}"


# Where a promise is named

MODULE = '''\
"""About S1."""

LEVEL = 1  # S5


class Lamps:
    # S2: above it
    @property
    def lit(self):
        """S3 in a docstring is no comment."""
        text = "# S4"

        def inner():
            return text  # S6

        return inner  # FMVSS 305 S7.6, S16 and S8x are none
        # S9: the end of its body

    # S10: between two functions

    def dark(self):
        return 0  # S11, S12
'''


def test_a_comment_belongs_to_the_innermost_function_it_stands_in_or_beside():
    assert evidence.kept_in(MODULE) == {
        "S5": ["the file"],
        "S2": ["Lamps.lit"],
        "S6": ["Lamps.lit.inner"],
        "S9": ["Lamps.lit"],
        "S10": ["the file"],
        "S11": ["Lamps.dark"],
        "S12": ["Lamps.dark"],
    }


def test_a_test_names_a_promise_in_its_name_docstring_or_mark():
    source = '''\
"""S1: the head."""

@pytest.mark.parametrize("x", ["S2 is an argument of the test"])
def test_what_s4_allows(x): ...

def test_other(): "S5 and S4, of S1 to S15."

def test_with_an_s_in_its_words(): x = 1  # S6

def helper(): "S7"
'''
    assert evidence.held_in(source) == {"S1": (0, True), "S2": (1, False), "S4": (2, False), "S5": (1, False)}


def test_what_the_monitor_calls_a_breach_is_found_by_promise():
    source = """\
def tick(self):
    if bad:
        self._breach("S1", f"closed although {what}", seen)
    self._cap("S7", "hot pack", True, 0)
    self._breach("S1", "closed twice")
    self._breach("S1", "closed twice")
    self._breach(promise, "of any")
"""
    found = {promise: seen for promise, seen in evidence.judged_in(source).items() if seen}
    assert found == {"S1": ["closed although ...", "closed twice"], "S7": ["limit above its cap: hot pack"]}


def test_every_promise_has_a_hazard_and_something_that_holds_it():
    assert tuple(HAZARDS) == PROMISES
    for promise in PROMISES:
        assert FOUND.kept[promise] or promise in KEPT_AS_A_WHOLE, f"{promise}: no code says that it keeps it"
        assert any(number for _, number, _ in FOUND.held[promise]), f"{promise}: no test names it"
        assert FOUND.judged[promise] or promise in JUDGED_ELSEWHERE, f"{promise}: nobody judges a run by it"
    for _, paths in KEPT_AS_A_WHOLE.values():
        assert all((evidence.FIRMWARE / path).exists() for path in paths)


def test_a_file_or_test_or_breach_more_is_on_the_page():
    more = replace(
        FOUND,
        kept={**FOUND.kept, "S13": [("loopwarden/why_not.py", ["Why.not_", "the file"])]},
        held={**FOUND.held, "S13": [("x/test_x.py", 2, True), ("x/test_y.py", 3, False)]},
        judged={**FOUND.judged, "S13": ["silence"]},
        scenarios={**FOUND.scenarios, "S13": ["one", "two"]},
        shipped=9,
    )
    text = section(assurance_page.page(more), "S13")
    assert "**Kept in** [why_not.py](../firmware/loopwarden/why_not.py) `Why.not_`; the answers" in text
    assert "5 name it: [x/test_x.py](../tests/x/test_x.py) (2, the file is about it)" in text
    assert "**Scenarios**: 2 of the 9 shipped ones exercise it" in text
    assert "**Promise monitor**: silence\n" in text


# The last long run


def test_without_a_long_run_the_page_says_so_for_each_figure():
    page = assurance_page.page(replace(FOUND, run={}))
    assert "## Last long run\n\nNot run yet.\n" in page
    for label in last_run.LABELS.values():
        assert f"| {label} | not run yet |" in page
    assert all("**Last long run**, exercised: not run yet." in section(page, promise) for promise in PROMISES)


def test_figures_of_a_long_run_stand_with_its_date_and_what_it_lacks_was_not_run():
    page = assurance_page.page(replace(FOUND, run=RUN))
    assert "## Last long run\n\n2001-02-03, commit abc1234, 61 minutes.\n" in page
    assert "| campaign: cases | 12,345 |" in page
    assert "| campaign: broken promises | 0 |" in page  # none is a figure
    assert "| mutations noticed | 95.1 % |" in page
    assert "| exploration: states | not run yet |" in page
    assert "| dogs barked | 7 |" in page
    assert "exercised: 4,321." in section(page, "S1")
    assert "exercised: not run yet." in section(page, "S2")


def test_a_run_is_read_as_it_was_written(tmp_path):
    assert last_run.last_run(tmp_path / "none.json") == {}
    file = tmp_path / "soak.json"
    file.write_text(json.dumps(RUN))
    assert last_run.last_run(file) == RUN


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "soak.json: is not JSON"),
        ("[]", 'soak.json: must be an object whose "figures"'),
        ('{"figures": 3}', 'soak.json: must be an object whose "figures"'),
        ('{"figures": {"campaign_cases": "many"}}', "soak.json: figures.campaign_cases is 'many'; allowed: a number"),
        ('{"promises": {"S1": true}}', "soak.json: promises.S1 is True; allowed: a number"),
    ],
)
def test_figures_that_are_none_are_refused_in_one_line(tmp_path, text, said):
    (tmp_path / "soak.json").write_text(text)
    with pytest.raises(last_run.WrongRun) as refused:
        last_run.last_run(tmp_path / "soak.json")
    assert str(refused.value).startswith(said)
    assert "\n" not in str(refused.value)


# Scenarios


def test_the_counts_kept_are_of_the_scenarios_as_they_are():
    """After a change of a scenario or a build: python3 tools/dev.py pages."""
    assert {name: entry["of"] for name, entry in exercised.kept().items()} == exercised.digests()


@pytest.mark.parametrize("name", ["emergency_stop_while_precharging", "connector_open_at_start", "memory_new_cart"])
def test_a_scenario_exercises_what_was_kept_of_it(name):
    assert exercised.by_running(name) == exercised.kept()[name]["exercises"]


def test_only_a_changed_scenario_is_run_again(tmp_path, monkeypatch):
    monkeypatch.setattr(exercised, "KEPT", tmp_path / "exercised.json")
    monkeypatch.setattr(exercised, "by_running", lambda name: [f"S{len(name)}"])
    monkeypatch.setattr(exercised, "digests", lambda: {"a": "1", "bb": "1"})
    assert exercised.bring_up_to_date() == 2
    monkeypatch.setattr(exercised, "digests", lambda: {"bb": "2", "ccc": "1", "a": "1"})
    assert exercised.bring_up_to_date() == 2
    assert exercised.bring_up_to_date() == 0
    assert exercised.bring_up_to_date(afresh=True) == 3
    assert exercised.scenarios_of() == {"S1": ["a"], "S2": ["bb"], "S3": ["ccc"]}


# What is not covered


def test_what_no_program_covers_is_listed_with_what_does_it_instead():
    assert all(all(cell.strip() and "|" not in cell for cell in row) for row in NOT_COVERED)
    hazards = " ".join(hazard.lower() for hazard, _, _ in NOT_COVERED)
    for subject in (
        "discharge contact that welds",
        "emergency stop",
        "lamps",
        "insulation, creepage",
        "short circuit",
        "lies plausibly",
        "speed input that only shows no pulses",
        "inverter's own program",
        "flash cells",
        "electromagnetic",
        "the runtime, its compiler and the chip",
        "on a board",
    ):
        assert subject in hazards, subject
    assert "thermal cut-out on the resistor" in NOT_COVERED[0][2]
