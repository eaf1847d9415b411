"""`loopwarden discharge`: how long a bus stays live, what its resistor takes, and which resistor would do."""

import argparse
import json
from pathlib import Path
from typing import Any

from loopwarden_build.derived import DEAD_PART, DEAD_V_MAX, bleed_path, dead_v, discharge_path
from loopwarden_build.discharge_facts import discharge_facts
from loopwarden_build.discharge_page import page
from loopwarden_build.discharge_path import DischargePath
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.model import BleedDischarge, BuildFile, Bus, Pack, ResistorDischarge
from loopwarden_build.preferred_values import SERIES
from loopwarden_build.quantity import Quantity
from loopwarden_build.units import show
from loopwarden_cli.build_file import refused
from loopwarden_cli.quantity_option import QuantityOption, like_the_build_file
from loopwarden_cli.result import Result, UserError

VOLTAGE = like_the_build_file("--voltage", Pack, "highest")
CAPACITANCE = like_the_build_file("--capacitance", Bus, "capacitance")
CAPACITANCE_TOLERANCE = like_the_build_file("--capacitance-tolerance", Bus, "capacitance_tolerance")
RESISTANCE = like_the_build_file("--resistance", ResistorDischarge, "resistance")
TOLERANCE = like_the_build_file("--tolerance", ResistorDischarge, "tolerance")
BLEED = like_the_build_file("--bleed", Bus, "bleed")
PULSE = like_the_build_file("--pulse-energy", ResistorDischarge, "pulse_energy")
RATED = like_the_build_file("--rated-voltage", ResistorDischarge, "rated_voltage")
DEAD = QuantityOption(
    "--dead-level", Quantity("V", 1, DEAD_V_MAX, "below it the bus counts as dead; else 60 V or a fifth of --voltage")
)
TO = QuantityOption("--to", Quantity("V", 0.1, 1000, "the level that --within is about; else 60 V, or the dead level"))
WITHIN = QuantityOption("--within", Quantity("s", 0.001, 3600, "longest time to that level; proposes a resistor"))
OTHERWISE = {CAPACITANCE_TOLERANCE: "20 %", TOLERANCE: "5 %"}
OPTIONS = (VOLTAGE, CAPACITANCE, CAPACITANCE_TOLERANCE, RESISTANCE, TOLERANCE, BLEED, PULSE, RATED, DEAD, TO, WITHIN)


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "discharge",
        help="how long a bus stays live, and its discharge resistor, of a build or of parts in hand",
        description="Reckon a discharge. With --build every value is the build's, unless an option says otherwise. "
        "Exit 0: nothing speaks against it; 1: something does; 2: wrong use.",
    )
    parser.add_argument("--build", type=Path, metavar="BUILD", help="a build file (TOML)")
    for option in OPTIONS:
        option.add(parser, OTHERWISE.get(option))
    parser.add_argument("--series", choices=list(SERIES), default="E24", help="of the proposal; default E24")
    parser.add_argument("--json", action="store_true", help="the same as one flat JSON object, SI units in the names")


def run(args: argparse.Namespace) -> Result:
    """Return the answer; UserError for options that are wrong or missing, or a build file that is."""
    build: BuildFile | None = None
    if args.build is not None:
        try:
            build = read_build(args.build)
        except BuildError as error:
            return refused(error)
    known = {} if build is None else _of_build(build)
    within_s = WITHIN.read(args)
    highest_v = _value(VOLTAGE, args, known)
    capacitance_farad = _value(CAPACITANCE, args, known)
    capacitance_part = _value(CAPACITANCE_TOLERANCE, args, known)
    resistance_ohm = _maybe(RESISTANCE, args, known)
    bleed_ohm = _maybe(BLEED, args, known)
    if resistance_ohm is None and bleed_ohm is None and within_s is None:
        raise UserError("--resistance: is missing; give it, or --bleed, or --within to have one proposed, or --build")
    dead_level_v = _maybe(DEAD, args, known) or min(DEAD_V_MAX, DEAD_PART * highest_v)
    to_v = TO.read(args) or (DEAD_V_MAX if highest_v > DEAD_V_MAX else dead_level_v)
    for flag, volt in ((TO.flag, to_v), (DEAD.flag, dead_level_v)):
        if volt >= highest_v:
            raise UserError(f'{flag} "{show(volt, "V")}": must be below {show(highest_v, "V")}, the highest voltage')
    parts = DischargePath(highest_v, 1.0, _value(TOLERANCE, args, known), capacitance_farad, capacitance_part)
    facts = discharge_facts(
        path=None if resistance_ohm is None else parts.with_ohm(resistance_ohm),
        parts=parts,
        bleed=None if bleed_ohm is None else parts.with_ohm(bleed_ohm, 0.0),
        dead_v=dead_level_v,
        to_v=to_v,
        within_s=within_s,
        series=args.series,
        pulse_j=_maybe(PULSE, args, known),
        rated_v=_maybe(RATED, args, known),
        build_name=None if build is None else build.build.name,
    )
    return Result(json.dumps(facts, indent=2) if args.json else page(facts), 0 if facts["ok"] else 1)


def _of_build(build: BuildFile) -> dict[QuantityOption, Any]:
    """What a build says to each option."""
    discharge, path = build.discharge, discharge_path(build)
    known: dict[QuantityOption, Any] = {
        VOLTAGE: path.highest_v,
        CAPACITANCE: path.capacitance_farad,
        CAPACITANCE_TOLERANCE: path.capacitance_tolerance,
        BLEED: bleed_path(build).resistance_ohm,
        DEAD: dead_v(build),
    }
    if not isinstance(discharge, BleedDischarge):
        known |= {RESISTANCE: path.resistance_ohm, TOLERANCE: path.resistance_tolerance, PULSE: discharge.pulse_energy}
    if isinstance(discharge, ResistorDischarge):
        known[RATED] = discharge.rated_voltage
    return known


def _maybe(option: QuantityOption, args: argparse.Namespace, known: dict[QuantityOption, Any]) -> float | None:
    """What was typed, else what the build says, else what holds otherwise."""
    if option.is_given(args):
        return option.read(args)
    if option in known:
        return float(known[option])
    return option.quantity.read(OTHERWISE[option]) if option in OTHERWISE else None


def _value(option: QuantityOption, args: argparse.Namespace, known: dict[QuantityOption, Any]) -> float:
    value = _maybe(option, args, known)
    return option.need(args) if value is None else value
