"""JUnit XML, the form that CI servers read; outcomes of scenario runs in it: a suite per scenario, a case per claim."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loopwarden_sim.runner import Outcome

# Characters that XML 1.0 cannot hold, not even escaped (section 2.2 of the recommendation).
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True)
class TestCase:
    """One claim. failure: it does not hold; error: it could not be looked at to its end; skipped: nobody looked.

    Each is a text whose first line says it all, "" for none.
    """

    __test__ = False  # pytest collects what is called so

    classname: str
    name: str
    failure: str = ""
    error: str = ""
    skipped: str = ""


@dataclass(frozen=True)
class TestSuite:
    """Claims about one thing. told: what happened, for people."""

    __test__ = False

    name: str
    file: str
    cases: Sequence[TestCase]
    told: str = ""


def junit_xml(outcomes: Sequence[Outcome]) -> str:
    """Return the report of all runs as one document."""
    return junit_document([_suite_of(outcome) for outcome in outcomes])


def junit_document(suites: Sequence[TestSuite]) -> str:
    """Return the suites as one document.

    Source: the shape that common CI servers accept (testsuites, testsuite, testcase, failure, error, skipped,
    system-out); common practice, there is no standard.
    """
    top = ET.Element("testsuites", name="loopwarden")
    for suite in suites:
        top.append(_suite(suite))
    for name in ("tests", "failures", "errors", "skipped"):
        top.set(name, str(sum(int(suite.get(name, "0")) for suite in top)))
    ET.indent(top)
    return ET.tostring(top, encoding="unicode", xml_declaration=True) + "\n"


def _suite(suite: TestSuite) -> ET.Element:
    element = ET.Element("testsuite", name=_clean(suite.name), file=_clean(suite.file))
    for case in suite.cases:
        place = ET.SubElement(element, "testcase", classname=_clean(case.classname), name=_clean(case.name))
        for kind, text in (("failure", case.failure), ("error", case.error), ("skipped", case.skipped)):
            if text:
                ET.SubElement(place, kind, message=_clean(text.splitlines()[0])).text = _clean(text)
    ET.SubElement(element, "system-out").text = _clean(suite.told)
    element.set("tests", str(len(suite.cases)))
    element.set("failures", str(sum(bool(case.failure) for case in suite.cases)))
    element.set("errors", str(sum(bool(case.error) for case in suite.cases)))
    element.set("skipped", str(sum(bool(case.skipped) for case in suite.cases)))
    return element


def _suite_of(outcome: Outcome) -> TestSuite:
    scenario = outcome.scenario
    story = "\n".join(str(event) for event in outcome.events)
    return TestSuite(scenario.title, str(scenario.path), list(_cases_of(outcome)), story)


def _cases_of(outcome: Outcome) -> Iterator[TestCase]:
    stem = outcome.scenario.path.stem
    for result in outcome.expectations:
        yield TestCase(stem, result.text, failure="" if result.passed else result.seen or "does not hold")
    yield TestCase(stem, "promises kept", failure="\n".join(str(breach) for breach in outcome.breaches))
    yield TestCase(stem, "runs to its end", error=outcome.failure)


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", text)
