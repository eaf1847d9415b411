"""A proof in a few plain lines, and the words that every form of report shares."""

from collections.abc import Sequence

from loopwarden.policy import phases
from loopwarden_prove.proof import Proof, ScenarioFile
from loopwarden_prove.tally import BREACH, FAILURE, NO_REACTION, Count, Place, Tally, Trouble

# What stands in every report: a proof of a model is no proof of a machine.
NOT_SHOWN = (
    "It is a simulation: wiring, connectors, parts, their ratings and ageing, electromagnetic noise and people are not "
    "in it. Nothing of it ran on a board.",
    "The plant is a model with the build file's numbers. Where the real part differs from the file, nothing is shown.",
    "Only the attacks in the list, at the moments in the list, one at a time or in sampled pairs. Three at once, and "
    "other moments, are not tried.",
    "S11 (what a hung board does) is not judged here, nor is S14 (the same inputs give the same outputs): they have no "
    "count, or a zero.",
    "That nothing was found means that nothing was found.",
)
_ROWS_SHOWN = 10
_ORDER = ("unpowered", *phases.NAMES)


def report_text(proof: Proof, folder: str) -> str:
    """The end of a run, as it is printed. folder: where the scenario files lie."""
    lines = [_head(proof), "", *_coverage(proof.tally), ""]
    lines += [_reactions(proof.tally), _promises(proof.tally)]
    if proof.tally.unsettled:
        first = proof.tally.unsettled[0]
        seen = f"{' and '.join(first.case.attacks)}, {first.case.moment}: still {first.ended}"
        lines.append(f"did not settle: {several(len(proof.tally.unsettled), 'case')}, such as {seen}")
    lines += ["", verdict(proof)]
    for place, trouble in enumerate(proof.troubles[:_ROWS_SHOWN]):
        lines.append(f"  {trouble_text(trouble)}{_where(proof, place, folder)}")
    if len(proof.troubles) > _ROWS_SHOWN:
        lines.append(f"  and {len(proof.troubles) - _ROWS_SHOWN} more; --html and --json have them all")
    lines += ["", NOT_SHOWN[0]]
    return "\n".join(lines)


def verdict(proof: Proof) -> str:
    """In one line: whether anything was found, and in how much of what there is."""
    partial = {"complete": "", "out of time": " (out of time)", "interrupted": " (PARTIAL: interrupted)"}[proof.ended]
    singles = proof.tally.singles
    tried = f"{singles.run} of {singles.possible} single faults and {several(proof.tally.doubles, 'pair')}{partial}"
    if not proof.troubles:
        return f"NOTHING FOUND in {tried}"
    counts = {kind: sum(one.kind == kind for one in proof.troubles) for kind in (BREACH, NO_REACTION, FAILURE)}
    names = {BREACH: "broken promise", NO_REACTION: "missing reaction", FAILURE: "program failure"}
    found = ", ".join(several(count, names[kind]) for kind, count in counts.items() if count)
    return f"FOUND: {found}, in {tried}"


def trouble_text(trouble: Trouble) -> str:
    """One thing that went wrong, with the attack that shows it and how often it was seen."""
    kind = {BREACH: f"{trouble.promise} broken: ", NO_REACTION: "no reaction: ", FAILURE: "failed: "}[trouble.kind]
    return f"{kind}{trouble.what}, by {' and '.join(trouble.attacks)} ({several(len(trouble.sightings), 'case')})"


def several(count: int, what: str) -> str:
    """A number of things."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def file_note(file: ScenarioFile) -> str:
    """What has to be said about a scenario file beside its name."""
    if file.seen:
        return several(file.events, "event")
    return "not made smaller" if not file.tries else "does not show it again from its start"


def places_of(tally: Tally) -> list[Place]:
    """Phases, standing and moving, in which anything can be attacked, in the order of a drive."""
    return sorted(tally.places, key=lambda place: (_ORDER.index(place[0]), place[1]))


def share(count: Count) -> str:
    """How much of it was run."""
    return f"{count.run} of {count.possible}"


def tried(counts: Sequence[Count]) -> str:
    """How many of them came up at all."""
    return f"{sum(bool(count.run) for count in counts)} of {len(counts)}"


def _head(proof: Proof) -> str:
    tally = proof.tally
    simulated_h = tally.ticks * proof.tick_ms / 3.6e6
    return (
        f"{proof.build_name}: {tried(list(tally.attacks.values()))} attacks at {tried(list(tally.moments.values()))}"
        f" moments, seed {proof.asked.seed}; {simulated_h:.1f} h simulated in {proof.took_s:.0f} s, {proof.where}"
    )


def _coverage(tally: Tally) -> list[str]:
    lines = [f"{'cases run':16}{'standing':>18}{'moving':>18}"]
    for phase in _ORDER:
        cells = [tally.places.get((phase, moving)) for moving in (False, True)]
        if any(cells):
            lines.append(f"{phase:16}" + "".join(f"{share(cell) if cell else '-':>18}" for cell in cells))
    return lines


def _reactions(tally: Tally) -> str:
    reactions = list(tally.reactions.values())
    if not reactions:
        return "reactions: none was due in what was run"
    due, came = sum(one.due for one in reactions), sum(one.came for one in reactions)
    nearest = max(reactions, key=lambda one: one.worst_ms / one.bound_ms if one.bound_ms else 0.0)
    slowest = f"; nearest to its bound: {nearest.row}, {nearest.worst_ms} of {nearest.bound_ms} ms" if came else ""
    return f"reactions: {came} of {due} came in time, of {len(reactions)} kinds{slowest}"


def _promises(tally: Tally) -> str:
    put = ", ".join(f"{promise} {count}x" for promise, count in tally.exercised.items() if count)
    idle = ", ".join(promise for promise, count in tally.exercised.items() if not count)
    return f"promises exercised: {put or 'none'}" + (f"; not exercised: {idle}" if idle else "")


def _where(proof: Proof, place: int, folder: str) -> str:
    file = (proof.files or {}).get(place)
    return f"\n      loopwarden simulate {folder}/{file.name}  ({file_note(file)})" if file else ""
