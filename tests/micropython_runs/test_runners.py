"""The harness itself: same script in three interpreters, exact fuel, heap use noticed and only then."""

import hashlib
from pathlib import Path

import pytest

from .runners import RunFailed, run_cpython, run_unix, run_wasm

DEVICE_MODULE = b"""
class Counter:
    def __init__(self):
        self.count = 0

    def step(self, dt_ms):
        if self.count < 1000:
            self.count += dt_ms

    def product(self, a, b):
        return a * b // b

    def pair(self, a, b):
        return a, b
"""


@pytest.fixture
def device(tmp_path: Path) -> Path:
    """A folder with a small package in it, as firmware/ holds one."""
    package = tmp_path / "bench_device"
    package.mkdir()
    (package / "__init__.py").write_bytes(b"")
    (package / "counter.py").write_bytes(DEVICE_MODULE)
    return tmp_path


def test_one_script_reads_modules_and_files_alike_in_three_interpreters(device: Path) -> None:
    """SHA-256 of "abc" from FIPS 180-2, appendix B.1."""
    script = (
        "import hashlib, binascii\n"
        "from bench_device.counter import Counter\n"
        "counter = Counter()\n"
        "counter.step(20)\n"
        "data = open('input.bin', 'rb').read()\n"
        "print(counter.count, binascii.hexlify(hashlib.sha256(data).digest()).decode())\n"
    )
    expected = "20 ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad\n"
    files = {"input.bin": b"abc"}
    assert hashlib.sha256(b"abc").hexdigest() in expected
    assert run_cpython(script, path=[device], files=files) == expected
    assert run_unix(script, path=[device], files=files) == expected
    assert run_wasm(script, path=[device], files=files).stdout == expected


@pytest.mark.outside(
    subject="board and runtime",
    source="computed apart, both interpreters themselves",
    value="one MicroPython has 64 bits, the other 32",
)
def test_the_builds_are_micropython_of_64_and_32_bits() -> None:
    script = "import sys\nprint(sys.implementation[0], sys.maxsize)\n"
    assert run_unix(script, path=[]) == f"micropython {2**63 - 1}\n"
    assert run_wasm(script, path=[]).stdout == f"micropython {2**31 - 1}\n"


@pytest.mark.parametrize("run", [run_cpython, run_unix, run_wasm])
def test_a_failing_script_raises_with_its_traceback(run) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(RunFailed, match=r"(?s)exit code 1\nbefore.*line 2.*ValueError: wanted"):
        run("print('before')\nraise ValueError('wanted')\n", path=[])


def test_a_script_that_never_ends_is_stopped() -> None:
    with pytest.raises(RunFailed, match="all fuel consumed"):
        run_wasm("while True: pass\n", path=[], fuel_max=10**8)
    with pytest.raises(RunFailed, match=r"stopped after 0\.5 s"):
        run_unix("while True: pass\n", path=[], timeout_s=0.5)


def test_a_path_that_the_guest_may_not_write_stays_as_it_is(device: Path) -> None:
    with pytest.raises(RunFailed, match="OSError"):
        run_wasm("import sys\nopen(sys.path[1] + '/new.txt', 'w')\n", path=[device])
    assert sorted(p.name for p in device.iterdir()) == ["bench_device"]


def test_the_heap_has_the_size_asked_for() -> None:
    script = "import gc\nprint(gc.mem_free() + gc.mem_alloc())\n"
    for heap_bytes in (2**18, 2**22):
        wide = run_unix(script, path=[], heap_bytes=heap_bytes)
        narrow = run_wasm(script, path=[], heap_bytes=heap_bytes).stdout
        for size in wide, narrow:
            assert 0.95 * heap_bytes < int(size) <= heap_bytes  # the rest is the collector's table


FUEL = """
from bench_device.counter import Counter
from tick_meter import TickMeter
def main():
    meter = TickMeter()
    counter = Counter()
    counter.step(0)
    for _ in range(3):
        meter.start()
        meter.stop()
        print(meter.fuel)
    for calls in 1, 2, 3:
        meter.start()
        if calls >= 1:
            counter.step(0)
        if calls >= 2:
            counter.step(0)
        if calls >= 3:
            counter.step(0)
        meter.stop()
        print(meter.fuel)
main()
"""


