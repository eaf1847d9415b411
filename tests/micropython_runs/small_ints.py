"""Watches, under CPython, that no integer on the way through device code reaches 2**30; names the line where one does.

The 32-bit board keeps an integer below 2**30 in one word and takes a greater one from the heap. `run_wasm` sees that
something did; this sees which line, how close the others came, and is quick enough for property tests.

Each module below the watched names is loaded anew with every result checked: operators, augmented assignments, calls,
subscripts, signs. An expression of literals alone is judged by its value, since the compiler folds it: `2**30 - 1` is
fine.
Not seen: what comes in through an attribute, an argument or a loop over stored values, and steps inside a built-in
such as `sum` (its result is seen).
"""

import ast
import importlib.abc
import importlib.machinery
import importlib.util
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import CodeType, ModuleType

LIMIT = 2**30  # magnitudes below it are one word on a 32-bit board
_CHECK = "_small_int_check"


class TooLarge(AssertionError):
    """An integer of 2**30 or more in magnitude; names file, line and value."""


class Watch:
    """What was seen: `largest` magnitude below the limit and its `place`, file:line."""

    def __init__(self) -> None:
        self.largest = 0
        self.place = "nothing ran"

    def seen(self, value: object, file: str, line: int) -> None:
        if type(value) is not int:
            return
        if abs(value) >= LIMIT:
            raise TooLarge(f"{file}:{line}: {value} is {LIMIT} (2**30) or more in magnitude")
        if abs(value) > self.largest:
            self.largest, self.place = abs(value), f"{file}:{line}"


@contextmanager
def watched(*names: str) -> Iterator[Watch]:
    """Inside, an import of a module or package in `names`, or below, gives a checked copy; outside, the usual one.

    Import inside the block and keep what you imported: it stays checked. The whole top package is loaded anew, so a
    checked class never meets an unchecked one of the same name.
    """
    tops = {name.partition(".")[0] for name in names}
    kept = _taken_out(tops)
    watch = Watch()
    finder = _Finder(names, watch)
    sys.meta_path.insert(0, finder)
    try:
        yield watch
    finally:
        sys.meta_path.remove(finder)
        _taken_out(tops)
        sys.modules.update(kept)


def _taken_out(tops: set[str]) -> dict[str, ModuleType]:
    return {name: sys.modules.pop(name) for name in list(sys.modules) if name.partition(".")[0] in tops}


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, names: Sequence[str], watch: Watch) -> None:
        self.names = names
        self.watch = watch

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if not any(f"{fullname}.".startswith(f"{name}.") for name in self.names):
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path, target)
        if spec is not None and spec.origin is not None:
            spec.loader = _Loader(fullname, spec.origin, self.watch)
        return spec


class _Loader(importlib.machinery.SourceFileLoader):
    def __init__(self, fullname: str, file: str, watch: Watch) -> None:
        super().__init__(fullname, file)
        self.watch = watch

    def get_code(self, fullname: str) -> CodeType:
        """From the source always: a stored .pyc is unchecked, and ours must not be stored."""
        tree = ast.parse(self.get_data(self.path), self.path)
        tree = ast.fix_missing_locations(_Checked(self.path, self.watch).visit(tree))
        return compile(tree, self.path, "exec", dont_inherit=True)

    def exec_module(self, module: ModuleType) -> None:
        file, seen = self.path, self.watch.seen

        def check(value: object, line: int) -> object:
            seen(value, file, line)
            return value

        module.__dict__[_CHECK] = check
        super().exec_module(module)


class _Checked(ast.NodeTransformer):
    """Wraps every expression that makes or fetches a value in a call of the check."""

    def __init__(self, file: str, watch: Watch) -> None:
        self.file = file
        self.watch = watch

    def wrapped(self, node: ast.expr) -> ast.expr:
        call = ast.Call(ast.Name(_CHECK, ast.Load()), [node, ast.Constant(node.lineno)], [])
        return ast.copy_location(call, node)

    def visit_operation(self, node: ast.expr) -> ast.expr:
        if _of_literals(node):
            return self.wrapped(node)
        self.generic_visit(node)
        return self.wrapped(node)

    visit_BinOp = visit_UnaryOp = visit_Call = visit_operation

    def visit_Subscript(self, node: ast.Subscript) -> ast.expr:
        self.generic_visit(node)
        return self.wrapped(node) if isinstance(node.ctx, ast.Load) else node

    def visit_AugAssign(self, node: ast.AugAssign) -> list[ast.stmt]:
        """Read the target back afterwards; a target with a call in it would be called twice, so it is refused."""
        if any(isinstance(part, ast.Call) for part in ast.walk(node.target)):
            line = ast.unparse(node)
            raise SyntaxError(f"{self.file}:{node.lineno}: a call inside the target of {line!r}: name it first")
        read = ast.parse(ast.unparse(node.target), mode="eval").body
        check = ast.Expr(self.wrapped(ast.copy_location(read, node)))
        self.generic_visit(node)
        return [node, ast.copy_location(check, node)]

    def visit_Constant(self, node: ast.Constant) -> ast.expr:
        self.watch.seen(node.value, self.file, node.lineno)
        return node


def _of_literals(node: ast.expr) -> bool:
    parts = (ast.BinOp, ast.UnaryOp, ast.Constant, ast.operator, ast.unaryop)
    return all(isinstance(part, parts) for part in ast.walk(node))
