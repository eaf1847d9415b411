"""Which mutants are made of a piece of source, and that making them leaves it as it was."""

import ast

import pytest

from changed_source import PACKAGE

from .mutants import Module, function_code
from .plan import sources


def changes(source, where=None):
    """The changes of all mutants of a source, or of those in one function."""
    return {mutant.change for mutant in Module("a.py", source).mutants if where in (None, mutant.where)}


def in_function(body):
    return changes(f"def f(a, b, c, s):\n    {body}\n")


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("return a < b", {"a < b -> a <= b", "a < b -> a > b"}),
        ("return a == b", {"a == b -> a != b"}),
        ("return a and b and c", {"a and b and c -> a and b", "a and b and c -> a or b or c"}),
        ("return not a", {"not a -> a"}),
        ("return a if b else c", {"a if b else c -> a", "a if b else c -> c", "b -> not b"}),
        ("return a + 10", {"a + 10 -> a - 10", "10 -> 11", "10 -> 9"}),
        ("return min(a, b)", {"min(a, b) -> a", "min(a, b) -> b", "min -> max"}),
        ("return abs(a)", {"abs(a) -> a"}),
        ("return True", {"True -> False", "return True -> return"}),
        ("s.a = s.b = 0", {"s.a = s.b = 0 -> s.a = 0", "s.a = s.b = 0 -> s.b = 0", "0 -> 1"}),
        ("s.a += b", {"s.a += b -> pass", "s.a += b -> s.a = b", "s.a += b -> s.a -= b"}),
        ("s.trip(a)", {"s.trip(a) -> pass"}),
        ("s.positive = a", {"s.positive -> s.negative", "s.positive = a -> pass"}),
        ("return s.pack_mv", {"s.pack_mv -> s.bus_mv", "return s.pack_mv -> return"}),
    ],
)
def test_the_mistakes_that_are_made(body, expected):
    assert expected <= in_function(body)


def test_a_time_is_off_by_a_tick_and_any_other_number_by_one():
    """What lies between two ticks of 20 ms is no other behaviour."""
    assert changes("_HOLD_MS, _TIMES = 2000, 3\n") == {"2000 -> 2020", "2000 -> 1980", "3 -> 4", "3 -> 2"}


def test_names_that_are_only_numbered_and_texts_are_left_alone():
    assert changes('"""Text."""\nA, B = range(2)\nNAME = "loop"\n') == set()


@pytest.mark.parametrize("body", ["s.a = s.b = 1", "s.a = 1 if b else 0", "return 1"])
def test_a_flag_is_dropped_and_never_made_truer(body):
    assert "1 -> 0" in in_function(body)
    assert "1 -> 2" not in in_function(body)


def test_a_row_of_the_fault_table_gets_milder_in_each_column():
    row = '(1, "LOOP_OPEN", 0x0A0A, 0x13, 60, REFUSE, DOWN, WIND, LOCK, 500, FULL, DEFAULT)'
    found = changes(f"TABLE = (\n    {row},\n)\n")
    milder = {
        "column 5: REFUSE -> LIMIT",
        "column 6: DOWN -> FAST",
        "column 7: WIND -> REFUSE",
        "column 8: LOCK -> ACKED",
    }
    other = {"column 4: 60 -> 80", "column 4: 60 -> 40", "column 9: 500 -> FULL", "column 11: DEFAULT -> CAUTION_LAMP"}
    assert milder | other <= found


@pytest.mark.parametrize("file", sources())
def test_every_mutant_of_a_file_compiles_and_leaves_its_source_as_it_was(file):
    """Every twentieth; each is called something else, and its function is found in the code."""
    source = (PACKAGE / file).read_text(encoding="utf-8")
    module = Module(file, source)
    assert len({mutant.key for mutant in module.mutants}) == len(module.mutants)
    sound = compile(source, file, "exec")
    for mutant in module.mutants[::20]:
        code = module.code(mutant, file)
        if mutant.where:
            assert function_code(code, mutant.where) != function_code(sound, mutant.where), mutant.key
    assert ast.dump(module.tree) == ast.dump(ast.parse(source))
