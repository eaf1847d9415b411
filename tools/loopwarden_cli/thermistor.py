"""`loopwarden thermistor`: degrees, ohm and counts of a temperature sensor, and what the board would read."""

import argparse
import json
from pathlib import Path

from loopwarden_build import thermistor
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.model import BuildFile, NtcZone, Pt1000Zone
from loopwarden_build.quantity import Quantity
from loopwarden_build.sensor_curves import COUNTS_MAX
from loopwarden_build.thermistor import DEGC_MAX, DEGC_MIN, Facts, Zone
from loopwarden_build.thermistor_page import page
from loopwarden_build.units import show
from loopwarden_cli.build_file import refused
from loopwarden_cli.quantity_option import QuantityOption, like_the_build_file
from loopwarden_cli.result import Result, UserError

R25 = like_the_build_file("--r25", NtcZone, "r25")
BETA = like_the_build_file("--beta", NtcZone, "beta")
PULL_UP = like_the_build_file("--pull-up", NtcZone, "pull_up")
OHM = QuantityOption("--ohm", Quantity("ohm", 0, 1e9, "a resistance, as a meter shows it"))
DEGC = QuantityOption("--degc", Quantity("degC", DEGC_MIN, DEGC_MAX, "a temperature"))
FROM = QuantityOption("--from", Quantity("degC", DEGC_MIN, DEGC_MAX, "the table begins here"), "-40 degC")
TO = QuantityOption("--to", Quantity("degC", DEGC_MIN, DEGC_MAX, "the table ends here"), "150 degC")
STEP = QuantityOption("--step", Quantity("K", 0.1, 100, "from row to row of the table"), "10 K")
OPTIONS = (R25, BETA, PULL_UP, OHM, DEGC, FROM, TO, STEP)
ROWS_MAX = 500


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add this subcommand's parser."""
    parser = subparsers.add_parser(
        "thermistor",
        help="degrees, ohm and counts of an NTC or Pt1000, and what the board would read",
        description="Reckon a temperature sensor by its exact equation and by the board's own code. With --ohm, --degc "
        "or --counts one reading, else a table. Exit 0: the board would read a temperature, or a table was asked for; "
        "1: it would not; 2: wrong use. Write a negative temperature with a space: --degc '-25 degC'.",
    )
    parser.add_argument("--build", type=Path, metavar="BUILD", help="a build file (TOML), with --zone")
    parser.add_argument("--zone", metavar="N", help="zone of the build, by number from 1 or by name")
    parser.add_argument("--sensor", choices=["ntc", "pt1000"], default=None, help="without --build; default ntc")
    for option in OPTIONS:
        option.add(parser)
    parser.add_argument("--counts", metavar="N", help=f"converter counts, 0 to {COUNTS_MAX}")
    parser.add_argument("--json", action="store_true", help="the same as one flat JSON object, SI units in the names")


def run(args: argparse.Namespace) -> Result:
    """Return reading or table; UserError for options that are wrong or missing, or a build file that is."""
    build: BuildFile | None = None
    if args.build is None:
        zone = _of_parts(args)
    else:
        try:
            build = read_build(args.build)
        except BuildError as error:
            return refused(error)
        zone = _of_build(build, args)
    facts: Facts = {
        "build": None if build is None else build.build.name,
        "zone": None if build is None else zone.name,
        **thermistor.of_zone(zone),
    }
    reading = _reading(zone, args)
    if reading is not None:
        facts |= reading
        text = json.dumps(facts, indent=2) if args.json else page(facts, [])
        return Result(text, 0 if reading["board_state"] == "ok" else 1)
    rows = _table(zone, args)
    if not args.json:
        return Result(page(facts, rows))
    columns = {f"table_{name}": [row[name] for row in rows] for name in rows[0]}
    return Result(json.dumps(facts | columns))


def _reading(zone: Zone, args: argparse.Namespace) -> Facts | None:
    given = [flag for flag, raw in (("--ohm", args.ohm), ("--degc", args.degc), ("--counts", args.counts)) if raw]
    if len(given) > 1:
        raise UserError(f"{given[1]}: not together with {given[0]}; one reading at a time")
    if args.ohm is not None:
        return thermistor.at_ohm(zone, OHM.need(args))
    if args.degc is not None:
        return thermistor.at_degc(zone, DEGC.need(args))
    return None if args.counts is None else thermistor.at_counts(zone, _counts(args.counts))


def _counts(raw: str) -> float:
    try:
        counts = float(raw)
    except ValueError:
        counts = -1.0
    if not 0 <= counts <= COUNTS_MAX:  # so is what is no number
        raise UserError(f'--counts "{raw}": must be a number from 0 to {COUNTS_MAX}')
    return counts


def _table(zone: Zone, args: argparse.Namespace) -> list[Facts]:
    from_degc, to_degc, step_k = FROM.need(args), TO.need(args), STEP.need(args)
    if to_degc < from_degc:
        raise UserError(f'--to "{args.to}": must be {show(from_degc, "degC")} or more, where the table begins')
    if (to_degc - from_degc) / step_k > ROWS_MAX:
        raise UserError(f'--step "{args.step}": makes more than {ROWS_MAX} rows')
    return thermistor.table(zone, from_degc, to_degc, step_k)


def _of_parts(args: argparse.Namespace) -> Zone:
    if args.zone is not None:
        raise UserError("--zone: needs --build, whose zone it is")
    PULL_UP.need(args)
    about = {"name": "sensor", "where": "pack", "pull_up": args.pull_up, "covered_by": []}
    if args.sensor == "pt1000":
        for option in (R25, BETA):
            if option.is_given(args):
                raise UserError(f"{option.flag}: belongs to an NTC; a Pt1000 has 1000 ohm at 0 degC and IEC 60751")
        return Pt1000Zone.model_validate({**about, "sensor": "pt1000"})
    for option in (R25, BETA):
        option.need(args)
    return NtcZone.model_validate({**about, "sensor": "ntc", "r25": args.r25, "beta": args.beta})


def _of_build(build: BuildFile, args: argparse.Namespace) -> Zone:
    for flag in ("sensor", "r25", "beta", "pull_up"):
        if getattr(args, flag) is not None:
            raise UserError(f"--{flag.replace('_', '-')}: not together with --build, whose zones have their own")
    names = ", ".join(f'{number} "{zone.name}"' for number, zone in enumerate(build.zone, 1))
    if args.zone is None:
        raise UserError(f"--zone: is missing; this build has {names}")
    for number, zone in enumerate(build.zone, 1):
        if args.zone in (str(number), zone.name):
            return zone
    raise UserError(f'--zone "{args.zone}": there is none; this build has {names}')
