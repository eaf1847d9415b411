"""Makes mutants of a module: its syntax tree with one small mistake in it, of the kinds that people make.

Decides which mistakes there are; who finds them out is hunt.py's business. Kinds: a comparison off by one, turned round
or negated; a number one more or less; `and` for `or`; a check left out; `not` left out or put in; a statement or one
of its targets left out; a return without its value; an operator, a branch or a name that stands beside taken instead;
an argument of a minimum or maximum left out. Rows of the fault table: a reaction one milder, a lock dropped or any
other end made weaker, a set time one tick more or less, a cap off, another lamp.
"""

import ast
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import CodeType
from typing import Any

TICK_MS = 20

_ORDER = {
    ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.GtE),
    ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.LtE),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_OPERATOR = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}
# What stands beside each other and is taken for each other.
_PAIRS = (
    ("positive", "negative"),
    ("precharge", "discharge"),
    ("pack_mv", "bus_mv"),
    ("pack_ok", "bus_ok"),
    ("hottest_dc", "coldest_dc"),
    ("inverter_dc", "motor_dc"),
    ("drive_limit_permille", "charge_limit_permille"),
    ("drive_goal", "charge_goal"),
    ("drive", "charge"),
    ("close_ms", "release_ms"),
    ("iso_warn_ohm", "iso_fault_ohm"),
    ("pack_under_mv", "pack_over_mv"),
    ("dead_mv", "discharge_stop_mv"),
    ("inverter_enable", "charger_enable"),
    ("loop_low", "loop_high"),
    ("opened", "latched"),
    ("ramp_ms", "ramp_fast_ms"),
    ("precharge_mj", "discharge_mj"),
    ("FIRST", "LATEST"),
    ("NOTED", "ENDED"),
    ("min", "max"),
)
_BESIDE = {one: other for pair in _PAIRS for one, other in (pair, pair[::-1])}
_MILDER = {"CUT": "DOWN", "DOWN": "FAST", "FAST": "WIND", "WIND": "REFUSE", "REFUSE": "LIMIT", "LIMIT": "CAUTION"}
_MILDER |= {"CAUTION": "NOTE", "NOTE": "NONE"}
_WEAKER_END = {"LOCK": "ACKED", "ACKED": "KEYED", "KEY_ACKED": "KEYED", "KEYED": "HEALS"}
_LAMPS = {"DEFAULT": "CAUTION_LAMP", "CAUTION_LAMP": "STOP_LAMP", "STOP_LAMP": "CAUTION_LAMP"}
_ID, _NAME, _CODE, _FTB, _SET_MS, _OFF, _STANDING, _MOVING, _ENDS, _DRIVE, _CHARGE, _LAMP = range(12)


@dataclass(frozen=True)
class Mutant:
    """One mistake. where: qualified name of the function, "" outside of one; nth: among equal ones in that place."""

    file: str
    where: str
    line: int
    text: str
    change: str
    nth: int

    @property
    def key(self) -> str:
        """What the mutant is called in results: it outlives lines that move."""
        return " | ".join((self.file, self.where, self.text, self.change, str(self.nth)))


Edit = tuple[str, ast.AST, str, Callable[[], None], Callable[[], None]]  # where, node, change, apply, undo


class Module:
    """A module of the device package and its mutants. `file` is its path in the package, `source` its text."""

    def __init__(self, file: str, source: str) -> None:
        self.file = file
        self.tree = ast.parse(source)
        self.lines = source.splitlines()
        for number in _times(self.tree):
            if isinstance(number, ast.Constant) and number.value >= TICK_MS:
                number.step = TICK_MS  # type: ignore[attr-defined]  # what lies between two ticks is no mistake
        self._edits = dict(self._numbered(_edits(self.tree)))

    def _numbered(self, edits: Iterator[Edit]) -> Iterator[tuple[Mutant, Edit]]:
        seen: Counter[tuple[str, str, str]] = Counter()
        for edit in edits:
            where, node, change, _, _ = edit
            text = self.lines[node.lineno - 1].split("  #")[0].strip()
            nth = seen[where, text, change]
            seen[where, text, change] += 1
            yield Mutant(self.file, where, node.lineno, text, change, nth), edit

    @property
    def mutants(self) -> list[Mutant]:
        """All of them, in the order of the text."""
        return sorted(self._edits, key=lambda mutant: mutant.line)

    def code(self, mutant: Mutant, path: str) -> CodeType:
        """The module's code with this mistake in it, as if it stood in the file `path`."""
        _, _, _, apply, undo = self._edits[mutant]
        apply()
        try:
            return compile(ast.fix_missing_locations(self.tree), path, "exec")
        finally:
            undo()


