"""Measures speed, cost and size: a table on the screen and, with --json, one flat object of figures.

Seconds depend on this machine; instructions, bytes, words and lines do not.

    python3 tools/dev.py bench [--json FILE]
"""

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from board.chat import breaches, curious_host, now_and_then, run_with_host, wild_host
from board.recorded_pins import loop_cost, started
from campaign import ticks_per_s
from code_lines import folder_lines
from drive import recorded, timed
from drive_report import reported
from install.install_bench import flash_cuts, old_image, pulled_cables, recorded_install, spread
from link.sent import counted
from memory.guest_runs import SESSIONS, cuts, wear
from policy.recordings import record
from policy.stories import STORIES, told
from policy.tick_frames import largest
from sim.board_bench import can_run, mismatches, scenario_of

import loopwarden.policy
from loopwarden_install.version import program
from loopwarden_record.recording import read
from loopwarden_record.replay import replay
from loopwarden_record.simulated import record_scenario
from loopwarden_sim.scenario import Scenario, load_scenario
from micropython_runs.runners import run_wasm
from proof.last_run import last_run, when

ROOT = Path(__file__).parents[2]
POLICY = Path(loopwarden.policy.__file__).parent
FIRMWARE = POLICY.parents[1]
GUEST = ROOT / "tests" / "policy" / "guest"
SCENARIOS = ROOT / "host_sim" / "scenarios"
COUNTED_MS = 300_000  # of the drive, for the mean of a tick; more of it changes the third figure
# Starts of the power cut runs, and every how many cuts a second one follows; together above 20,000 cuts.
CUT_RUNS = [
    ("blank", 2),
    ("fresh", 2),
    ("full", 2),
    ("aged", 2),
    ("fresh", 3),
    ("full", 3),
    ("aged", 3),
    ("fresh", 5),
    ("full", 5),
    ("aged", 5),
]
CUT_ROUNDS = 3
# Whole ticks of the loop: the mean of the first, the worst of all.
LOOPS = [
    ("start_drive_stop", 45),
    ("contactor_drops_out_at_speed", 60),
    ("connector_flickers", 60),
    ("emergency_stop_at_speed", 60),
    ("isolation_fault_at_speed_winds_down", 100),
    ("pack_sensors_open_uncovered_at_speed", 60),
    ("supply_low_then_failing", 60),
]
LONG = "published_speed_trace_without_a_fault"
CUT_POINTS, CABLES = 100, 20
FUZZ_SEEDS = (1, 2, 3)
FUZZ_TICKS = 200_000  # some 345,000 bytes are taken in so many
HOUR_TICKS = 180_000
LIVE = 3  # phase
SETTLED_TICK = 1000  # when a start-up is over
DRIVES = 2  # the quicker one counts: whatever else the machine does makes it slower, never quicker

# figure -> (unit, what it should be at most, or None)
FIGURES: dict[str, tuple[str, float | None]] = {
    "drive_1800s_s": ("s", 5.0),
    "report_1800s_s": ("s", 10.0),
    "report_bytes": ("B", 8_000_000),
    "ticks_per_s": ("1/s", None),
    "plant_s_per_1800s": ("s", None),
    "conversion_s_per_1800s": ("s", None),
    "policy_s_per_1800s": ("s", None),
    "policy_instructions_live": ("", 110_000),
    "policy_instructions_three_faults": ("", 130_000),
    "policy_instructions_worst": ("", 350_000),
    "policy_alloc_bytes": ("B", 0),
    "policy_largest_frame_words": ("words", 11),
    "policy_code_lines": ("lines", 1_500),
    "scenarios_passed": ("", None),
    "scenarios_failed": ("", 0),
    "power_cuts_tried": ("", None),
    "power_cut_losses": ("", 0),
    "erases_per_stored_record": ("", 1),
    "erases_while_live": ("", 0),
    "loop_instructions_live": ("", 300_000),
    "loop_instructions_worst": ("", 800_000),
    "console_fuzz_bytes": ("", None),
    "console_fuzz_breaches": ("", 0),
    "heap_growth_bytes_per_hour": ("B", 1024),
    "virtual_board_mismatched_ticks": ("", 0),
    "mpy_bytes": ("B", 200_000),
    "ram_after_start_bytes": ("B", 110 * 1024),
    "install_s": ("s", None),
    "install_cut_points": ("", None),
    "install_cut_failures": ("", 0),
    "first_output_instructions": ("", None),
    "replay_times_real_time": ("", None),
    "record_overhead_percent": ("%", 25),
    "can_pack_instructions": ("", 60_000),
    "campaign_ticks_per_s": ("1/s", None),
    "campaign_scaling_2_workers": ("", None),
    "campaign_cases": ("", None),
    "campaign_breaches": ("", 0),
    "explored_states": ("", None),
    "explored_transitions": ("", None),
    "exploration_breaches": ("", 0),
    "mutation_score_percent": ("%", None),
    "sabotage_planted": ("", None),
    "sabotage_missed": ("", 0),
}

