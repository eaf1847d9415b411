"""Outcomes of scenario runs as JUnit XML, the form that CI servers read: a suite per scenario, a case per claim."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence

from loopwarden_sim.runner import Outcome

# Characters that XML 1.0 cannot hold, not even escaped (section 2.2 of the recommendation).
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_xml(outcomes: Sequence[Outcome]) -> str:
    """Return the report of all runs as one document.

    Source: the shape that common CI servers accept (testsuites, testsuite, testcase, failure, error, system-out);
    common practice, there is no standard.
    """
    top = ET.Element("testsuites", name="loopwarden")
    for outcome in outcomes:
        top.append(_suite(outcome))
    for name in ("tests", "failures", "errors"):
        top.set(name, str(sum(int(suite.get(name, "0")) for suite in top)))
    ET.indent(top)
    return ET.tostring(top, encoding="unicode", xml_declaration=True) + "\n"


def _suite(outcome: Outcome) -> ET.Element:
    scenario = outcome.scenario
    suite = ET.Element("testsuite", name=_clean(scenario.title), file=_clean(str(scenario.path)))
    failures = errors = 0
    for result in outcome.expectations:
        case = _case(suite, outcome, result.text)
        if not result.passed:
            failures += 1
            ET.SubElement(case, "failure", message=_clean(result.seen)).text = _clean(result.seen)
    case = _case(suite, outcome, "promises kept")
    if outcome.breaches:
        failures += 1
        text = _clean("\n".join(str(breach) for breach in outcome.breaches))
        ET.SubElement(case, "failure", message=_clean(str(outcome.breaches[0]))).text = text
    case = _case(suite, outcome, "runs to its end")
    if outcome.failure:
        errors += 1
        ET.SubElement(case, "error", message=_clean(outcome.failure)).text = _clean(outcome.failure)
    story = "\n".join(str(event) for event in outcome.events)
    ET.SubElement(suite, "system-out").text = _clean(story)
    suite.set("tests", str(len(suite.findall("testcase"))))
    suite.set("failures", str(failures))
    suite.set("errors", str(errors))
    return suite


def _case(suite: ET.Element, outcome: Outcome, name: str) -> ET.Element:
    return ET.SubElement(suite, "testcase", classname=_clean(outcome.scenario.path.stem), name=_clean(name))


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", text)
