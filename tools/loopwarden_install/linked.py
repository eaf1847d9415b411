"""The modules that stay for the whole drive as one: each module by itself takes some 200 bytes of a board's heap.

On a board they are `loopwarden.kept`. What is loaded or dropped by its name (link/parts.py), and what checks the files
before the rest is loaded, stays a module of its own.
"""

import ast
import re
from collections.abc import Iterable, Iterator, Mapping

from loopwarden_install.identifiers import GLOBAL, CannotTell, Source, edited, span

KEPT = "loopwarden.kept"
_MODULE = re.compile(r"loopwarden(\.\w+)+")


def together(sources: Mapping[str, Source], first: str, apart: Iterable[str]) -> list[str]:
    """The modules to link, each after those that it imports.

    first   the module that starts the program; apart: modules that stay by themselves, with all that they import
    """
    named = {
        node.value
        for source in sources.values()
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and _MODULE.fullmatch(node.value)
    }
    outside = named | {found for module in apart for found in imported_by(sources, module)}
    packages = {module for module in sources if any(other.startswith(f"{module}.") for other in sources)}
    return [module for module in imported_by(sources, first) if module not in outside | packages]


def imported_by(sources: Mapping[str, Source], first: str) -> list[str]:
    """The modules that one imports when it is imported, each after those that it imports itself; it is the last."""
    found: list[str] = []

    def follow(module: str, path: tuple[str, ...]) -> None:
        if module in path:
            raise CannotTell(f"{module}: imports itself")
        for node in sources[module].tree.body:
            for inner in _modules_of(node, sources):
                if inner not in found:
                    follow(inner, (*path, module))
        found.append(module)

    follow(first, ())
    return found


def linked(sources: Mapping[str, Source], modules: list[str]) -> dict[str, str]:
    """The texts by path, these modules in one. Errors: CannotTell."""
    texts = {source.path: rewritten(source, modules) for module, source in sources.items() if module not in modules}
    parts = []
    runtime: dict[str, str] = {}
    for module in modules:
        source = sources[module]
        for name, (home, _) in source.bound.items():
            if not home or (home not in modules and home != module):
                _same(runtime, source, name)
        parts.append(rewritten(source, modules))
    texts[KEPT.replace(".", "/") + ".py"] = "\n".join(parts)
    return texts


def _same(known: dict[str, str], source: Source, name: str) -> None:
    """A name that is imported under itself must be the same in all modules. Errors: CannotTell."""
    said = next(
        ast.unparse(
            ast.ImportFrom(node.module, [alias], 0) if isinstance(node, ast.ImportFrom) else ast.Import([alias])
        )
        for node in source.tree.body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
        if (alias.asname or alias.name) == name
    )
    if known.setdefault(name, said) != said:
        raise CannotTell(f"{source.path}: {name} is {said} here and {known[name]} elsewhere")


def in_kept(module: str, name: str) -> str:
    """What a name of one of these modules is called in the one that they are."""
    return f"{module.removeprefix('loopwarden.').replace('.', '_')}__{name}"


def rewritten(source: Source, modules: list[str]) -> str:
    """The text of a source, as a part of the linked module or beside it, with the names that the linked one has."""
    inside = source.module in modules
    edits: list[tuple[int, int, str]] = []
    for use in source.uses:
        if use.kind != GLOBAL:
            continue
        if use.import_ is not None:
            if use.function and use.module in modules:
                raise CannotTell(f"{source.path}: {use.name} of a linked module is imported in a function")
            continue
        if inside and use.name in ("__file__", "__name__"):
            raise CannotTell(f"{source.path}: a linked module has no {use.name} of its own")
        own = use.module == source.module  # else said of a module, T.NAME
        home = source.bound.get(use.name, ("", ""))[0] if own else use.module
        if home not in modules or (own and source.modules.get(use.name) in modules):
            continue
        if inside and not own and use.stored:
            raise CannotTell(f"{source.path}: {use.name} of another module is stored into")
        at, end = (use.at, use.end) if inside and not own else (use.name_at, use.name_at + len(use.name))
        edits.append((at, end, in_kept(home, use.name)))
    for node in source.tree.body:
        if isinstance(node, ast.ImportFrom) and any(inner in modules for inner in _modules_of(node, None)):
            at, end = span(source.text, node)
            edits = [edit for edit in edits if not at <= edit[0] < end]
            edits.append((at, end, "; ".join(_imports(source, node, modules, inside=inside)) or "pass"))
    return edited(source.text, edits)


def _imports(source: Source, node: ast.ImportFrom, modules: list[str], *, inside: bool) -> Iterator[str]:
    for alias in node.names:
        name = f"{node.module}.{alias.name}"
        if name in modules:
            if not inside:
                yield f"from loopwarden import kept as {alias.asname or alias.name}"
        elif node.module in modules:
            if not inside:
                yield f"from {KEPT} import {in_kept(node.module or '', alias.name)}"
        elif inside and alias.asname:
            own = in_kept(source.module, alias.asname)
            yield f"from {node.module} import {alias.name} as {own}"
        else:
            yield ast.unparse(ast.ImportFrom(node.module, [alias], 0))


def _modules_of(node: ast.AST, sources: Mapping[str, Source] | None) -> Iterator[str]:
    """The modules of the program that an import may mean; without sources all that it may mean at all."""
    names = []
    if isinstance(node, ast.ImportFrom) and node.module:
        inner = [f"{node.module}.{alias.name}" for alias in node.names]
        names = [*inner, node.module]
        if sources is not None and all(name in sources for name in inner):
            names = inner
    elif isinstance(node, ast.Import):
        names = [alias.name for alias in node.names]
    yield from (name for name in names if sources is None or name in sources)
