"""How fast a campaign goes, on one worker and on two: the same sample of the truck's single attacks."""

import time
from pathlib import Path

from loopwarden_build.load import read_text
from loopwarden_prove import plan
from loopwarden_prove.executors import PoolExecutor
from loopwarden_prove.work import Cases, campaign_of, run_cases, source_of

BUILD = Path(__file__).parents[2] / "host_sim" / "builds" / "orchard_truck.toml"
CASES = 400


def ticks_per_s(workers: int, cases: int = CASES) -> float:
    """Simulated ticks a second on so many worker processes, which have started and made their campaigns beforehand."""
    source = source_of(str(BUILD), read_text(str(BUILD)), 1)
    chosen = plan.sample(campaign_of(source).cases, cases, 1)
    tasks = [Cases(source, group) for group in plan.tasks(chosen, 1)]
    with PoolExecutor(workers) as executor:
        # So many that each worker gets one: what a worker has to make, it makes here.
        for _ in executor.map_unordered(run_cases, [Cases(source, tasks[0].cases[:3])] * 3 * workers):
            pass
        begun_s = time.perf_counter()
        ticks = sum(found.ticks for _, group in executor.map_unordered(run_cases, tasks) for found in group)
        return ticks / (time.perf_counter() - begun_s)
