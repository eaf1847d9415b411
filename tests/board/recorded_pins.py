"""Recordings of what the pins of a virtual board saw, tick by tick, and what the whole loop costs on them."""

import json
import tempfile
from pathlib import Path
from typing import Any

from sim.board_bench import fresh_image, scenario_of

from loopwarden.policy.faults import ENDED
from loopwarden_build.integer_build import to_device
from loopwarden_build.pack import pack_bytes
from loopwarden_install.version import numbered_script, numbered_texts, program, script_for
from loopwarden_sim.board_pins import Harness
from loopwarden_sim.board_run import BoardRun
from loopwarden_sim.virtual_board import GUEST, VirtualBoard
from micropython_runs.runners import run_wasm

ROOT = Path(__file__).parents[2]
HEAP_BYTES = 16 * 2**20  # a collection in a long session of this build can trap, so none must be needed
MEMORY_GUEST = ROOT / "tests" / "memory" / "guest"
MEMORY_FILES = ("plain_flash.py", "plain_power_up.py")
SCRIPT = Path(__file__).parent / "guest" / "loop_cost.py"
START_SCRIPT = SCRIPT.with_name("start_ram.py")
_QUIET = {  # of a board's wires: power just came, flash takes no time
    "begin_us": 0,
    "clock_us": 0,
    "scratch": [0, 0, 0, 0],
    "erase_us": 0,
    "program_us": 0,
    "chip_reset": 0,
    "was_reset": 0,
    "flash_log": None,
}


class _Taped(VirtualBoard):
    """Keeps every answer that the pins got since the power came; only the first time counts."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.tape: list[bytes] = []
        answer = self.harness.answer

        def taped(*given: Any, **named: Any) -> bytes:
            data = answer(*given, **named)
            self.tape.append(data)
            return data

        self.harness.answer = taped  # type: ignore[method-assign]


def _write(folder: Path, files: dict[str, bytes]) -> None:
    for path, content in files.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)


def started(name: str) -> dict[str, int]:
    """What the program of a shipped build holds of the heap, and what boot.py costs; see guest/start_ram.py."""
    build = scenario_of(name).build
    config = {**Harness(build).config(), **_QUIET, "period_us": round(build.build.tick * 1e6)}
    with tempfile.TemporaryDirectory() as folder:
        _write(Path(folder), program())
        files = {
            "config.json": json.dumps(config).encode(),
            "build.bin": pack_bytes(to_device(build)),
            "boot.py": (ROOT / "firmware" / "boot.py").read_bytes(),
        }
        for name in MEMORY_FILES:
            (Path(folder) / name).write_text(script_for((MEMORY_GUEST / name).read_text(encoding="utf-8")))
        script = script_for(START_SCRIPT.read_text(encoding="utf-8"))
        done = run_wasm(script, path=[GUEST, Path(folder)], files=files)
    answer: dict[str, int] = json.loads(done.stdout.strip().splitlines()[-1])
    return answer


def loop_cost(name: str, seconds: float | None = None, *, host: str = "asks") -> dict[str, Any]:
    """What a tick of the whole loop costs in a shipped scenario; see guest/loop_cost.py.

    Constants are numbers in the program, as they are on a board; nothing else is other than it is written.

    host    "asks" all the time, "records", or "none"
    """
    scenario = scenario_of(name)
    with tempfile.TemporaryDirectory() as folder:
        board = _Taped(scenario.build, fresh_image(scenario, Path(folder) / "flash.img"), stalls=False)
        try:
            BoardRun(scenario, board).go(None, None)
            config = {
                **board.harness.config(),
                **_QUIET,
                "period_us": round(scenario.build.build.tick * 1e6),
                "ended": ENDED,  # constants have no names any more where the script runs
            }
            tape = board.tape
        finally:
            board.close()
    if seconds is not None:
        tape = tape[: round(seconds / scenario.build.build.tick)]
    files = {
        "config.json": json.dumps(config).encode(),
        "build.bin": pack_bytes(to_device(scenario.build)),
        "tape.bin": b"".join(tape),
        "host.txt": host.encode(),
    }
    script = SCRIPT.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        texts = numbered_texts()
        for name in MEMORY_FILES:
            texts[name] = numbered_script((MEMORY_GUEST / name).read_text(encoding="utf-8"))
        _write(Path(folder), {path: text.encode() for path, text in texts.items()})
        _write(Path(folder), {path: content for path, content in program().items() if path.endswith(".txt")})
        done = run_wasm(script, path=[GUEST, Path(folder)], files=files, heap_bytes=HEAP_BYTES)
    answer: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return answer
