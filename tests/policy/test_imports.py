"""The policy's whole portability plan: it imports `const`, its own siblings and the signals, nothing else."""

import ast
from pathlib import Path

import pytest

import loopwarden.policy
import loopwarden.signals

FOLDER = Path(loopwarden.policy.__file__).parent
SIGNALS = Path(loopwarden.signals.__file__)  # what crosses the edge, shared with those on its other side
SOURCES = [*sorted(FOLDER.rglob("*.py")), SIGNALS]
ALLOWED = {("micropython", "const"), ("loopwarden", "signals")}


def imports(text):
    """Every imported name as (module, name or None), wherever in the file it stands."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found += [(alias.name, None) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            found += [("." * node.level + (node.module or ""), alias.name) for alias in node.names]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "__import__":
            found.append((ast.unparse(node), None))
    return found


def strangers(text):
    """Imports that the policy may not have."""
    return [
        (module, name)
        for module, name in imports(text)
        if (module, name) not in ALLOWED and not f"{module}.".startswith("loopwarden.policy.")
    ]


def test_there_are_sources():
    assert {"supervisor.py", "phases.py", "electrics.py"} <= {source.name for source in SOURCES}


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.name)
def test_policy_imports_const_and_its_siblings_only(source):
    assert strangers(source.read_text(encoding="utf-8")) == []


def test_the_signals_import_nothing_but_const():
    assert imports(SIGNALS.read_text(encoding="utf-8")) == [("micropython", "const")]


@pytest.mark.parametrize(
    "text",
    [
        "import time",
        "from machine import Pin",
        "from micropython import mem_info",
        "from . import board",
        "from loopwarden import board",
        "from loopwarden.memory.ram import RamMemory",
        "def f():\n    import os",
        "__import__('os')",
    ],
)
def test_a_stranger_is_seen(text):
    assert strangers(text)


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.name)
def test_policy_computes_in_integers_only(source):
    """No float, no true division, no text building anywhere but at start-up: S14, and the heap."""
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        where = f"{source.name}:{getattr(node, 'lineno', '?')}"
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float)), f"{where}: a float"
        assert not (isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div)), (
            f"{where}: a division"
        )
        assert not isinstance(node, ast.JoinedStr), f"{where}: an f-string"
