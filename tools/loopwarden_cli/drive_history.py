"""The drive that `report` and `export` are asked about: run now, from a scenario."""

from pathlib import Path
from typing import TYPE_CHECKING

from loopwarden_cli.result import UserError
from loopwarden_cli.simulate import progress_bar
from loopwarden_sim import runner
from loopwarden_sim.scenario import ScenarioError, load_scenario
from loopwarden_sim.trace import Scene

if TYPE_CHECKING:
    from loopwarden_report.history import History


def drive_of(path: Path) -> "History":
    """The history of a scenario's run; what it did not keep to stands in the remarks. Errors: UserError."""
    from loopwarden_report.recorder import Recorder  # brings numpy: no other command pays for it

    try:
        scenario = load_scenario(path)
    except ScenarioError as error:
        raise UserError(*error.lines) from None
    recorder = Recorder(scenario.build, scenario.title, "simulation")

    def watch(scene: Scene) -> None:
        recorder.tick(scene.t_ms, scene.inputs, scene.outputs, scene.supervisor)

    with progress_bar([scenario], quiet=False) as bar:
        outcome = runner.run(scenario, progress=bar(scenario), watch=watch)
    if outcome.failure:
        recorder.remark(f"The run did not come to its end: {outcome.failure}.")
    for breach in outcome.breaches:
        recorder.remark(f"A promise was broken: {breach}")
    for result in outcome.expectations:
        if not result.passed:
            recorder.remark(f"Not as the scenario expects: {result}")
    return recorder.history()


def checked_target(path: Path, source: Path | None = None) -> Path:
    """A file that can be written as far as one can see before the work, and is not the source. Errors: UserError."""
    folder = path.resolve().parent
    if not folder.is_dir():
        raise UserError(f"{path}: cannot be written: there is no folder {folder}")
    if path.is_dir():
        raise UserError(f"{path}: cannot be written: it is a folder")
    if source is not None and path.resolve() == source.resolve():
        raise UserError(f"{path}: cannot be written: it is what is to be read")
    return path