LEAST = {
    "replay_times_real_time": 100,
    "campaign_ticks_per_s": 60_000,
    "campaign_scaling_2_workers": 1.8,
    "mutation_score_percent": 95,
    "sabotage_planted": 40,
}


def cost(files: Mapping[str, bytes], first: int, last: int) -> dict[str, int]:
    """What the ticks of a recording cost on the 32-bit build; see guest/tick_cost.py."""
    script = (GUEST / "tick_cost.py").read_text(encoding="utf-8")
    window = f"{first} {last}".encode()
    done = run_wasm(script, path=[FIRMWARE, GUEST], files={**files, "window.txt": window})
    answer: dict[str, int] = json.loads(done.stdout)
    return answer


def scenario_cost(file: Path) -> tuple[str, str, dict[str, int]]:
    """A shipped scenario: its name, why it did not pass or "", and what its ticks cost."""
    try:
        outcome, build, ticks, _ = record(load_scenario(file))
    except RuntimeError as error:
        return file.stem, str(error), {"heap": 0, "most": 0}
    answer = cost({"build.json": build, "ticks.bin": ticks}, 0, 0)
    return file.stem, "" if outcome.passed else "an expectation or a promise", answer


def story_cost(name: str) -> tuple[str, dict[str, int]]:
    """A story of the policy's tests, among them everything going bad at once."""
    build, ticks, _ = told(name)
    return name, cost({"build.json": build, "ticks.bin": ticks}, 0, 0)


def frame_cost(name: str) -> int:
    """The dearest frame that is sent on a CAN bus in a story."""
    most: int = counted(name)["most"]
    return most


def cut_run(run: tuple[str, int]) -> dict[str, Any]:
    """Power cuts from one start; see guest/power_cuts.py of the memory's tests."""
    start, again = run
    return cuts(start, CUT_ROUNDS * SESSIONS, again)


def board_ticks(file: Path) -> tuple[str, int, list[str]]:
    """A shipped scenario on the virtual board: ticks in which it decided otherwise, None of it where it cannot run."""
    scenario = load_scenario(file)
    if not can_run(scenario):
        return file.stem, 0, []
    with tempfile.TemporaryDirectory() as folder:
        return (file.stem, *mismatches(scenario, Path(folder) / "flash.img"))


def staying_on(ticks: int) -> Scenario:
    """The published speed trace, and then live at a stand: nobody turns the key off."""
    scenario = scenario_of(LONG)
    stays_on = tuple(event for event in scenario.events if (event[1].name, event[1].value) != ("key", 0))
    return replace(scenario, ticks=ticks, events=stays_on)


def fuzzed(seed: int) -> tuple[int, int]:
    """A drive with a host gone wild: bytes sent, and what it changed."""
    scenario = staying_on(FUZZ_TICKS)
    with tempfile.TemporaryDirectory() as folder:
        quiet = run_with_host(scenario, Path(folder) / "a.img", None)
        wild = run_with_host(scenario, Path(folder) / "b.img", wild_host(seed), reads=now_and_then)
    return wild.sent, breaches(quiet, wild)


