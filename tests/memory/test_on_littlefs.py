"""On MicroPython's own littlefs: another littlefs reads the same store, and a quiet tick costs next to nothing."""

import base64
import json
import sys

import pytest
from littlefs import LittleFS

from loopwarden.memory.codes import BYTES, COUNT, ROW
from loopwarden.memory.sealed import HEAD, sealed_kind
from micropython_runs.runners import run_unix, run_wasm

from .guest_runs import GUEST, PATH

BLOCK, BLOCKS = 4096, 48


@pytest.mark.outside(
    subject="board and runtime",
    source="computed apart, littlefs-python",
    value="the flash image mounts and reads the same store",
)
@pytest.mark.skipif(sys.platform == "win32", reason="the 64-bit MicroPython has no wheel for Windows")
def test_littlefs_python_mounts_the_image_and_reads_the_same_store():
    """Reference: littlefs-python, another build of littlefs, with the board's block and program sizes."""
    answer = json.loads(run_unix((GUEST / "dump_image.py").read_text(encoding="utf-8"), path=PATH))
    image = base64.b64decode(answer["image"])
    other = LittleFS(block_size=BLOCK, block_count=BLOCKS, prog_size=256, read_size=256, cache_size=1024, mount=False)
    other.context.buffer = bytearray(image)
    other.mount()
    files = {}
    for name in other.listdir("/memory"):
        with other.open("/memory/" + name, "rb") as file:
            files[name] = file.read()
    assert {name: content.hex() for name, content in files.items()} == answer["files"]
    counts = {}
    for name, content in files.items():
        if name[0] == "c":
            assert sealed_kind(bytearray(content), len(content)) > 0
            record = memoryview(content[HEAD : HEAD + BYTES]).cast("i")
            counts[str(record[ROW])] = record[COUNT]
    assert counts == answer["counts"] == {"8": 3, "44": 1, "51": 2}


def test_a_live_tick_in_which_nothing_happens_takes_no_heap_and_a_record_costs_one_page():
    answer = json.loads(run_wasm((GUEST / "work_cost.py").read_text(encoding="utf-8"), path=PATH).stdout)
    assert answer["quiet_heap"] == 0
    assert answer["programs"] == 4
    assert answer["erases"] == 0
    assert answer["quiet"] < 80_000  # the tick in which the strip takes a sample
    assert answer["storing"] < 450_000
    assert answer["stored_heap"] < 2_048
