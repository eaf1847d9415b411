"""frame_words against the compiler's own arithmetic and against what two running interpreters take from the heap."""

from pathlib import Path

import pytest

from .frames import LIMIT_WORDS, frame_words
from .runners import run_unix, run_wasm


def with_locals(count: int, inside_try: bool) -> str:
    """Source of a function `f` with so many locals."""
    lines = [f"    v{i} = 1" for i in range(count)]
    if inside_try:
        lines = ["    try:", *(f"    {line}" for line in lines), "    except ValueError:", "        return"]
    return "\n".join(["def f():", *lines]) + "\n"


MEASURE = """
from micropython import mem_total
from sized import f
def main():
    f()
    before = mem_total()
    f()
    print(mem_total() - before)
main()
"""


@pytest.mark.outside(
    subject="board and runtime",
    source="MicroPython's source, seen in public: py/objfun.c, VM_MAX_STATE_ON_STACK; computed apart, its 32-bit build",
    value="a frame above 11 words is taken from the heap",
)
@pytest.mark.parametrize(("inside_try", "count_at_limit"), [(False, LIMIT_WORDS - 1), (True, 2)])
def test_a_frame_above_the_limit_is_taken_from_the_heap_and_no_smaller_one(
    tmp_path: Path, inside_try: bool, count_at_limit: int
) -> None:
    """Plain locals need one word more, for the deepest expression; a `try` leaves room for two of them."""
    words_over_count = set()
    for count in (count_at_limit - 1, count_at_limit, count_at_limit + 1, count_at_limit + 400):
        source = tmp_path / "sized.py"
        source.write_text(with_locals(count, inside_try))
        words = frame_words(source)["f"]
        words_over_count.add(words - count)
        assert (words <= LIMIT_WORDS) == (count <= count_at_limit), f"{words} words"
        for taken in (int(run_wasm(MEASURE, path=[tmp_path]).stdout), int(run_unix(MEASURE, path=[tmp_path]))):
            assert (taken > 0) == (words > LIMIT_WORDS), f"{taken} bytes for {words} words"
    assert len(words_over_count) == 1, "a local more is not one word more"


def test_every_function_is_named_by_where_it_stands(tmp_path: Path) -> None:
    """Names that the interpreter knows by number (`update`, `append`) included; class bodies and the module are not."""
    source = tmp_path / "nested.py"
    source.write_text(
        "A_TUPLE = (1.5, b'x', ('y', 2**40, None), ...)\n"
        "class Outer:\n"
        "    def update(self):\n"
        "        return [i for i in self.rows]\n"
        "    class append:\n"
        "        def close(self):\n"
        "            def inner():\n"
        "                return self\n"
        "            return inner\n"
        "def step(a, b=lambda: 0):\n"
        "    return a\n"
    )
    assert set(frame_words(source)) == {
        "Outer.update",
        "Outer.update.<listcomp>",
        "Outer.append.close",
        "Outer.append.close.inner",
        "step",
        "<lambda>",
    }


def test_source_that_the_compiler_refuses_says_so(tmp_path: Path) -> None:
    source = tmp_path / "broken.py"
    source.write_text("def f(:\n")
    with pytest.raises(ValueError, match=r"mpy-cross refuses.*SyntaxError"):
        frame_words(source)
