"""What every identifier in the program's sources stands for, and where: a module's own name, an attribute, a local.

Knows just as much of Python as the firmware uses; refuses what it cannot tell for certain.
"""

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

GLOBAL, ATTRIBUTE, LOCAL, KEYWORD = "global", "attribute", "local", "keyword"


class CannotTell(RuntimeError):
    """What a name stands for cannot be told. str(): file, line, what."""


@dataclass(frozen=True)
class Use:
    """One place where a name stands.

    kind      GLOBAL: of `module`, "" for the runtime's own; ATTRIBUTE: of some object; LOCAL: of a function, `function`
              its outermost one; KEYWORD: of an argument that is passed by name
    at, end   offsets in the text of the file, the whole that says it: `T.LOCK` for a global of another module
    name_at   offset of the name itself
    stored    assigned or defined here
    argument  of `function`
    in_class  said by the body of a class itself
    owner     of an attribute that is said of `self` or defined by a class: the class, by module and name
    import_   the whole text is `name` or `name as other` of an import
    """

    kind: str
    name: str
    at: int
    end: int
    name_at: int
    module: str = ""
    function: int = 0
    stored: bool = False
    argument: bool = False
    in_class: bool = False
    owner: tuple[str, str] | None = None
    import_: ast.alias | None = None


@dataclass
class Source:
    """One file of the program."""

    module: str
    path: str
    text: str
    tree: ast.Module
    uses: list[Use] = field(default_factory=list)
    # Names bound by the module: (module, name) where it was imported from the program, ("", name) from the runtime.
    bound: dict[str, tuple[str, str]] = field(default_factory=dict)
    modules: dict[str, str] = field(default_factory=dict)  # names that stand for modules: of the program, or ""
    bases: dict[str, list[tuple[str, str]]] = field(default_factory=dict)  # of its classes, by module and name


def span(text: str, node: ast.AST) -> tuple[int, int]:
    """Where the text of a node begins and ends."""
    begins = _begins(text)
    first: int = begins[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]
    end: int = begins[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]
    return first, end


@lru_cache(maxsize=2)
def _begins(text: str) -> list[int]:
    begins = [0]
    for line in text.splitlines(keepends=True):
        begins.append(begins[-1] + len(line))
    return begins


def read(texts: Mapping[str, str]) -> dict[str, Source]:
    """The sources by module. texts: by path, as "loopwarden/policy/faults.py". Errors: CannotTell."""
    sources = {}
    for path, text in texts.items():
        module = path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        sources[module] = Source(module, path, text, ast.parse(text))
    for source in sources.values():
        _bind(source, sources)
    for source in sources.values():
        source.uses = _Walk(source, sources).uses
    return sources


def read_script(text: str, sources: Mapping[str, Source]) -> Source:
    """A script beside the program, which imports its modules."""
    source = Source("", "script", text, ast.parse(text))
    _bind(source, sources)
    source.uses = _Walk(source, sources).uses
    return source


def edited(text: str, edits: list[tuple[int, int, str]]) -> str:
    """The text with other words from here to there; every line stays where it is."""
    for at, end, new in sorted(edits, reverse=True):
        text = text[:at] + new + "\n" * text.count("\n", at, end) + text[end:]
    return text


def assigned(target: ast.AST) -> Iterator[str]:
    """The plain names in what is assigned to."""
    for node in ast.walk(target):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id


