"""Every function of the tick runs on the C stack: 11 words or less, the rare branch included."""

import ast
from pathlib import Path

import pytest

import loopwarden.policy
from micropython_runs.frames import LIMIT_WORDS, frame_words

FOLDER = Path(loopwarden.policy.__file__).parent
SOURCES = sorted(FOLDER.rglob("*.py"))
# What a docstring must say for its function to be excused: it is not part of a tick.
EXCUSES = ("start-up only", "allocates", "outside the tick")


def excused(text):
    """Qualified names of functions that run at start-up or outside the tick, by their own docstring."""
    names = set()

    def walk(node, prefix, under):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                name = prefix + child.name
                doc = (ast.get_docstring(child) or "").lower()
                free = under
                if isinstance(child, ast.FunctionDef):
                    free = under or child.name == "__init__" or any(excuse in doc for excuse in EXCUSES)
                    if free:
                        names.add(name)
                walk(child, name + ".", free)
            else:
                walk(child, prefix, under)

    walk(ast.parse(text), "", False)
    return names


def too_large(source):
    """Functions of the tick over the limit, with their words."""
    free = excused(source.read_text(encoding="utf-8"))
    found = {}
    for name, words in frame_words(source).items():
        owner = name.rpartition(".<")[0] or name
        if words > LIMIT_WORDS and name not in free and owner not in free:
            found[name] = words
    return found


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.name)
def test_no_function_of_the_tick_takes_its_frame_from_the_heap(source):
    assert too_large(source) == {}


def test_a_frame_that_is_too_large_is_seen(tmp_path):
    """And excused only by its docstring, for itself and what stands inside it."""
    names = ", ".join(f"a{i}" for i in range(14))
    body = f"    {names} = range(14)\n    return [x for x in ({names})]\n"
    source = tmp_path / "wide.py"
    source.write_text(f"def tick():\n{body}\ndef start():\n    '''Adds. Start-up only.'''\n{body}")
    assert set(too_large(source)) >= {"tick"}
    assert not [name for name in too_large(source) if name.startswith("start")]
