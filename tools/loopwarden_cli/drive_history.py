"""The drive that `report` and `export` are asked about: run now, from a scenario, or decided again from a recording."""

import struct
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import BuildError, read_build
from loopwarden_build.pack import pack_bytes
from loopwarden_cli.result import UserError
from loopwarden_cli.simulate import progress_bar
from loopwarden_record.recording import MAGIC, Recording, RecordingError, read
from loopwarden_record.replay import Replayed, replay
from loopwarden_sim import runner
from loopwarden_sim.scenario import ScenarioError, load_scenario
from loopwarden_sim.trace import Scene

if TYPE_CHECKING:
    from loopwarden_report.history import History


def drive_of(path: Path, build: Path | None) -> "History":
    """The history of a scenario's run or of a recording; what was not as it should be stands in the remarks.

    build   build file of a recording, which itself has the packed one alone; None for a scenario
    Errors: UserError.
    """
    if not _is_recording(path):
        if build is not None:
            raise UserError(f"--build {build}: a scenario names its own build")
        return _of_scenario(path)
    if build is None:
        raise UserError(f"{path}: is a recording: give the build file that it was made with, --build BUILD")
    try:
        return _of_recording(read(path), build)
    except RecordingError as error:
        raise UserError(str(error)) from None
    except BuildError as error:
        raise UserError(*error.lines) from None
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from None


def _is_recording(path: Path) -> bool:
    """Whether it begins as one, or holds bytes that are no text: what is damaged or foreign is named as such."""
    try:
        data = path.read_bytes()
    except OSError:
        return False  # the scenario's reader says what is wrong
    return data.startswith(MAGIC) or (path.suffix != ".toml" and b"\0" in data)


def _of_scenario(path: Path) -> "History":
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


def _of_recording(recording: Recording, build_path: Path) -> "History":
    from loopwarden_report.history import NOT_KNOWN
    from loopwarden_report.recorder import Recorder

    build = read_build(build_path)
    tick_ms = recording.build().tick_ms
    recorder = Recorder(build, f"recording {recording.path.name}", "recording")
    if pack_bytes(to_device(build)) != recording.image:
        recorder.remark(
            f"{build_path} is not the build that was recorded: names, bands and expected times are its own."
        )
    last = odd = 0

    def on_tick(frames: Any, inputs: Any, outputs: Any, supervisor: Any) -> None:
        nonlocal last, odd
        if frames.tick > last + 1:
            recorder.gap(last * tick_ms, frames.tick * tick_ms, "these ticks cannot be read")
        last = frames.tick
        try:
            recorder.tick(last * tick_ms, inputs, outputs, supervisor, NOT_KNOWN)
        except struct.error:
            odd += 1

    found = replay(recording, on_tick)
    for remark in [*found.remarks, *_difference(found)]:
        recorder.remark(f"{remark[:1].upper()}{remark[1:]}.")
    if odd:
        recorder.remark(f"{odd} ticks hold numbers that no reading has; they are left out.")
    return recorder.history()


def _difference(found: Replayed) -> list[str]:
    if found.difference is None:
        return []
    d = found.difference
    what = ", ".join(f"{name} {told} there and {here} here" for name, told, here in d.what)
    return [f"from {d.t_ms / 1000:.2f} s on this program decides otherwise than the board did ({what}), so no reasons"]


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