def _bind(source: Source, sources: Mapping[str, Source]) -> None:
    for node in _own_nodes(source.tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            source.bound[node.name] = (source.module, node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            _bind_import(node, source.bound, source.modules, sources, source.module)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            source.bound.setdefault(node.id, (source.module, node.id))


def _bind_import(
    node: ast.Import | ast.ImportFrom,
    bound: dict[str, tuple[str, str]],
    modules: dict[str, str],
    sources: Mapping[str, Source],
    of: str = "",
) -> None:
    for alias in node.names:
        name = alias.asname or alias.name
        if isinstance(node, ast.Import):
            bound[name], modules[name] = ("", name), alias.name if alias.name in sources else ""
            continue
        inner = f"{node.module}.{alias.name}"
        if inner in sources:
            bound[name], modules[name] = (of if alias.asname else "", name), inner
        elif node.module and node.module in sources:
            bound[name] = (node.module, alias.name)
        else:
            bound[name] = ("", name)


def _own_nodes(node: ast.AST) -> Iterator[ast.AST]:
    """All that runs as part of a module or function itself; what is inside of functions and classes is left out."""
    for child in ast.iter_child_nodes(node):
        yield child
        if not isinstance(child, ast.FunctionDef | ast.ClassDef | ast.ListComp | ast.GeneratorExp | ast.DictComp):
            yield from _own_nodes(child)


@dataclass
class _Scope:
    function: int  # its outermost function; 0 outside of any
    bound: set[str]
    arguments: set[str]
    modules: dict[str, str]
    imported: dict[str, tuple[str, str]]
    is_class: bool = False
    owner: tuple[str, str] | None = None  # the class, of a class and of its methods


class _Walk(ast.NodeVisitor):
    def __init__(self, source: Source, sources: Mapping[str, Source]) -> None:
        self.source, self.sources = source, sources
        self.uses: list[Use] = []
        self.scopes: list[_Scope] = []
        if not source.text.isascii():
            raise CannotTell(f"{source.path}: not plain ASCII")
        for node in source.tree.body:
            self.visit(node)

    # Places

    def at(self, node: ast.AST) -> int:
        return span(self.source.text, node)[0]

    def end(self, node: ast.AST) -> int:
        return span(self.source.text, node)[1]

    def refuse(self, node: ast.AST, what: str) -> CannotTell:
        return CannotTell(f"{self.source.path}:{getattr(node, 'lineno', 0)}: {what}")

    def add(self, kind: str, name: str, node: ast.AST, name_at: int, **more: object) -> None:
        if self.source.text[name_at : name_at + len(name)] != name:
            raise self.refuse(node, f"{name} does not stand where it should")
        in_class = bool(self.scopes) and self.scopes[-1].is_class
        self.uses.append(
            Use(kind, name, self.at(node), self.end(node), name_at, in_class=in_class, **more)  # type: ignore[arg-type]
        )

    # Names

    def found(self, name: str) -> _Scope | None:
        """The scope that binds it; None for the module and the runtime. A class is seen by its own body only."""
        for scope in reversed(self.scopes):
            if name in scope.bound and (not scope.is_class or scope is self.scopes[-1]):
                return scope
        return None

    def named(self, name: str, node: ast.AST, name_at: int, *, stored: bool) -> None:
        scope = self.found(name)
        if scope is None:
            module, original = self.source.bound.get(name, ("", name))
            if module and original != name:
                raise self.refuse(node, f"{original} is imported under another name")
            self.add(GLOBAL, name, node, name_at, module=self.source.module if module else "", stored=stored)
        elif scope.is_class:
            if not stored and name in self.source.bound:
                raise self.refuse(node, f"{name} is of the class or of the module, by when it is read")
            self.add(ATTRIBUTE, name, node, name_at, stored=stored, owner=scope.owner)
        else:
            self.add(LOCAL, name, node, name_at, function=scope.function, stored=stored)

    def visit_Name(self, node: ast.Name) -> None:
        if node.id == "self" and not isinstance(node.ctx, ast.Load):
            raise self.refuse(node, "self as a name of something else")
        if self.module_of(node) and not isinstance(node.ctx, ast.Del):
            raise self.refuse(node, f"the module {node.id} as a value")
        self.named(node.id, node, self.at(node), stored=not isinstance(node.ctx, ast.Load))

    def module_of(self, node: ast.AST) -> str | None:
        """The module that an expression stands for, "" for one of the runtime; None for any other value."""
        if isinstance(node, ast.Name):
            scope = self.found(node.id)
            return (self.source if scope is None else scope).modules.get(node.id)
        if isinstance(node, ast.Subscript) and self._is_modules(node.value):
            if not isinstance(node.slice, ast.Constant) or node.slice.value not in self.sources:
                raise self.refuse(node, "which module it is does not stand here")
            return str(node.slice.value)
        return None

    def _is_modules(self, node: ast.AST) -> bool:
        return isinstance(node, ast.Name) and node.id == "modules" and self.found("modules") is None

    def visit_Attribute(self, node: ast.Attribute) -> None:
        name_at = self.end(node) - len(node.attr)
        stored = not isinstance(node.ctx, ast.Load)
        module = self.module_of(node.value)
        if module is None:
            if stored and isinstance(node.value, ast.Subscript):
                raise self.refuse(node, "stored into something that has no name")
            self.add(ATTRIBUTE, node.attr, node, name_at, stored=stored, owner=self.owner_of(node.value))
        else:
            inside = module and f"{module}.{node.attr}" not in self.sources
            if inside and self.sources[module].bound.get(node.attr, ("", ""))[0] != module:
                raise self.refuse(node, f"{module} has no {node.attr} of its own")
            self.add(GLOBAL, node.attr, node, name_at, module=module if inside else "", stored=stored)
            if isinstance(node.value, ast.Name):
                self.named(node.value.id, node.value, self.at(node.value), stored=False)
            return
        self.visit(node.value)

    def owner_of(self, node: ast.AST) -> tuple[str, str] | None:
        """The class whose object `self` is."""
        if isinstance(node, ast.Name) and node.id == "self":
            scope = self.found("self")
            return None if scope is None else scope.owner
        return None

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg is None:
            raise self.refuse(node, "arguments by name that do not stand here")
        self.add(KEYWORD, node.arg, node, self.at(node))
        self.visit(node.value)

    # Definitions

    def _name_at(self, node: ast.FunctionDef | ast.ClassDef) -> int:
        word = "class " if isinstance(node, ast.ClassDef) else "def "
        return self.source.text.index(word, self.at(node)) + len(word)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.named(node.name, node, self._name_at(node), stored=True)
        for outside in (*node.decorator_list, *node.args.defaults):
            self.visit(outside)
        args = [*node.args.posonlyargs, *node.args.args, *([node.args.vararg] if node.args.vararg else [])]
        if node.args.kwonlyargs or node.args.kwarg or node.returns or any(arg.annotation for arg in args):
            raise self.refuse(node, "arguments by name only, or annotations")
        scope = self._scope(node, {arg.arg for arg in args})
        if self.scopes and self.scopes[-1].is_class and args and args[0].arg == "self":
            scope.owner = self.scopes[-1].owner
        self.scopes.append(scope)
        for arg in args:
            self.add(LOCAL, arg.arg, arg, self.at(arg), function=scope.function, stored=True, argument=True)
        for inside in node.body:
            self.visit(inside)
        self.scopes.pop()

    def _scope(self, node: ast.AST, arguments: set[str]) -> _Scope:
        around = [scope.function for scope in self.scopes if scope.function]
        scope = _Scope(around[0] if around else self.at(node) + 1, set(arguments), arguments, {}, {})
        for inner in _own_nodes(node):
            if isinstance(inner, ast.FunctionDef | ast.ClassDef):
                scope.bound.add(inner.name)
            elif isinstance(inner, ast.Import | ast.ImportFrom):
                _bind_import(inner, scope.imported, scope.modules, self.sources)
            elif isinstance(inner, ast.Name) and isinstance(inner.ctx, ast.Store):
                scope.bound.add(inner.id)
            elif isinstance(inner, ast.ExceptHandler) and inner.name:
                scope.bound.add(inner.name)
        scope.bound.update(scope.imported)
        return scope

    def visit_ExceptHandler(self, node: ast.ExceptHandler) -> None:
        if node.name:
            name_at = self.source.text.index(f" as {node.name}:", self.at(node)) + len(" as ")
            scope = self.found(node.name)
            if scope is None:
                raise self.refuse(node, "an exception that is kept by the module")
            self.add(LOCAL, node.name, node, name_at, function=scope.function, stored=True)
        self.generic_visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.named(node.name, node, self._name_at(node), stored=True)
        if node.keywords or node.decorator_list:
            raise self.refuse(node, "a class with more than bases")
        self.source.bases[node.name] = []
        for base in node.bases:
            self.visit(base)
            use = self.uses[-1]
            if not isinstance(base, ast.Name):
                raise self.refuse(node, "a base that is no plain name")
            self.source.bases[node.name].append(self.source.bound.get(use.name, ("", use.name)))
        bound = {inner.name for inner in node.body if isinstance(inner, ast.FunctionDef)}
        for inner in node.body:
            if isinstance(inner, ast.Assign):
                bound.update(name for target in inner.targets for name in assigned(target))
        self.scopes.append(_Scope(0, bound, set(), {}, {}, True, (self.source.module, node.name)))
        for inside in node.body:
            self.visit(inside)
        self.scopes.pop()

    def _comprehension(self, node: ast.ListComp | ast.GeneratorExp) -> None:
        first, *more = node.generators
        self.visit(first.iter)
        around = [scope.function for scope in self.scopes if scope.function]
        bound = {name for generator in node.generators for name in assigned(generator.target)}
        self.scopes.append(_Scope(around[0] if around else self.at(node) + 1, bound, set(), {}, {}))
        self.visit(node.elt)
        for generator in node.generators:
            self.visit(generator.target)
            for test in generator.ifs:
                self.visit(test)
        for generator in more:
            self.visit(generator.iter)
        self.scopes.pop()

    visit_ListComp = visit_GeneratorExp = _comprehension

    def visit_DictComp(self, node: ast.DictComp) -> None:
        (first,) = node.generators
        self.visit(first.iter)
        around = [scope.function for scope in self.scopes if scope.function]
        bound = set(assigned(first.target))
        self.scopes.append(_Scope(around[0] if around else self.at(node) + 1, bound, set(), {}, {}))
        for inside in (node.key, node.value, first.target, *first.ifs):
            self.visit(inside)
        self.scopes.pop()

    # Imports

    def visit_Import(self, node: ast.Import) -> None:
        pass  # modules keep their names

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        if node.level or any(alias.name == "*" for alias in node.names):
            raise self.refuse(node, "an import that does not name what it takes")
        if not node.module or node.module not in self.sources:
            return
        for alias in node.names:
            if f"{node.module}.{alias.name}" in self.sources:
                if alias.asname and not self.scopes:
                    self.named(alias.asname, alias, self.end(alias) - len(alias.asname), stored=True)
                continue
            if alias.asname:
                raise self.refuse(node, f"{alias.name} is imported under another name")
            if self.sources[node.module].bound.get(alias.name, ("", ""))[0] != node.module:
                raise self.refuse(node, f"{node.module} has no {alias.name} of its own")
            function = self.scopes[-1].function if self.scopes else 0
            self.add(GLOBAL, alias.name, alias, self.at(alias), module=node.module, function=function, import_=alias)

    def _refused(self, node: ast.AST) -> None:
        raise self.refuse(node, f"{type(node).__name__}: not looked at")

    visit_Global = visit_Nonlocal = visit_Lambda = visit_SetComp = visit_JoinedStr = _refused
    visit_AsyncFunctionDef = visit_NamedExpr = visit_Match = visit_AnnAssign = _refused
