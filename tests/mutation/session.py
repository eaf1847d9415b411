"""A pytest session whose tests are run one by one on a mutant, each in its turn, until one of them fails.

The tests are those of the policy and the memory that run in this process, and the shipped scenarios. What runs the
device code elsewhere (both MicroPythons) sees no mutant, or takes every one for a difference: it is left out.
"""

import os
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import coverage
import pytest
from _pytest.runner import runtestprotocol
from coverage.exceptions import CoverageWarning

ROOT = Path(__file__).parents[2]
TESTS = [
    "tests/policy",
    "tests/memory",
    "tests/link/test_console.py",
    "tests/link/test_deeds.py",
    "tests/link/test_pages.py",
    "tests/test_loop.py",
    "host_sim/scenarios",
]
ELSEWHERE = [
    "tests/policy/test_heap.py",
    "tests/policy/test_frames.py",
    "tests/policy/test_imports.py",
    "tests/policy/test_largest_builds.py",
    "tests/policy/test_same_everywhere.py",
    "tests/memory/test_on_littlefs.py",
    "tests/memory/test_power_cuts.py",
]


class _Plugin:
    """Collects as usual, and gives the tests away instead of running them."""

    def __init__(self, work: Callable[[list[pytest.Item]], None]) -> None:
        self._work = work

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection(self) -> None:
        from hypothesis import Phase, settings  # not before pytest has looked at its plugins

        # The project's own settings, but a failure is a failure: it need not be made small.
        phases = (Phase.explicit, Phase.generate)
        settings.register_profile("hunt", parent=settings.get_profile("loopwarden"), phases=phases, database=None)
        settings.load_profile("hunt")

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            raise RuntimeError("not every test can be collected")
        self._work(session.items)
        return True


def collected(work: Callable[[list[pytest.Item]], None], only: list[str] | None = None) -> None:
    """Call work with the tests, or with those of some files only. Errors: RuntimeError when they do not collect."""
    options = ["--rootdir", str(ROOT), "-p", "no:terminal", "-p", "no:cacheprovider", "-p", "no:faulthandler"]
    options += [f"--deselect={file}" for file in ELSEWHERE]
    os.chdir(ROOT)
    code = pytest.main([*options, *(only or TESTS)], plugins=[_Plugin(work)])
    if code != 0:
        raise RuntimeError(f"pytest ended with {code!r}")


def fails(item: pytest.Item) -> bool:
    """Run one test; a scenario once only."""
    from loopwarden_sim.pytest_plugin import ScenarioItem
    from loopwarden_sim.runner import run
    from loopwarden_sim.scenario import load_scenario

    if isinstance(item, ScenarioItem):
        return not run(load_scenario(item.path)).passed
    return any(report.failed for report in runtestprotocol(item, log=False, nextitem=None))


def measured(items: list[pytest.Item], folder: Path) -> Iterator[tuple[str, float, dict[str, list[int]]]]:
    """Run every test as it is: its node id, its seconds, and the lines of `folder` that it ran, by file.

    Twice, as the watched run takes some two to four times as long, and not alike for all. Errors: RuntimeError for a
    test that fails.
    """
    watch = coverage.Coverage(data_file=None, source=[str(folder)], config_file=False)
    for item in items:
        begun = time.process_time()
        failed = fails(item)
        seconds = time.process_time() - begun
        watch.erase()
        watch.start()
        failed = fails(item) or failed
        watch.stop()
        if failed:
            raise RuntimeError(f"{item.nodeid} fails without any mutant")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", CoverageWarning)  # a test that runs nothing of it
            data = watch.get_data()
        lines = {str(Path(file).relative_to(folder)): sorted(data.lines(file) or []) for file in data.measured_files()}
        yield item.nodeid, seconds, lines