def heap_growth(_: int) -> int:
    """Bytes alive after an hour with a curious host, above those after the start-up."""
    last = SETTLED_TICK + HOUR_TICKS
    with tempfile.TemporaryDirectory() as folder:
        image = Path(folder) / "a.img"
        talk = run_with_host(staying_on(last + 2), image, curious_host, measured=(SETTLED_TICK, last))
    assert talk.outcome is not None
    if talk.outcome.failure or talk.ticks[last].phase != LIVE:
        raise RuntimeError(f"the hour was not driven to its end: {talk.outcome.failure}")
    return talk.heap[last] - talk.heap[SETTLED_TICK]


def loop_run(run: tuple[str, int]) -> tuple[str, dict[str, Any]]:
    """What a whole tick costs; see tests/board/guest/loop_cost.py."""
    return run[0], loop_cost(*run)


def update_cuts(points: int) -> tuple[int, list[str], float]:
    """An update cut at so many of its flash operations, in every way, and how long one takes; see tests/install."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        image = old_image(folder / "flash.img")
        began_s = time.monotonic()
        operations = recorded_install(folder, image)
        took_s = time.monotonic() - began_s
        tried, failures = flash_cuts(folder, operations, list(spread(len(operations), points)))
    return tried, failures, took_s


def cable_cuts(points: int) -> tuple[int, list[str]]:
    """Updates whose cable comes off; see tests/install."""
    with tempfile.TemporaryDirectory() as name:
        return pulled_cables(Path(name), points)


def recording_overhead(_: int) -> float:
    """What a recording adds to a live tick on which nobody asks anything, in percent of its counted instructions."""
    alone, recorded = (loop_cost(*LOOPS[0], host=host)["live"] for host in ("none", "records"))
    return 100 * (recorded - alone) / alone


def replayed() -> float:
    """Seconds of the long drive that one second decides again, on one core."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.rec"
        record_scenario(scenario_of(LONG), path)
        begun_s = time.perf_counter()
        found = replay(read(path))
        took_s = time.perf_counter() - begun_s
    if not found.identical or found.remarks:
        raise RuntimeError(f"the long drive was not decided again: {found.difference} {found.remarks}")
    return found.ms / 1000 / took_s


