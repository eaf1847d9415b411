"""A proof as JUnit XML: one claim for each attack, that no promise breaks by it and what it must raise comes."""

from collections.abc import Iterator

from loopwarden_prove.proof import Proof, case_text
from loopwarden_prove.report_text import report_text, trouble_text
from loopwarden_prove.tally import FAILURE, Trouble
from loopwarden_sim.junit import TestCase, TestSuite, junit_document


def report_junit(proof: Proof, folder: str) -> str:
    """Return the document. folder: where the scenario files lie."""
    suite = TestSuite(f"prove {proof.build_name}", proof.build_file, list(_cases(proof)), report_text(proof, folder))
    return junit_document([suite])


def _cases(proof: Proof) -> Iterator[TestCase]:
    for name, count in proof.tally.attacks.items():
        subject = proof.tally.subject_of[name]
        skipped = "" if count.run else f"not run in this campaign, which is {proof.ended}"
        yield _case(proof, subject, name, [one for one in proof.troubles if one.attacks == (name,)], skipped)
    if proof.tally.doubles:
        yield _case(proof, "pairs", "two attacks", [one for one in proof.troubles if len(one.attacks) > 1], "")


def _case(proof: Proof, classname: str, name: str, troubles: list[Trouble], skipped: str) -> TestCase:
    text = "\n".join(_line(proof, one) for one in troubles)
    if not text:
        return TestCase(classname, name, skipped=skipped)
    # A case has one result: a broken promise says more than that something was raised.
    raised = all(one.kind == FAILURE for one in troubles)
    return TestCase(classname, name, error=text) if raised else TestCase(classname, name, failure=text)


def _line(proof: Proof, trouble: Trouble) -> str:
    plainest = trouble.sightings[0]
    return f"{trouble_text(trouble)}: {plainest.seen}; {case_text(plainest.case, proof.tick_ms)}"
