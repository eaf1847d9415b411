"""The page of outside checks and the marks that it is made of say the same, and every mark says where from."""

from collections import defaultdict

import pytest

from proof.claims import WrongMark, all_claims, claims_in
from proof.outside_page import PAGE, SUBJECTS, SURENESS, page

CLAIMS = all_claims()
MARK = '@pytest.mark.outside(subject="plant", source="algebra", value="{}")\ndef test_{}(): ...\n'


def test_the_page_in_the_checkout_is_the_page_of_the_marks():
    """After a change of a mark: python3 tools/dev.py pages."""
    assert PAGE.read_text(encoding="utf-8") == page(CLAIMS)


def test_every_claim_says_of_what_it_is_and_how_sure_its_source_is():
    assert len(CLAIMS) > 100, "the marks are not found any more"
    assert [str(claim) for claim in CLAIMS if claim.subject not in SUBJECTS] == []
    assert [str(claim) for claim in CLAIMS if not any(word in claim.source for word in SURENESS)] == []


def test_no_two_tests_of_one_folder_claim_the_same_value():
    """Folders mirror those of the code, so only a test of another folder holds other code to the value."""
    tests = defaultdict(set)
    for claim in CLAIMS:
        tests[claim.subject, claim.value, claim.path.rpartition("/")[0]].add(f"{claim.path}::{claim.test}")
    assert [names for names in tests.values() if len(names) > 1] == []


def test_a_value_has_one_source():
    sources = defaultdict(set)
    for claim in CLAIMS:
        sources[claim.subject, claim.value].add(claim.source)
    assert [(value, found) for value, found in sources.items() if len(found) > 1] == []


def test_tests_that_claim_the_same_stand_in_one_line():
    a, b, c = (
        claims_in(MARK.format(value, name), f"{name}/test_{name}.py")[0]
        for value, name in (("1 | 2", "a"), ("1 | 2", "b"), ("3", "c"))
    )
    lines = page([a, b, c]).splitlines()
    both = "[a/test_a.py](../tests/a/test_a.py) `test_a`<br>[b/test_b.py](../tests/b/test_b.py) `test_b`"
    assert f"| 1 \\| 2 | algebra | {both} |" in lines
    assert lines[-1] == "2 values, 3 tests."


def test_a_mark_on_a_case_belongs_to_its_test():
    mark = 'pytest.mark.outside(subject="s", source="t", value="v")'
    source = f'@pytest.mark.parametrize("x", [1, pytest.param(2, marks={mark})])\ndef test_cases(x): ...\n'
    assert [(claim.test, claim.value) for claim in claims_in(source, "test_x.py")] == [("test_cases", "v")]


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        ('(subject="s", value="v")', "give subject, source, value"),
        ('(subject="s", source="", value="v")', "source must be a text"),
        ('(subject="s", source=SHEET, value="v")', "source must be a text"),
        ('("s", source="t", value="v")', "give subject, source, value"),
        ('(subject="s", source="t", value="v", page="p")', "give subject, source, value"),
    ],
)
def test_a_mark_that_says_too_little_is_told_with_its_place(mark, said):
    with pytest.raises(WrongMark, match=rf"^tests/x/test_y\.py:2: mark outside: {said}"):
        claims_in(f"\n@pytest.mark.outside{mark}\ndef test_y(): ...\n", "x/test_y.py")


def test_a_mark_that_stands_on_no_test_is_told():
    with pytest.raises(WrongMark, match="must stand on a test"):
        claims_in('pytestmark = pytest.mark.outside(subject="s", source="t", value="v")\n', "test_y.py")
