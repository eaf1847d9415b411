"""Counts lines of code: what is left without blank lines, comments and docstrings."""

import ast
import io
import tokenize
from pathlib import Path

_NO_CODE = {
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENCODING,
    tokenize.ENDMARKER,
}


def code_lines(text: str) -> int:
    """Lines of a Python source that hold code; each line of a value over several lines counts."""
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in _NO_CODE:
            lines.update(range(token.start[0], token.end[0] + 1))
    return len(lines - _docstring_lines(text))


def _docstring_lines(text: str) -> set[int]:
    lines: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            first = node.body[0]
            lines.update(range(first.lineno, (first.end_lineno or first.lineno) + 1))
    return lines


def folder_lines(folder: Path) -> int:
    """Lines of code of all Python files below `folder`; texts that stand in other files do not count."""
    return sum(code_lines(file.read_text(encoding="utf-8")) for file in folder.rglob("*.py"))
