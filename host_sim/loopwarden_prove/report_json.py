"""A proof as one JSON object, in the form that proof.schema.json describes."""

import json
from pathlib import Path
from typing import Any

from loopwarden_prove.proof import Proof
from loopwarden_prove.report_text import NOT_SHOWN, places_of, verdict
from loopwarden_prove.results import Case
from loopwarden_prove.tally import Count

FORMAT = "loopwarden-proof-1"
SCHEMA = Path(__file__).with_name("proof.schema.json")


def report_json(proof: Proof) -> str:
    """Return the whole of it."""
    return json.dumps(proof_data(proof), indent=1) + "\n"


def proof_data(proof: Proof) -> dict[str, Any]:
    """The same as plain data. Times in the units of their names; -1 ms: did not come."""
    tally, asked = proof.tally, proof.asked
    return {
        "format": FORMAT,
        "verdict": {"found": bool(proof.troubles), "complete": proof.ended == "complete", "text": verdict(proof)},
        "build": {"name": proof.build_name, "file": proof.build_file, "digest": proof.build_digest},
        "program": {
            "version": proof.version,
            "firmware_digest": proof.firmware_digest,
            "program_digest": proof.program_digest,
        },
        "run": {
            "begun_at": proof.begun_at.isoformat(timespec="seconds"),
            "took_s": round(proof.took_s, 1),
            "where": proof.where,
            "seed": asked.seed,
            "quick": asked.quick,
            "pairs_asked": asked.pairs,
            "budget_s": asked.budget_s,
            "ended": proof.ended,
        },
        "covered": {
            "singles": _count(tally.singles),
            "pairs": tally.doubles,
            "attacks": _some(list(tally.attacks.values())),
            "moments": _some(list(tally.moments.values())),
            "simulated_s": round(tally.ticks * proof.tick_ms / 1000, 1),
        },
        "coverage": [
            {"subject": subject, "phase": phase, "moving": moving, **_count(tally.cells[subject, (phase, moving)])}
            for subject in dict.fromkeys(tally.subject_of.values())
            for phase, moving in places_of(tally)
            if (subject, (phase, moving)) in tally.cells
        ],
        "attacks": [
            {"attack": name, "subject": tally.subject_of[name], **_count(count)}
            for name, count in tally.attacks.items()
        ],
        "reactions": [
            {
                "row": one.row,
                "due": one.due,
                "in_time": one.came,
                "worst_ms": one.worst_ms,
                "bound_ms": one.bound_ms,
                "worst_case": one.worst_case,
            }
            for one in sorted(tally.reactions.values(), key=lambda one: one.row)
        ],
        "promises": [{"promise": promise, "exercised": count} for promise, count in tally.exercised.items()],
        "troubles": _troubles(proof),
        "unsettled": [{"case": _case(one.case, proof.tick_ms), "ended": one.ended} for one in tally.unsettled],
        "not_shown": list(NOT_SHOWN),
    }


def _troubles(proof: Proof) -> list[dict[str, Any]]:
    found = []
    for place, trouble in enumerate(proof.troubles):
        plainest = trouble.sightings[0]
        file = (proof.files or {}).get(place)
        found.append(
            {
                "kind": trouble.kind,
                "promise": trouble.promise,
                "what": trouble.what,
                "attacks": list(trouble.attacks),
                "seen": plainest.seen,
                "after_ms": plainest.after_ms,
                "case": _case(plainest.case, proof.tick_ms),
                "cases": [sighting.case.number for sighting in trouble.sightings],
                "scenario": None
                if file is None
                else {"file": file.name, "shows_it": bool(file.seen), "runs": file.tries},
            }
        )
    return found


def _case(case: Case, tick_ms: int) -> dict[str, Any]:
    return {
        "number": case.number,
        "story": case.story,
        "moment": case.moment,
        "at_ms": (case.tick - 1) * tick_ms,
        "phase": case.phase,
        "moving": case.moving,
        "attacks": list(case.attacks),
        "gap_ms": case.gap_ticks * tick_ms,
    }


def _count(count: Count) -> dict[str, int]:
    return {"run": count.run, "possible": count.possible}


def _some(counts: list[Count]) -> dict[str, int]:
    return {"run": sum(bool(count.run) for count in counts), "possible": len(counts)}
