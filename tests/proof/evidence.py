"""Where a promise is named: in the code that keeps it, in the tests that hold it, in what the promise monitor judges.

Reads syntax and runs nothing. A promise is a name such as "S5".
"""

import ast
import io
import re
import tokenize
from collections import defaultdict

from proof.claims import TESTS

ROOT = TESTS.parent
FIRMWARE = ROOT / "firmware"
MONITOR = ROOT / "host_sim" / "loopwarden_sim" / "promise_monitor.py"
PROMISES = tuple(f"S{number}" for number in range(1, 16))
_NAMED = re.compile(r"\bS(?:1[0-5]|[1-9])\b(?!\.\d)")  # S7.6 is a clause of some standard
_SPAN = re.compile(r"\bS\d+ to S\d+\b")
_IN_A_NAME = re.compile(r"(?<![a-z0-9])s(1[0-5]|[1-9])(?![a-z0-9])")
WHOLE_FILE = "the file"


def promises_in(text):
    """The promises that a text names; who speaks of "S1 to S15" speaks of none of them."""
    return set(_NAMED.findall(_SPAN.sub("", text)))


def _functions(source):
    """(first line, last line, name) of every function, outer ones first; the comments at its edges belong to it."""
    lines, found = source.splitlines(), []

    def walk(node, outer):
        for child in ast.iter_child_nodes(node):
            name = outer
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                name = f"{outer}.{child.name}" if outer else child.name
            if isinstance(child, ast.FunctionDef):
                first = min([child.lineno, *(decorator.lineno for decorator in child.decorator_list)])
                while first > 1 and lines[first - 2].lstrip().startswith("#"):
                    first -= 1
                last, inside = child.end_lineno, " " * (child.col_offset + 1)
                while last < len(lines) and lines[last].startswith(inside) and lines[last].lstrip().startswith("#"):
                    last += 1  # a comment that ends its body
                found.append((first, last, name))
            walk(child, name)

    walk(ast.parse(source), "")
    return found


def kept_in(source):
    """Promise to the functions of one module whose code has a comment that names it, in order; "the file" outside."""
    functions, found = _functions(source), defaultdict(list)
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            line = token.start[0]
            name = next((name for first, last, name in reversed(functions) if first <= line <= last), WHOLE_FILE)
            for promise in promises_in(token.string):
                if name not in found[promise]:
                    found[promise].append(name)
    return found


def kept(firmware=FIRMWARE):
    """Promise to (path below firmware/, names of functions), by path."""
    found = {promise: [] for promise in PROMISES}
    for file in sorted(firmware.rglob("*.py")):
        for promise, names in kept_in(file.read_text(encoding="utf-8")).items():
            found[promise].append((file.relative_to(firmware).as_posix(), names))
    return found


def held_in(source):
    """Promise to (how many tests of one file name it in name, docstring or a mark, whether the file's head does)."""
    tree = ast.parse(source)
    head = promises_in(ast.get_docstring(tree) or "")
    counts = dict.fromkeys(head, 0)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test"):
            marks = " ".join(ast.unparse(mark) for mark in node.decorator_list if "pytest.mark." in ast.unparse(mark))
            named = {f"S{number}" for number in _IN_A_NAME.findall(node.name)}
            for promise in named | promises_in(f"{ast.get_docstring(node) or ''} {marks}"):
                counts[promise] = counts.get(promise, 0) + 1
    return {promise: (number, promise in head) for promise, number in counts.items()}


def held(tests=TESTS):
    """Promise to (path below tests/, how many of its tests name it, whether its head does), by path."""
    found = {promise: [] for promise in PROMISES}
    for file in sorted(tests.rglob("test_*.py")):
        for promise, (number, in_head) in held_in(file.read_text(encoding="utf-8")).items():
            found[promise].append((file.relative_to(tests).as_posix(), number, in_head))
    return found


def _text(node):
    """A text as it is written, with "..." for what is put in."""
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(part) for part in node.values)
    return node.value if isinstance(node, ast.Constant) else "..."


def judged_in(source):
    """Promise to what the monitor calls a breach of it, in the order of its code."""
    found = {promise: [] for promise in PROMISES}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("self._breach", "self._cap"):
            promise, seen = node.args[0], _text(node.args[1])
            if isinstance(promise, ast.Constant):
                seen = f"limit above its cap: {seen}" if ast.unparse(node.func) == "self._cap" else seen
                found[promise.value].append((node.lineno, seen))
    return {promise: list(dict.fromkeys(seen for _, seen in sorted(lines))) for promise, lines in found.items()}


def judged():
    """What the promise monitor of this checkout calls a breach, by promise."""
    return judged_in(MONITOR.read_text(encoding="utf-8"))
