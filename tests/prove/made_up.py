"""A small campaign that never ran: cases and findings by hand, so that each figure can be told beforehand."""

from datetime import UTC, datetime

from loopwarden_prove.proof import Asked, Proof, ScenarioFile
from loopwarden_prove.results import Case, Finding
from loopwarden_prove.tally import Tally

SUBJECTS = {"wire off": "bus voltage", "wire <loose> & wet": "bus voltage", "stop": "emergency stop"}


def case(number: int, *attacks: str, phase: str = "live", moving: bool = False, tick: int = 100, gap: int = 0) -> Case:
    return Case(number, "drive", f"{phase} begins", tick, phase, moving, attacks, gap)


def finding(number: int, **changed) -> Finding:
    plain = {
        "ticks": 50,
        "ended": "off",
        "settled": True,
        "breaches": (),
        "reactions": (),
        "exercised": (("S5", 2), ("S7", 1)),
        "expected": "",
        "bound_ms": 0,
        "reacted_ms": -1,
    }
    return Finding(number=number, **{**plain, **changed})


def due(number: int, row: str, reacted_ms: int, bound_ms: int = 300, **changed) -> Finding:
    return finding(number, expected=row, bound_ms=bound_ms, reacted_ms=reacted_ms, **changed)


# Three attacks at four places; the last case is never run.
CASES = [
    *(
        case(n, name, phase="live", moving=moving)
        for n, (name, moving) in enumerate([(a, m) for m in (False, True) for a in SUBJECTS])
    ),
    *(case(6 + n, name, phase="off", tick=20) for n, name in enumerate(SUBJECTS)),
    case(9, "stop", phase="locked out", tick=400),
]
PAIR = case(10, "wire off", "stop", gap=5)
LAMPS = "high-voltage lamps out: commanded: positive=1"
FOUND = [
    due(0, "BUS_VOLTAGE_BAD", 220, breaches=(("S5", 40, LAMPS),)),
    due(1, "BUS_VOLTAGE_BAD", 360),
    due(2, "EMERGENCY_STOP", 20, bound_ms=40),
    due(3, "BUS_VOLTAGE_BAD", -1, settled=False, ended="opening"),
    finding(4, failure="stopped at 3.000 s by TypeError: no (lamps.py:7)"),
    due(5, "EMERGENCY_STOP", 20, bound_ms=40),
    finding(6),
    finding(7),
    finding(8),
]
FOUND_IN_PAIR = finding(10, breaches=(("S5", 60, "high-voltage lamps out: commanded: negative=1"),))


def tally(*, nothing_wrong: bool = False) -> Tally:
    made = Tally(CASES, SUBJECTS)
    if nothing_wrong:
        made.add(CASES[2], FOUND[2])
        return made
    for one, found in zip(CASES, FOUND, strict=False):
        made.add(one, found)
    made.add(PAIR, FOUND_IN_PAIR)
    return made


def proof(counted: Tally | None = None, **changed) -> Proof:
    counted = counted or tally()
    made = Proof(
        build_name="bench cart <b>",
        build_file="cart.toml",
        build_digest="a" * 64,
        version="0.1.0",
        firmware_digest="b" * 64,
        program_digest="c" * 64,
        asked=Asked(seed=7, pairs=1),
        where="in 2 processes",
        begun_at=datetime(2026, 11, 26, 9, 30, tzinfo=UTC),
        tick_ms=20,
        tally=counted,
        planned=11,
        took_s=12.34,
        troubles=counted.troubles(),
        files={0: ScenarioFile("001_s5.toml", LAMPS, 3, 41)} if counted.troubles() else {},
    )
    for name, value in changed.items():
        setattr(made, name, value)
    return made