def measure() -> tuple[dict[str, float], list[str]]:
    """All figures, and what is worth saying about them."""
    figures: dict[str, float] = {}
    remarks: list[str] = []
    times = min((timed() for _ in range(DRIVES)), key=lambda one: one.whole_s)
    figures["drive_1800s_s"] = round(times.whole_s, 3)
    figures["ticks_per_s"] = round(times.ticks / times.whole_s)
    figures["plant_s_per_1800s"] = round(times.plant_s, 3)
    figures["conversion_s_per_1800s"] = round(times.conversion_s, 3)
    figures["policy_s_per_1800s"] = round(times.policy_s, 3)
    report_s, figures["report_bytes"] = min(reported() for _ in range(DRIVES))
    figures["report_1800s_s"] = round(report_s, 3)
    quiet, ill = (cost(*recorded(COUNTED_MS, faults=faults)) for faults in (False, True))
    figures["policy_instructions_live"] = quiet["mean"]
    figures["policy_instructions_three_faults"] = ill["mean"]

    heap = quiet["heap"] + ill["heap"]
    passed = failed = 0
    worst: dict[str, int] = {"the drive": quiet["most"], "the drive with three faults": ill["most"]}
    # Started anew, not forked: a fork of the compiled interpreter hangs.
    with ProcessPoolExecutor(os.cpu_count(), get_context("spawn")) as pool:
        files = sorted(SCENARIOS.glob("*.toml"))
        for name, problem, answer in pool.map(scenario_cost, files):
            passed, failed = passed + (not problem), failed + bool(problem)
            if problem:
                remarks.append(f"scenario {name} failed: {problem}")
            heap += answer["heap"]
            worst[name] = answer["most"]
        figures["can_pack_instructions"] = max(pool.map(frame_cost, STORIES))
        for name, answer in pool.map(story_cost, STORIES):
            heap += answer["heap"]
            worst[f"story: {name}"] = answer["most"]
        runs = list(pool.map(cut_run, CUT_RUNS))
        cut, pulled = pool.submit(update_cuts, CUT_POINTS), pool.submit(cable_cuts, CABLES)
        grown, overhead = pool.submit(heap_growth, 0), pool.submit(recording_overhead, 0)
        wild = pool.map(fuzzed, FUZZ_SEEDS)
        loops = list(pool.map(loop_run, LOOPS))
        others = list(pool.map(board_ticks, files))
        figures["heap_growth_bytes_per_hour"] = grown.result()
        cut_points, cut_failures, figures["install_s"] = cut.result()
        cables, cable_failures = pulled.result()
        sent = list(wild)
        figures["record_overhead_percent"] = round(overhead.result(), 1)
    figures["install_s"] = round(figures["install_s"], 1)
    figures["install_cut_points"] = cut_points + cables
    figures["install_cut_failures"] = len(cut_failures) + len(cable_failures)
    remarks += cut_failures + cable_failures
    figures["mpy_bytes"] = sum(len(content) for name, content in program().items() if name.endswith(".mpy"))
    begun = started("start_drive_stop")
    figures["ram_after_start_bytes"], figures["first_output_instructions"] = begun["ram"], begun["boot"]
    figures["console_fuzz_bytes"] = sum(one for one, _ in sent)
    figures["console_fuzz_breaches"] = sum(one for _, one in sent)
    figures["loop_instructions_live"] = loops[0][1]["live"]
    hardest_loop = max(loops, key=lambda one: one[1]["most"])
    figures["loop_instructions_worst"] = hardest_loop[1]["most"]
    remarks.append(f"worst tick of the loop: {hardest_loop[0]}, tick {hardest_loop[1]['where']}")
    figures["virtual_board_mismatched_ticks"] = sum(count for _, count, _ in others)
    remarks += [f"{name}: {told[0]}" for name, count, told in others if count]
    figures["power_cuts_tried"] = sum(run["cuts"] for run in runs)
    figures["power_cut_losses"] = sum(run["lost"] for run in runs)
    remarks += [loss for run in runs for loss in run["losses"]]
    worn = wear()
    figures["erases_per_stored_record"] = round(worn["erases"] / worn["records"], 3)
    figures["erases_while_live"] = worn["erases_live"]
    hardest = max(worst, key=lambda name: worst[name])
    remarks.append(f"worst tick: {hardest}")
    figures["policy_instructions_worst"] = worst[hardest]
    figures["policy_alloc_bytes"] = heap
    figures["policy_largest_frame_words"], where = largest(POLICY)
    remarks.append(f"largest frame of the tick: {where}")
    figures["policy_code_lines"] = folder_lines(POLICY)
    figures["scenarios_passed"] = passed
    figures["scenarios_failed"] = failed
    figures["replay_times_real_time"] = round(replayed())
    one, two = ticks_per_s(1), ticks_per_s(2)
    figures["campaign_ticks_per_s"], figures["campaign_scaling_2_workers"] = round(two), round(two / one, 2)
    long_run = last_run()
    figures.update(long_run.get("figures", {}))
    remarks.append(f"campaign, exploration, mutants and sabotage: {when(long_run)}")
    remarks += [f"not run yet: {name}" for name in FIGURES if name not in figures]
    return {name: figures[name] for name in FIGURES if name in figures}, remarks


def table(figures: Mapping[str, float], remarks: list[str]) -> str:
    """The figures as people read them."""
    lines = [f"{'figure':<34}{'value':>12}  {'unit':<6}{'at most':>10}"]
    for name, value in figures.items():
        unit, most = FIGURES[name]
        limit = "" if most is None else f"{most:,.10g}"
        mark = "  OVER" if most is not None and value > most else "  UNDER" if value < LEAST.get(name, value) else ""
        lines.append(f"{name:<34}{value:>12,.10g}  {unit:<6}{limit:>10}{mark}")
    return "\n".join([*lines, *remarks])


def main() -> int:
    """Return 0; a figure over its mark is shown, it is no error of the measurement."""
    parser = argparse.ArgumentParser(prog="bench", description="Measure speed, cost and size.")
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the figures as one flat object")
    args = parser.parse_args()
    if args.json is not None and not args.json.absolute().parent.is_dir():
        print(f"bench: --json {args.json}: there is no folder {args.json.absolute().parent}", file=sys.stderr)
        return 2
    figures, remarks = measure()
    print(table(figures, remarks))
    if args.json is not None:
        args.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
