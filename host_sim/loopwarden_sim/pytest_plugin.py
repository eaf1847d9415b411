"""A pytest plugin: scenario files are tests. It comes with the package, so a plain `pytest` finds them.

A scenario file is a .toml file that lies in a folder called `scenarios`, or whose name begins with `scenario_`. Each is
one test: its expectations, the promises, and a second run that must give the same commands (S14).
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> "ScenarioFile | None":
    """Take scenario files; leave every other file alone."""
    if file_path.suffix != ".toml":
        return None
    if file_path.parent.name != "scenarios" and not file_path.name.startswith("scenario_"):
        return None
    return ScenarioFile.from_parent(parent, path=file_path)


class ScenarioFile(pytest.File):
    """One scenario file."""

    def collect(self) -> "Iterator[ScenarioItem]":
        """One test; the file is read when it runs, so that a broken one fails alone."""
        yield ScenarioItem.from_parent(self, name="scenario")


class ScenarioItem(pytest.Item):
    """One run of one scenario."""

    def runtest(self) -> None:
        """Run it; ScenarioFailed with the report in words."""
        # Imported here: a project that only has the package installed shall not wait for it.
        from loopwarden_sim.report import outcome_text
        from loopwarden_sim.runner import run
        from loopwarden_sim.scenario import ScenarioError, load_scenario

        try:
            scenario = load_scenario(self.path)
        except ScenarioError as error:
            raise ScenarioFailed("\n".join(error.lines)) from None
        outcome = run(scenario, twice=True)
        promises = {promise: count for promise, count in outcome.exercised.items() if count}
        self.user_properties.append(("promises", " ".join(f"{name}:{count}" for name, count in promises.items())))
        if not outcome.passed:
            raise ScenarioFailed(outcome_text(outcome, story=True))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The report itself: a traceback through the runner would tell nobody anything."""
        if isinstance(excinfo.value, ScenarioFailed):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where the test stands."""
        return self.path, None, self.path.name


class ScenarioFailed(Exception):
    """A scenario that cannot be run, or did not go as it says."""
