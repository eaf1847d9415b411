"""The demo: a day with the orchard utility truck, told from one supervised run of its scenario.

Runs `host_sim/scenarios/orchard_day.toml` of this checkout and prints the story, readings between the events, the
stored codes and what the run proved; then the same day on the virtual board, and its codes as a person reads them over
its serial port. Decides nothing: every line comes from the runs.
"""

import csv
import shutil
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from loopwarden import words
from loopwarden_cli.simulate import progress_bar
from loopwarden_sim.board_talk import BoardTalk
from loopwarden_sim.report import exercised_text
from loopwarden_sim.runner import Event, Outcome, run
from loopwarden_sim.scenario import Action, Scenario, load_scenario
from loopwarden_sim.trace import FAULT_IDS
from loopwarden_sim.virtual_board import BoardError, VirtualBoard, commission, make_image

SCENARIO = Path(__file__).resolve().parents[2] / "host_sim" / "scenarios" / "orchard_day.toml"
_EVERY_MS = 20_000  # readings are shown this often
_COLUMNS_MAX = 100
_INDENT = " " * 12
_TYPED = ("faults", "faults isolation fault", "starts")


def story(outcome: Outcome, rows: list[dict[str, str]], columns: int) -> str:
    """The run in words: events and readings in order of time, then codes and verdict; lines of at most `columns`."""
    lines = [*_wrapped("A simulated day; no board, no high voltage. " + outcome.scenario.title + ".", columns, ""), ""]
    told: list[Event] = sorted([*outcome.events, *_readings(rows)], key=lambda event: event.t_ms)
    for event in told:
        lines.extend(_wrapped(f"{event.t_ms / 1000:9.2f} s {event.text}", columns, _INDENT))
    lines += ["", "Stored trouble codes, as the fault memory holds them after the day:"]
    for code in outcome.codes:
        means, checks = words.fault_text(FAULT_IDS[code.name])
        lines.extend(_wrapped(f"  {code.code}  {code.name}, {code.count} x. {means}", columns, _INDENT))
        lines.extend(_wrapped(f"{_INDENT}First check: {' '.join(checks)}", columns, _INDENT))
    lines += ["", "What was expected of this run:"]
    for result in outcome.expectations:
        lines.extend(_wrapped(f"  {result}", columns, _INDENT))
    for breach in outcome.breaches:
        lines.extend(_wrapped(f"  BROKEN PROMISE {breach}", columns, _INDENT))
    lines.extend(_wrapped(exercised_text([outcome]), columns, "  "))
    if outcome.failure:
        lines.append(outcome.failure)
    return "\n".join(lines)


def board_story(scenario: Scenario) -> tuple[str, bool]:
    """The same day on the virtual board, then its codes over the serial port: the words, and whether it went well."""
    second = round(1 / scenario.build.build.tick)
    key_on = scenario.ticks + 2 * second
    typed = [(key_on + (4 + 3 * n) * second, line) for n, line in enumerate(_TYPED)]
    events = (*scenario.events, (key_on, Action("set", "key", 1.0)))
    longer = replace(scenario, ticks=typed[-1][0] + 8 * second, events=events)
    with tempfile.TemporaryDirectory() as folder:
        image = Path(folder) / "flash.img"
        make_image(image, scenario.build)
        commission(image, scenario.build)
        with closing(VirtualBoard(scenario.build, image)) as board:
            run = BoardTalk(longer, board, typed)
            outcome = run.go(None, None)
    lines = [
        "The same day on a virtual board: the complete firmware under MicroPython, its pins in that world.",
        "Next morning somebody turns the key and opens its serial port in a terminal:",
        "",
    ]
    said = run.said.replace("\r\n", "\n").rsplit("type help\n", 1)[-1].rstrip("> \n")
    lines += [f"    {line}".rstrip() for line in said.split("\n")]
    lines += ["", *(f"BROKEN PROMISE {breach}" for breach in outcome.breaches)]
    good = not outcome.failure and not outcome.breaches and all(f"{line}\n" in said for line in _TYPED)
    return "\n".join([*lines, *([outcome.failure] if outcome.failure else [])]), good


def _wrapped(text: str, columns: int, indent: str) -> list[str]:
    return textwrap.wrap(text, columns, subsequent_indent=indent) or [""]


def _readings(rows: list[dict[str, str]]) -> Iterator[Event]:
    """A line of readings now and then while the board runs."""
    for row in rows:
        t_ms = int(row["t_ms"])
        if t_ms % _EVERY_MS or row["phase"] == "unpowered":
            continue
        lit = [name for name in ("ready", "caution", "stop", "hv") if row[f"out_lamp_{name}"] == "1"]
        yield Event(
            t_ms,
            f"| {row['phase']}, {float(row['world_speed_kmh']):.0f} km/h,"
            f" drive limit {int(row['out_drive_limit_permille']) / 10:g} %,"
            f" bus {float(row['world_bus_v']):.0f} V, pack {float(row['world_pack_hottest_degc']):.1f} degC,"
            f" isolation {float(row['world_isolation_parallel_ohm']) / 1000:.0f} kohm, lit: {', '.join(lit) or 'none'}",
        )


def main() -> int:
    """Run and print; 0 when the day went as promised, 1 otherwise."""
    scenario = load_scenario(SCENARIO)
    with tempfile.TemporaryDirectory() as folder, progress_bar([scenario], quiet=False) as bar:
        trace = Path(folder) / "trace.csv"
        outcome = run(scenario, trace=trace, progress=bar(scenario), twice=True)
        with trace.open(encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if int(row["t_ms"]) % _EVERY_MS == 0]
    columns = min(shutil.get_terminal_size().columns, _COLUMNS_MAX)
    print(story(outcome, rows, columns))
    print("")
    try:
        text, good = board_story(scenario)
    except BoardError as error:
        text, good = f"No virtual board here: {error}", True
    print(text)
    met = sum(result.passed for result in outcome.expectations)
    verdict = "PASS" if outcome.passed and good else "FAIL"
    print(f"{verdict}  {met} of {len(outcome.expectations)} checks, {len(outcome.breaches)} broken promises")
    return 0 if outcome.passed and good else 1


if __name__ == "__main__":
    sys.exit(main())
