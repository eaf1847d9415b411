"""`loopwarden isolation`: what a meter's readings say about the isolation, in the two steps of UN R100 Annex 5A."""

import argparse
import json
import math

from loopwarden_build.isolation_meter import LIMITS_OHM_PER_V, NEGATIVE, POSITIVE, Meter, Question, Readings, judge
from loopwarden_build.isolation_page import page
from loopwarden_build.quantity import Quantity
from loopwarden_build.units import show
from loopwarden_cli.quantity_option import QuantityOption
from loopwarden_cli.result import Result, UserError

METER_OHM = "10 Mohm"
VB = QuantityOption("--vb", Quantity("V", 0, 2000, "pole to pole"))
V1 = QuantityOption("--v1", Quantity("V", 0, 2000, "negative pole to chassis, without sign"))
V2 = QuantityOption("--v2", Quantity("V", 0, 2000, "positive pole to chassis, without sign"))
RO = QuantityOption("--ro", Quantity("ohm", 100, 100e6, "the known resistor of step two"))
WITH_RO = QuantityOption("--with-ro", Quantity("V", 0, 2000, "the larger reading again, with Ro beside the meter"))
WORKING = QuantityOption(
    "--working-voltage", Quantity("V", 12, 1500, "highest working voltage; the limits are per volt of it")
)
NOMINAL = QuantityOption(
    "--nominal-voltage", Quantity("V", 12, 1500, "the annex's own formula divides by it; shown, not judged")
)
METER = QuantityOption(
    "--meter-resistance",
    Quantity("ohm", 100e3, 100e9, f'"none" draws nothing; not given: {METER_OHM} or more', none=True),
)
# guess: a hand-held meter on its 1000 V range; its sheet says better or worse.
PART = QuantityOption("--meter-error", Quantity("fraction", 0, 0.1, "the meter's error, part of its reading"), "1 %")
VOLTS = QuantityOption("--meter-error-volts", Quantity("V", 0, 20, "what its last digits add to that"), "0.5 V")
TOLERANCE = QuantityOption("--ro-tolerance", Quantity("fraction", 0, 0.2, "how far Ro may be off"), "5 %")
OPTIONS = (VB, V1, V2, RO, WITH_RO, WORKING, NOMINAL, METER, PART, VOLTS, TOLERANCE)
POLES = {"negative": NEGATIVE, "positive": POSITIVE}


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "isolation",
        help="isolation by voltmeter and known resistor: where Ro goes, what the readings say",
        description="Judge isolation measured by meter (UN R100 Rev 3 Annex 5A). Without --ro and --with-ro it says "
        "where Ro goes and how large it is. Exit 0: it passes, nothing else; 1: it fails, cannot be said, or step two "
        "is missing; 2: wrong use.",
    )
    for option in OPTIONS:
        option.add(parser)
    parser.add_argument("--ro-at", choices=sorted(POLES), help="the pole at which Ro and meter were, to be checked")
    parser.add_argument(
        "--circuit",
        choices=list(LIMITS_OHM_PER_V),
        default="joined",
        help="joined: DC and AC joined, 500 ohm/V; joined-protected: its AC side doubly insulated or robust, 100; "
        "ac: separate, 500; dc: separate, 100; default joined, the strictest",
    )
    parser.add_argument("--json", action="store_true", help="the same as one flat JSON object, SI units in the names")


def run(args: argparse.Namespace) -> Result:
    """Return the verdict; UserError for readings or options that do not belong together."""
    if RO.is_given(args) != WITH_RO.is_given(args):
        given, missing = (RO, WITH_RO) if RO.is_given(args) else (WITH_RO, RO)
        raise UserError(f"{given.flag}: needs {missing.flag} as well ({missing.quantity.why})")
    readings = Readings(
        vb_v=VB.need(args),
        v1_v=V1.need(args),
        v2_v=V2.need(args),
        known_ohm=RO.read(args),
        with_known_v=WITH_RO.read(args),
        known_was_at=POLES.get(args.ro_at),
    )
    meter_ohm = METER.read(args) if METER.is_given(args) else METER.quantity.read(METER_OHM)
    question = Question(
        working_v=WORKING.need(args),
        nominal_v=NOMINAL.read(args),
        case=args.circuit,
        meter=Meter(
            math.inf if meter_ohm is None else meter_ohm, METER.is_given(args), PART.need(args), VOLTS.need(args)
        ),
        known_part=TOLERANCE.need(args),
    )
    if question.meter.band(readings.vb_v)[0] > question.working_v:
        raise UserError(
            f'--working-voltage "{args.working_voltage}": is below --vb; it must be {show(readings.vb_v, "V")} or '
            "more, the highest voltage that occurs"
        )
    if question.nominal_v is not None and question.nominal_v > question.working_v:
        raise UserError(
            f'--nominal-voltage "{args.nominal_voltage}": must be {show(question.working_v, "V")} or less, the '
            "highest working voltage"
        )
    facts = judge(readings, question)
    return Result(json.dumps(facts, indent=2) if args.json else page(facts), 0 if facts["ok"] else 1)
