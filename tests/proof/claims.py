"""What the tests hold the project to from outside: the marks `outside` as they stand in the test files.

Reads the files' syntax and runs none of them, so it is quick and needs nothing installed. What the page makes of the
claims is in outside_page.py.
"""

import ast
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
PARTS = ("subject", "source", "value")


@dataclass(frozen=True)
class Claim:
    """One value from outside that one test checks.

    subject, source, value   as in the mark
    test                     name of the test function
    path, line               file below tests/, and where the mark stands
    """

    subject: str
    source: str
    value: str
    test: str
    path: str
    line: int

    def __str__(self) -> str:
        return f"tests/{self.path}:{self.line}: {self.subject}: {self.value}"


class WrongMark(Exception):
    """A mark that cannot be read; one line that says which and what is allowed."""


def _is_mark(node):
    return isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.mark.outside"


def _claim(mark, test, path):
    where = f"tests/{path}:{mark.lineno}: mark outside"
    said = {word.arg: word.value for word in mark.keywords}
    if mark.args or set(said) != set(PARTS):
        raise WrongMark(f"{where}: give {', '.join(PARTS)}, each by name")
    texts = {}
    for part, node in said.items():
        if not (isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.strip()):
            raise WrongMark(f"{where}: {part} must be a text that is written out and not empty")
        texts[str(part)] = node.value
    return Claim(**texts, test=test, path=path, line=mark.lineno)


def claims_in(source: str, path: str) -> list[Claim]:
    """The claims of one test file, in the order of its lines. Errors: WrongMark.

    A mark belongs to the test whose decorators it stands in, alone or on a case of `parametrize`.
    """
    tree = ast.parse(source)
    found = {}
    for test in ast.walk(tree):
        if isinstance(test, ast.FunctionDef):
            for decorator in test.decorator_list:
                found |= {mark: _claim(mark, test.name, path) for mark in ast.walk(decorator) if _is_mark(mark)}
    for mark in ast.walk(tree):
        if _is_mark(mark) and mark not in found:
            raise WrongMark(f"tests/{path}:{mark.lineno}: mark outside: must stand on a test or on one of its cases")
    return sorted(found.values(), key=lambda claim: claim.line)


def all_claims(tests: Path = TESTS) -> list[Claim]:
    """The claims of every test file, by path and line. Errors: WrongMark."""
    files = sorted(tests.rglob("test_*.py"))
    return [
        claim
        for file in files
        for claim in claims_in(file.read_text(encoding="utf-8"), file.relative_to(tests).as_posix())
    ]
