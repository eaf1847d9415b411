"""`loopwarden precharge`: times, heat and the resistor of a precharge, of a build or of parts in hand."""

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from loopwarden_build import rc
from loopwarden_build.derived import precharge_path
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.model import Build, Bus, Contactor, Pack, Precharge
from loopwarden_build.precharge_facts import precharge_facts
from loopwarden_build.precharge_page import page
from loopwarden_build.precharge_path import PrechargePath
from loopwarden_build.preferred_values import SERIES
from loopwarden_build.quantity import Quantity
from loopwarden_cli.build_file import refused
from loopwarden_cli.quantity_option import QuantityOption, like_the_build_file
from loopwarden_cli.result import Result, UserError

# Field of the path, its option, and what holds where neither a build nor the person says anything.
FIELDS: dict[str, tuple[QuantityOption, str | None]] = {
    "highest_v": (like_the_build_file("--voltage", Pack, "highest"), None),
    "resistance_ohm": (like_the_build_file("--resistance", Precharge, "resistance"), None),
    "resistance_tolerance": (like_the_build_file("--tolerance", Precharge, "tolerance"), "5 %"),
    "capacitance_farad": (like_the_build_file("--capacitance", Bus, "capacitance"), None),
    "capacitance_tolerance": (like_the_build_file("--capacitance-tolerance", Bus, "capacitance_tolerance"), "20 %"),
    "fraction": (
        QuantityOption("--fraction", Quantity("fraction", 0.5, 0.999, "part of the voltage at which the main closes")),
        "95 %",
    ),
    "load_ohm": (
        QuantityOption("--load", Quantity("ohm", 1, 100e6, "what draws from the bus meanwhile", none=True)),
        "none",
    ),
    "close_s": (like_the_build_file("--close-time", Contactor, "close_time"), "30 ms"),
    "release_s": (like_the_build_file("--release-time", Contactor, "release_time"), "40 ms"),
    "tick_s": (like_the_build_file("--tick", Build, "tick"), "20 ms"),
    "pulse_j": (like_the_build_file("--pulse-energy", Precharge, "pulse_energy"), None),
    "cooling_s": (like_the_build_file("--cooling-time", Precharge, "cooling_time"), None),
    "rated_v": (like_the_build_file("--rated-voltage", Precharge, "rated_voltage"), None),
}
NEEDED = ("highest_v", "capacitance_farad", "resistance_ohm")
WITHIN = QuantityOption("--within", Quantity("s", 0.001, 600, "longest time to the fraction; proposes a resistor"))
STARTS_MAX = 20


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "precharge",
        help="times, heat and resistor of a precharge, of a build or of parts in hand",
        description="Reckon a precharge. With --build every value is the build's, unless an option says otherwise. "
        "Exit 0: it fits; 1: something does not; 2: wrong use.",
    )
    parser.add_argument("--build", type=Path, metavar="BUILD", help="a build file (TOML)")
    for option, otherwise in FIELDS.values():
        option.add(parser, otherwise)
    WITHIN.add(parser)
    parser.add_argument(
        "--series", choices=list(SERIES), default="E24", help="of the proposal (IEC 60063); default E24"
    )
    parser.add_argument("--starts", type=int, default=1, metavar="N", help="starts in a row from cold; default 1")
    parser.add_argument("--json", action="store_true", help="the same as one flat JSON object, SI units in the names")


def run(args: argparse.Namespace) -> Result:
    """Return the answer; UserError for options that are wrong or missing, or a build file that is."""
    if not 1 <= args.starts <= STARTS_MAX:
        raise UserError(f"--starts {args.starts}: must be 1 to {STARTS_MAX}")
    within_s = WITHIN.read(args)
    if args.build is None:
        name, has_resistor = None, FIELDS["resistance_ohm"][0].is_given(args)
        if not has_resistor and within_s is None:
            raise UserError("--resistance: is missing; give it, or --within to have one proposed, or --build")
        path = _of_parts(args)
    else:
        try:
            build = read_build(args.build)
        except BuildError as error:
            return refused(error)
        name, has_resistor = build.build.name, True
        path = replace(precharge_path(build), **_given(args))
    facts = precharge_facts(path, name, has_resistor, within_s, args.series, args.starts)
    return Result(json.dumps(facts, indent=2) if args.json else page(facts), 0 if facts["ok"] else 1)


def _given(args: argparse.Namespace) -> dict[str, Any]:
    """The values that were typed, by field."""
    found: dict[str, Any] = {field: option.read(args) for field, (option, _) in FIELDS.items() if option.is_given(args)}
    if "load_ohm" in found and found["load_ohm"] is None:
        found["load_ohm"] = rc.NO_LOAD
    return found


def _of_parts(args: argparse.Namespace) -> PrechargePath:
    values: dict[str, Any] = {"pulse_j": None, "cooling_s": None, "rated_v": None, "load_ohm": rc.NO_LOAD}
    for field, (option, otherwise) in FIELDS.items():
        if option.is_given(args) or otherwise in (None, "none"):
            continue
        values[field] = option.quantity.read(otherwise)
    values |= _given(args)
    if "resistance_ohm" not in values:
        values["resistance_ohm"] = 1.0  # only a proposal is asked for
    for field in NEEDED:
        if field not in values:
            FIELDS[field][0].need(args)
    return PrechargePath(**values)
