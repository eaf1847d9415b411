"""The watch on integers, held against what the 32-bit build really takes from the heap."""

import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from .runners import run_wasm
from .small_ints import LIMIT, TooLarge, watched

BENCH = """
from array import array
from micropython import const
_TOP = const(2**30 - 1)
_ROW = (5, 7)
_CELLS = array("I", b"\\xff\\xff\\xff\\x3f\\x00\\x00\\x00\\x40")

def product(a, b): return a * b // b
def shifted(a, b): return (a << b) & 1
def negated(a, b): return -a if b else a
def cell(a, b): return _CELLS[a]
def called(a, b): return int.from_bytes(b'\\x40\\x00\\x00\\x00', 'big') if a == LARGE else b
def fetched(a, b): return max(a, b) + _ROW[0]

class Total:
    def __init__(self): self.sums = [0]
    def augmented(self, a, b):
        self.sums[0] = a
        self.sums[0] += b
        return self.sums[0] - a

LARGE = 77
augmented = Total().augmented
"""

SMALL = [("product", 2**15, 2**15 - 1), ("shifted", 1, 29), ("negated", 1 - 2**30, 1), ("fetched", 2**30 - 6, 1)]
SMALL += [("augmented", 2**30 - 3, 2), ("called", 1, 1), ("cell", 0, 0)]
LARGE = [("product", 2**15, 2**15), ("shifted", 1, 30), ("negated", -(2**30), 1), ("fetched", 2**30 - 5, 1)]
LARGE += [("augmented", 2**30 - 2, 2), ("called", 77, 1), ("cell", 1, 0)]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder on the path with a package `bench_ints` in it; `micropython` is a stand-in."""
    package = tmp_path / "bench_ints"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "sums.py").write_text(BENCH)
    stand_in = ModuleType("micropython")
    stand_in.__dict__["const"] = lambda value: value
    monkeypatch.setitem(sys.modules, "micropython", stand_in)
    monkeypatch.syspath_prepend(tmp_path)
    yield tmp_path
    for name in [name for name in sys.modules if name.partition(".")[0] == "bench_ints"]:
        del sys.modules[name]


@pytest.mark.parametrize(("name", "a", "b"), LARGE)
def test_every_kind_of_step_to_2_30_is_caught_with_its_line(bench: Path, name: str, a: int, b: int) -> None:
    with watched("bench_ints"):
        from bench_ints import sums  # type: ignore[import-not-found]
    line = 1 + next(i for i, text in enumerate(BENCH.splitlines()) if f"def {name}(" in text)
    with pytest.raises(TooLarge, match=rf"sums\.py:({line}|{line + 2}): -?{LIMIT} "):
        getattr(sums, name)(a, b)


@pytest.mark.parametrize(("name", "a", "b"), SMALL)
def test_one_below_passes_and_is_reported_as_the_largest(bench: Path, name: str, a: int, b: int) -> None:
    with watched("bench_ints") as watch:
        from bench_ints import sums
    plain = getattr(sums, name)(a, b)
    assert watch.largest < LIMIT
    assert "sums.py:" in watch.place
    from bench_ints import sums as unwatched

    assert unwatched is not sums
    assert getattr(unwatched, name)(a, b) == plain


@pytest.mark.outside(
    subject="board and runtime",
    source="computed apart, MicroPython of 32 bits",
    value="a small integer ends at 2^30: from there on the heap is used",
)
@pytest.mark.parametrize(("cases", "allocates"), [(SMALL, False), (LARGE, True)])
def test_the_32_bit_build_agrees_on_every_case(bench: Path, cases: list[tuple[str, int, int]], allocates: bool) -> None:
    """The heap of the interpreter is the judge of what the watch calls too large."""
    script = "from bench_ints import sums\nfrom tick_meter import TickMeter\nmeter = TickMeter()\ndef main():\n"
    for name, a, b in cases:
        script += f"    call = sums.{name}\n    meter.start()\n    call({a}, {b})\n    meter.stop()\n"
        script += f"    print({name!r}, meter.heap_bytes)\n"
    out = run_wasm(script + "main()\n", path=[bench]).stdout
    assert [line.split()[0] for line in out.splitlines()] == [name for name, _, _ in cases]
    assert all((int(line.split()[1]) > 0) == allocates for line in out.splitlines()), out


def test_a_literal_too_large_is_refused_at_import_unless_it_folds_to_a_small_one(bench: Path) -> None:
    (bench / "bench_ints" / "literal.py").write_text("FINE = 2**31 - 2**31 + 5\nBAD = 1_073_741_824\n")
    with watched("bench_ints"), pytest.raises(TooLarge, match=r"literal\.py:2: 1073741824"):
        import bench_ints.literal  # type: ignore[import-not-found]  # noqa: F401


def test_a_call_inside_an_augmented_target_is_refused(bench: Path) -> None:
    (bench / "bench_ints" / "target.py").write_text("def f(rows, i):\n    rows[i()] += 1\n")
    with watched("bench_ints"), pytest.raises(SyntaxError, match=r"target\.py:2: a call inside the target"):
        import bench_ints.target  # type: ignore[import-not-found]  # noqa: F401


def test_only_the_named_part_is_checked_and_the_usual_modules_come_back(bench: Path) -> None:
    (bench / "bench_ints" / "other.py").write_text("def product(a, b): return a * b\n")
    from bench_ints import sums as before

    with watched("bench_ints.sums"):
        from bench_ints import other, sums
    assert other.product(2**20, 2**20) == 2**40
    with pytest.raises(TooLarge):
        sums.product(2**20, 2**20)
    from bench_ints import sums as after

    assert after is before
    assert after.product(2**20, 2**20) == 2**20