def function_code(code: CodeType, where: str) -> CodeType:
    """The code of the function with the qualified name `where` in a module's code."""
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            if constant.co_qualname == where:
                return constant
            if where.startswith(constant.co_qualname + "."):
                return function_code(constant, where)
    raise LookupError(where)


def _edits(tree: ast.Module) -> Iterator[Edit]:
    for statement in tree.body:
        if isinstance(statement, ast.Assign) and ast.unparse(statement.targets[0]) == "TABLE":
            yield from _table(statement.value)
        else:
            yield from _walk(statement, "", "")


def _times(tree: ast.Module) -> Iterator[ast.expr]:
    """Numbers of constants such as `_A_MS, _B = 2000, 3`, whose names end so."""
    for statement in tree.body:
        if not isinstance(statement, ast.Assign):
            continue
        targets, value = statement.targets[0], statement.value
        names = targets.elts if isinstance(targets, ast.Tuple) else [targets]
        values = value.elts if isinstance(value, ast.Tuple) else value.args if isinstance(value, ast.Call) else [value]
        for name, number in zip(names, values, strict=False):
            if ast.unparse(name).endswith("_MS"):
                yield number


def _walk(node: ast.AST, where: str, scope: str) -> Iterator[Edit]:
    """Edits inside a node. where: the function that they are in; scope: qualified name so far."""
    if isinstance(node, ast.FunctionDef):
        for default in (node.args, *node.decorator_list):
            yield from _walk(default, where, scope)
        name = scope + node.name
        yield from _body(node.body, where or name, name + ".<locals>.")
        return
    if isinstance(node, ast.ClassDef):
        yield from _body(node.body, where, f"{scope}{node.name}.")
        return
    if isinstance(node, ast.Import | ast.ImportFrom) or _is_numbering(node):
        return
    for field, value in ast.iter_fields(node):
        if isinstance(value, list):
            if value and isinstance(value[0], ast.stmt):
                yield from _body(value, where, scope)
                continue
            for index, child in enumerate(value):
                if isinstance(child, ast.expr):
                    yield from _replaced(child, where, _setter(value, index))
                if isinstance(child, ast.AST):
                    yield from _walk(child, where, scope)
        elif isinstance(value, ast.AST):
            if isinstance(value, ast.expr) and not _is_text(value):
                setter = _attribute_setter(node, field)
                yield from _replaced(value, where, setter, tested=field == "test", flag=_is_flag(node, value))
            yield from _walk(value, where, scope)


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)


def _is_flag(node: ast.AST, value: ast.expr) -> bool:
    """A 1 that is assigned, chosen or returned as it stands is a flag: a 2 is as true. To make it 0 is a mistake."""
    whole = isinstance(node, ast.Assign | ast.IfExp | ast.Return)
    return whole and isinstance(value, ast.Constant) and value.value == 1


def _is_numbering(node: ast.AST) -> bool:
    """`A, B, C = range(3)`: other numbers for names are no mistake that could be seen, or do not import."""
    return isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Tuple) and isinstance(node.value, ast.Call)


def _setter(place: list[Any], index: int) -> Callable[[Any], None]:
    def set_to(value: Any) -> None:
        place[index] = value

    return set_to


def _attribute_setter(node: ast.AST, field: str) -> Callable[[Any], None]:
    return lambda value: setattr(node, field, value)


def _edit(where: str, old: ast.AST, new: ast.AST, set_to: Callable[[Any], None], change: str = "") -> Edit:
    if not hasattr(new, "lineno"):  # else it is a part of the old one, and stays where it was
        ast.fix_missing_locations(ast.copy_location(new, old))
    change = change or f"{_short(old)} -> {_short(new)}"
    return where, old, change, lambda: set_to(new), lambda: set_to(old)


def _short(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())


# Expressions


def _replaced(
    node: ast.expr, where: str, set_to: Callable[[Any], None], tested: bool = False, flag: bool = False
) -> Iterator[Edit]:
    for new in _others(node):
        if not (flag and isinstance(new, ast.Constant) and new.value == 2):
            yield _edit(where, node, new, set_to)
    if tested and isinstance(node, ast.Name | ast.Attribute | ast.Call | ast.BinOp | ast.Subscript):
        yield _edit(where, node, ast.UnaryOp(ast.Not(), node), set_to)