def test_fuel_of_a_section_is_exact(device: Path) -> None:
    """Nothing costs nothing, equal calls cost the same to the instruction, and a second run repeats every figure."""
    first, second = run_wasm(FUEL, path=[device]), run_wasm(FUEL, path=[device])
    assert first == second
    *empty, one, two, three = (int(line) for line in first.stdout.split())
    assert empty == [0, 0, 0]
    assert 0 < one < 5_000
    assert abs((three - two) - (two - one)) < 100  # the way through the three `if` differs, the calls do not


def test_fuel_of_sections_adds_up_to_the_run() -> None:
    """The clock of the guest and the counter of the whole run are the same counter."""
    script = (
        "from tick_meter import TickMeter\n"
        "def main(rounds):\n"
        "    meter = TickMeter()\n"
        "    meter.start()\n"
        "    for _ in range(rounds):\n"
        "        pass\n"
        "    meter.stop()\n"
        "    print(meter.fuel)\n"
    )
    few, many = (run_wasm(script + f"main({rounds})\n", path=[]) for rounds in (1_000, 9_000))
    by_counter, by_clock = many.fuel - few.fuel, int(many.stdout) - int(few.stdout)
    assert by_clock > 4_000_000
    assert abs(by_counter - by_clock) < 1_000  # the longer figure takes longer to print


HEAP = """
from bench_device.counter import Counter
from tick_meter import TickMeter
def main():
    meter = TickMeter()
    counter = Counter()
    meter.start(); meter.stop(); print('empty', meter.heap_bytes)
    meter.start(); counter.step(20); meter.stop(); print('quiet', meter.heap_bytes)
    meter.start(); counter.product(2**15, 2**15 - 1); meter.stop(); print('small', meter.heap_bytes)
    meter.start(); counter.product(2**15, 2**15); meter.stop(); print('large', meter.heap_bytes)
    meter.start(); counter.pair(1, 2); meter.stop(); print('pair', meter.heap_bytes)
main()
"""


def heap_of(out: str) -> dict[str, int]:
    return {name: int(count) for name, count in (line.split() for line in out.splitlines())}


def test_heap_use_is_noticed_and_only_where_there_is_some(device: Path) -> None:
    """A returned pair costs on both; a step to 2**30, even one that is divided away at once, on 32 bit only."""
    wide, narrow = heap_of(run_unix(HEAP, path=[device])), heap_of(run_wasm(HEAP, path=[device]).stdout)
    for heap in wide, narrow:
        assert (heap["empty"], heap["quiet"], heap["small"]) == (0, 0, 0)
        assert heap["pair"] > 0
    assert wide["large"] == 0
    assert narrow["large"] > 0


def test_thousands_of_ticks_with_recorded_inputs_fit_one_run(device: Path) -> None:
    """Inputs come as a packed file; per tick fuel is read in the guest; the meter's own heap use stays out."""
    ticks = 5_000
    script = (
        "from array import array\n"
        "from bench_device.counter import Counter\n"
        "from tick_meter import TickMeter\n"
        "def main():\n"
        "    meter, counter = TickMeter(), Counter()\n"
        "    inputs = array('i', open('inputs.bin', 'rb').read())\n"
        "    worst = total = heap = 0\n"
        "    for dt_ms in inputs:\n"
        "        meter.start()\n"
        "        counter.step(dt_ms)\n"
        "        meter.stop()\n"
        "        worst = max(worst, meter.fuel)\n"
        "        total += meter.fuel\n"
        "        heap += meter.heap_bytes\n"
        "    print(len(inputs), counter.count, worst, total // len(inputs), heap)\n"
        "main()\n"
    )
    run = run_wasm(script, path=[device], files={"inputs.bin": b"\x01\x00\x00\x00" * ticks})
    count, reached, worst, mean, heap = (int(word) for word in run.stdout.split())
    assert (count, reached, heap) == (ticks, 1000, 0)
    assert 0 < mean < worst
