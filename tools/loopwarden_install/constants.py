"""Whole numbers that a module names once and nobody changes: on a board the number stands where its name was.

A name that no module holds takes no heap there, and what would look it up costs less.
"""

import ast
import operator
from collections.abc import Mapping

from loopwarden_install import identifiers
from loopwarden_install.identifiers import GLOBAL, Source, Use, assigned, edited

Values = dict[tuple[str, str], int]  # by module and name
_SIGNS = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.FloorDiv: operator.floordiv,
    ast.Pow: operator.pow,
    ast.LShift: operator.lshift,
    ast.RShift: operator.rshift,
    ast.BitOr: operator.or_,
    ast.BitAnd: operator.and_,
    ast.BitXor: operator.xor,
}


def constants(sources: Mapping[str, Source]) -> Values:
    """Every such number of the program."""
    stores: dict[tuple[str, str], int] = {}
    for source in sources.values():
        for use in source.uses:
            if use.kind == GLOBAL and use.stored:
                stores[use.module, use.name] = stores.get((use.module, use.name), 0) + 1
    values: Values = {}
    more = True
    while more:  # a number may be made of those of other modules
        before = len(values)
        for source in sources.values():
            for node in source.tree.body:
                if isinstance(node, ast.Assign) and len(node.targets) == 1:
                    for name, value in _numbers(source, node, values).items():
                        if stores[source.module, name] == 1:
                            values[source.module, name] = value
        more = len(values) > before
    return values


def numbered(source: Source, values: Values) -> str:
    """The text of a source with these numbers in the places of their names; every line stays where it is."""
    edits: list[tuple[int, int, str]] = []
    for use in source.uses:
        value = values.get(_home(source, use))
        if value is not None and not use.stored and use.import_ is None:
            edits.append((use.at, use.end, f"({value})" if value < 0 else str(value)))
    for node in ast.walk(source.tree):
        new = None
        if isinstance(node, ast.ImportFrom):
            said = {alias.name: values.get((node.module or "", alias.name)) for alias in node.names}
            if any(value is not None for value in said.values()):
                left = [alias for alias in node.names if said[alias.name] is None]
                parts = [ast.unparse(ast.ImportFrom(node.module, left, 0))] if left else []
                if node not in source.tree.body:  # a local name of a function
                    parts += [f"{name} = {value}" for name, value in said.items() if value is not None]
                new = "; ".join(parts) or "pass"
        elif isinstance(node, ast.Assign) and node in source.tree.body:
            names = [name for target in node.targets for name in assigned(target)]
            if names and all((source.module, name) in values for name in names):
                new = "pass"
        if new is not None:
            at, end = identifiers.span(source.text, node)
            edits = [edit for edit in edits if not at <= edit[0] < end]
            edits.append((at, end, new))
    return without_idle_imports(edited(source.text, edits))


def without_idle_imports(text: str) -> str:
    """The text without what its module imports and then never names; every line stays where it is."""
    tree = ast.parse(text)
    named = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    edits = []
    for node in tree.body:
        if isinstance(node, ast.ImportFrom):
            left = [alias for alias in node.names if (alias.asname or alias.name) in named]
            if len(left) < len(node.names):
                new = ast.unparse(ast.ImportFrom(node.module, left, 0)) if left else "pass"
                edits.append((*identifiers.span(text, node), new))
    return edited(text, edits)


def _home(source: Source, use: Use) -> tuple[str, str]:
    """Where the global of a use was made."""
    if use.kind != GLOBAL:
        return "", ""
    if use.module == source.module:
        return source.bound.get(use.name, ("", ""))
    return use.module, use.name


def _numbers(source: Source, node: ast.Assign, values: Values) -> dict[str, int]:
    """The names and numbers of an assignment of the module itself; none where one of them is no such number."""
    (target,) = node.targets
    if isinstance(target, ast.Name):
        value = _value(source, node.value, values)
        return {} if value is None else {target.id: value}
    if not isinstance(target, ast.Tuple):
        return {}
    names = [name.id for name in target.elts if isinstance(name, ast.Name)]
    given: list[int | None] = []
    if isinstance(node.value, ast.Tuple):
        given = [_value(source, one, values) for one in node.value.elts]
    elif isinstance(node.value, ast.Call) and _is(source, node.value.func, "range"):
        ends = [_value(source, one, values) for one in node.value.args]
        if None not in ends:
            given = list(range(*[end for end in ends if end is not None]))
    elif isinstance(node.value, ast.ListComp):
        given = _one_each(source, node.value, values)
    numbers = {name: value for name, value in zip(names, given, strict=False) if value is not None}
    return numbers if len(numbers) == len(target.elts) == len(given) else {}


def _one_each(source: Source, node: ast.ListComp, values: Values) -> list[int | None]:
    """The numbers of `[1 << n for n in range(...)]`."""
    (each,) = node.generators
    if not (isinstance(each.target, ast.Name) and isinstance(each.iter, ast.Call) and not each.ifs):
        return []
    ends = [_value(source, one, values) for one in each.iter.args]
    if not _is(source, each.iter.func, "range") or None in ends:
        return []
    counted = range(*[end for end in ends if end is not None])
    return [_value(source, node.elt, {**values, ("", each.target.id): n}) for n in counted]


def _value(source: Source, node: ast.expr, values: Values) -> int | None:
    if isinstance(node, ast.Constant):
        return node.value if type(node.value) is int else None
    if isinstance(node, ast.Call):
        return _value(source, node.args[0], values) if _is(source, node.func, "const") else None
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Invert):
        value = _value(source, node.operand, values)
        if value is None:
            return None
        return -value if isinstance(node.op, ast.USub) else ~value
    if isinstance(node, ast.BinOp) and type(node.op) in _SIGNS:
        left, right = _value(source, node.left, values), _value(source, node.right, values)
        return None if left is None or right is None else int(_SIGNS[type(node.op)](left, right))
    if isinstance(node, ast.Name):
        return values.get(source.bound.get(node.id, ("", node.id)))
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        return values.get((source.modules.get(node.value.id, ""), node.attr))
    return None


def _is(source: Source, node: ast.expr, name: str) -> bool:
    """True for a name of the runtime's own."""
    return isinstance(node, ast.Name) and node.id == name and source.bound.get(name, ("", ""))[0] == ""
