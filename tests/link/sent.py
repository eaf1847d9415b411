"""The frames that the device code sends in a story of the policy's tests, under a MicroPython."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from policy.stories import told

import loopwarden
from micropython_runs.runners import run_unix, run_wasm

FIRST_ID = 0x5C0
FIRMWARE = Path(loopwarden.__file__).parents[1]
GUEST = Path(__file__).parent / "guest"
REPLAY = Path(__file__).parents[1] / "policy" / "guest"


def counted(story: str) -> dict[str, Any]:
    """On the 32-bit build: `frames`, `most` counted instructions of one, `heap` bytes; see guest/frames_sent.py."""
    return _sent(lambda *given, **more: run_wasm(*given, **more).stdout, story)


def on_64_bits(story: str) -> dict[str, Any]:
    """On the 64-bit build, which counts nothing: `frames`."""
    return _sent(run_unix, story)


def with_can(build: bytes) -> bytes:
    """The values of a build, as JSON, that sends frames."""
    return json.dumps(json.loads(build) | {"can": [FIRST_ID, 0]}).encode()


def _sent(run: Callable[..., str], story: str) -> dict[str, Any]:
    build, ticks, _ = told(story)
    script = (GUEST / "frames_sent.py").read_text(encoding="utf-8")
    files = {"build.json": with_can(build), "ticks.bin": ticks}
    answer: dict[str, Any] = json.loads(run(script, path=[FIRMWARE, REPLAY], files=files))
    return answer