def _others(node: ast.expr) -> Iterator[ast.expr]:
    match node:
        case ast.Compare():
            for k, operator in enumerate(node.ops):
                for other in _ORDER[type(operator)]:
                    yield ast.Compare(node.left, [*node.ops[:k], other(), *node.ops[k + 1 :]], node.comparators)
        case ast.BoolOp(op=operator, values=values):
            yield ast.BoolOp(ast.Or() if isinstance(operator, ast.And) else ast.And(), values)
            for k in range(len(values)):
                rest = values[:k] + values[k + 1 :]
                yield rest[0] if len(rest) == 1 else ast.BoolOp(operator, rest)
        case ast.UnaryOp():
            yield node.operand
        case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _OPERATOR:
            yield ast.BinOp(left, _OPERATOR[type(operator)](), right)
        case ast.IfExp():
            yield node.body
            yield node.orelse
        case ast.Call(func=ast.Name(id="abs"), args=[inner]):
            yield inner
        case ast.Call(func=ast.Name(id="min" | "max"), args=[_, _, *_] as values):
            for k in range(len(values)):
                rest = values[:k] + values[k + 1 :]
                yield rest[0] if len(rest) == 1 else ast.Call(node.func, rest, [])
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value)):
            step = getattr(node, "step", 1)
            yield ast.Constant(value + step)
            if value:
                yield ast.Constant(value - step)
        case ast.Name(id=name, ctx=context) if name in _BESIDE and isinstance(context, ast.Load):
            yield ast.Name(_BESIDE[name], context)
        case ast.Attribute(attr=name) if name in _BESIDE:
            yield ast.Attribute(node.value, _BESIDE[name], node.ctx)


# Statements


def _body(body: list[ast.stmt], where: str, scope: str) -> Iterator[Edit]:
    for index, statement in enumerate(body):
        set_to = _setter(body, index)
        # An attribute that was never born ends the program at once, or is written before it is read.
        born = where.endswith("__init__") and isinstance(statement, ast.Assign)
        if where and not born:
            yield from _left_out(statement, where, set_to)
        if not (isinstance(statement, ast.Expr) and _is_text(statement.value)):
            yield from _walk(statement, where, scope)


def _left_out(statement: ast.stmt, where: str, set_to: Callable[[Any], None]) -> Iterator[Edit]:
    def without(new: ast.stmt) -> Edit:
        return _edit(where, statement, new, set_to)

    match statement:
        case ast.Expr() if not _is_text(statement.value):
            yield without(ast.Pass())
        case ast.Assign(targets=targets, value=value):
            for k, target in enumerate(targets):
                if isinstance(target, ast.Attribute | ast.Subscript):
                    rest = targets[:k] + targets[k + 1 :]
                    yield without(ast.Assign(rest, value) if rest else ast.Pass())
        case ast.AugAssign(target=target, op=operator, value=value):
            yield without(ast.Pass())
            yield without(ast.Assign([target], value))
            if type(operator) in _OPERATOR:
                yield without(ast.AugAssign(target, _OPERATOR[type(operator)](), value))
        case ast.Return(value=value):
            # Nothing is as false as False and 0, so to return nothing in their place is no mistake.
            if value is None:
                yield without(ast.Pass())
            elif not (isinstance(value, ast.Constant) and not value.value):
                yield without(ast.Return(None))
        case ast.Raise() | ast.Break() | ast.Continue():
            yield without(ast.Pass())


# The fault table


def _table(table: ast.expr) -> Iterator[Edit]:
    assert isinstance(table, ast.Tuple)
    for row in table.elts:
        assert isinstance(row, ast.Tuple)
        for column, cell in enumerate(row.elts):
            for new in _cells(column, cell):
                yield _edit(
                    "", cell, new, _setter(row.elts, column), f"column {column}: {_short(cell)} -> {_short(new)}"
                )


def _cells(column: int, cell: ast.expr) -> Iterator[ast.expr]:
    name = cell.id if isinstance(cell, ast.Name) else ""
    value = cell.value if isinstance(cell, ast.Constant) else None
    if column in (_OFF, _STANDING, _MOVING) and name in _MILDER:
        yield ast.Name(_MILDER[name], ast.Load())
    elif column == _ENDS and name in _WEAKER_END:
        yield ast.Name(_WEAKER_END[name], ast.Load())
    elif column == _LAMP:
        yield ast.Name(_LAMPS[name], ast.Load())
    elif column in (_DRIVE, _CHARGE) and isinstance(value, int):
        yield ast.Constant(value + 1)
        yield ast.Name("FULL", ast.Load())
    elif column == _SET_MS and isinstance(value, int):
        yield ast.Constant(value + TICK_MS)
        if value >= TICK_MS:
            yield ast.Constant(value - TICK_MS)
    elif column in (_CODE, _FTB) and isinstance(value, int):
        yield ast.Constant(value + 1)
