"""Every form of report says the same: what was found, in how much, and what it does not show."""

import copy
import json
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest
from jsonschema import Draft202012Validator

from loopwarden_prove.proof import Asked
from loopwarden_prove.report_json import SCHEMA, report_json
from loopwarden_prove.report_junit import report_junit
from loopwarden_prove.report_page import report_page
from loopwarden_prove.report_text import NOT_SHOWN, report_text, verdict

from .made_up import proof, tally

GOOD = {"counted": tally(nothing_wrong=True)}
SHAPES = {
    "found": proof(),
    "nothing found": proof(**GOOD),
    "interrupted": proof(**GOOD, ended="interrupted"),
    "by time": proof(asked=Asked(7, pairs=None, budget_s=600.0), ended="out of time"),
    "no files": proof(files=None),
    "nothing run": proof(type(tally())(tally().cases, tally().subject_of)),
}


class Page(HTMLParser):
    """Tags in their places, all text, and everything that could be fetched."""

    VOID = ("meta", "col", "br")

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []
        self.fetched: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.fetched += [f"{tag} {name}" for name, _ in attrs if name in ("src", "href", "srcset", "data", "action")]
        if tag in ("script", "link", "iframe", "img", "object"):
            self.fetched.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def schema() -> Draft202012Validator:
    data = json.loads(SCHEMA.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(data)
    return Draft202012Validator(data, format_checker=Draft202012Validator.FORMAT_CHECKER)


@pytest.mark.parametrize("shape", SHAPES)
def test_json_is_what_its_schema_says(shape):
    schema().validate(json.loads(report_json(SHAPES[shape])))


def test_the_schema_refuses_what_it_does_not_describe():
    """It can fail: each change of a good report is noticed."""
    good = json.loads(report_json(SHAPES["found"]))
    for key in good:
        assert not schema().is_valid({name: value for name, value in good.items() if name != key}), key
    for path, wrong in (
        (("build", "digest"), "0"),
        (("run", "ended"), "done"),
        (("troubles", 0, "promise"), "safety"),
        (("reactions", 0, "worst_ms"), -2),
        (("coverage", 0, "phase"), "asleep"),
        (("unsettled", 0, "case", "attacks"), []),
        (("more",), 1),
    ):
        changed = copy.deepcopy(good)
        place = changed
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = wrong
        assert not schema().is_valid(changed), path


def test_every_property_of_the_schema_that_is_a_number_says_its_unit():
    text = SCHEMA.read_text(encoding="utf-8")
    names = set(re.findall(r'"(\w+)": \{"type": "(?:number|integer)"', text))
    assert names
    assert {name for name in names if not name.endswith(("_ms", "_s"))} <= {"seed", "natural", "worst_case"}


def test_json_has_the_figures():
    data = json.loads(report_json(SHAPES["found"]))
    assert data["verdict"]["found"] is True
    assert data["covered"]["singles"] == {"run": 9, "possible": 10}
    assert data["covered"]["attacks"] == {"run": 3, "possible": 3}
    assert data["covered"]["moments"] == {"run": 2, "possible": 3}
    assert data["covered"]["simulated_s"] == 10.0  # 500 ticks of 20 ms
    assert [
        (one["row"], one["due"], one["in_time"], one["worst_ms"], one["bound_ms"]) for one in data["reactions"]
    ] == [
        ("BUS_VOLTAGE_BAD", 3, 1, 360, 300),
        ("EMERGENCY_STOP", 2, 2, 20, 40),
    ]
    first = data["troubles"][0]
    assert (first["kind"], first["promise"], first["cases"]) == ("breach", "S5", [0, 10])
    assert first["case"]["at_ms"] == 1980  # before its 100th tick
    assert first["scenario"] == {"file": "001_s5.toml", "shows_it": True, "runs": 41}
    assert [one["scenario"] for one in data["troubles"][1:]] == [None] * 3
    assert [(one["case"]["number"], one["ended"]) for one in data["unsettled"]] == [(3, "opening")]


@pytest.mark.parametrize("shape", SHAPES)
def test_the_page_is_whole_and_fetches_nothing(shape):
    html = report_page(SHAPES[shape], "out")
    page = Page(html)
    assert page.open == []
    assert page.fetched == []
    assert not re.search(r"url\(|@import|https?:", html)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_report_says_what_it_does_not_show_and_the_verdict(shape):
    made = SHAPES[shape]
    text = " ".join(Page(report_page(made, "out")).text)
    for line in NOT_SHOWN:
        assert line in text
    assert verdict(made) in text
    assert json.loads(report_json(made))["not_shown"] == list(NOT_SHOWN)
    assert verdict(made) in report_text(made, "out")
    assert NOT_SHOWN[0] in report_text(made, "out")


def test_the_page_takes_names_for_text():
    html = report_page(SHAPES["found"], "out & about")
    assert "wire &lt;loose&gt; &amp; wet" in html
    assert "<loose>" not in html
    assert "bench cart <b>" not in html
    assert "loopwarden simulate out &amp; about/001_s5.toml" in html


def test_the_page_tells_without_colour():
    """Words or marks beside every shade: filled, half, empty; LATE, MISSING, never."""
    text = " ".join(Page(report_page(SHAPES["found"], "out")).text)
    assert "■ 2" in text
    assert "□ 0/1" in text
    assert "120 % LATE" in text
    assert "1 (2 MISSING)" in text
    half = proof(tally(nothing_wrong=True))
    assert "◧" in " ".join(Page(report_page(half, "out")).text).split("all of them")[1]


def test_a_place_that_no_story_passes_is_no_empty_cell():
    """Locked out has one case, of the emergency stop; the bus voltage has none there."""
    row = re.search(r"<tr><td>bus voltage</td>(.*?)</tr>", report_page(SHAPES["found"], "out"))[1]
    assert re.findall(r'class="cell (\w+)"', row) == ["all", "all", "all", "never"]


def test_the_verdict_says_how_much_it_rests_on():
    assert verdict(SHAPES["nothing found"]) == "NOTHING FOUND in 1 of 10 single faults and 0 pairs"
    assert verdict(SHAPES["interrupted"]) == (
        "NOTHING FOUND in 1 of 10 single faults and 0 pairs (PARTIAL: interrupted)"
    )
    assert verdict(SHAPES["found"]) == (
        "FOUND: 1 broken promise, 2 missing reactions, 1 program failure, in 9 of 10 single faults and 1 pair"
    )
    assert verdict(SHAPES["by time"]).endswith("1 pair (out of time)")


def test_the_text_says_it_in_a_few_plain_lines():
    lines = report_text(SHAPES["found"], "out").splitlines()
    assert len(lines) < 30
    assert "live                        3 of 3            3 of 3" in lines
    assert "locked out                  0 of 1                 -" in lines
    assert "reactions: 3 of 5 came in time, of 2 kinds; nearest to its bound: BUS_VOLTAGE_BAD, 360 of 300 ms" in lines
    assert "did not settle: 1 case, such as wire off, live begins: still opening" in lines
    assert "  S5 broken: high-voltage lamps out: commanded, by wire off (2 cases)" in lines
    assert "      loopwarden simulate out/001_s5.toml  (3 events)" in lines


def test_junit_has_a_case_for_each_attack_and_one_for_the_pairs():
    top = ET.fromstring(report_junit(SHAPES["found"], "out"))
    cases = {case.get("name"): case for case in top.iter("testcase")}
    assert list(cases) == ["wire off", "wire <loose> & wet", "stop", "two attacks"]
    assert (top.get("tests"), top.get("failures"), top.get("errors"), top.get("skipped")) == ("4", "2", "0", "0")
    failure = cases["wire off"].find("failure")
    assert failure.get("message").startswith("S5 broken: high-voltage lamps out: commanded, by wire off (2 cases): ")
    assert "case 0: wire off, in the drive story, live begins at 1.980 s, live, standing" in failure.text
    assert len(failure.text.splitlines()) == 2
    assert list(cases["stop"]) == []


def test_junit_calls_what_was_not_run_skipped():
    top = ET.fromstring(report_junit(SHAPES["interrupted"], "out"))
    skipped = [case.get("name") for case in top.iter("testcase") if case.find("skipped") is not None]
    assert skipped == ["wire off", "wire <loose> & wet"]
    assert top.get("skipped") == "2"
