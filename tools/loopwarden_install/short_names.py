"""Short names for the program on a board: every name that it holds stays in its heap for good.

A name that the runtime has anyway takes nothing there, so those are given out first (runtime_names.txt), then the
shortest ones. Left as they are: names that the runtime may look for, names that stand in a text of the program, names
that are used from outside of it, modules, and what only the compiler sees.

An exception's text on a board has short names; long_names.py says what they stand for.
"""

import ast
import itertools
import keyword
import re
import string
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from loopwarden_install.identifiers import ATTRIBUTE, GLOBAL, KEYWORD, LOCAL, CannotTell, Source, Use, assigned
from loopwarden_install.linked import imported_by

# Used by main.py, by the host at a board's prompt, and between versions.
OUTSIDE = {
    "loopwarden.board.installed": ("check", "load_build", "switch"),
    "loopwarden.board.service": ("bus",),
    "loopwarden.board.start": ("run",),
}
# The packed build has these texts as its keys, and no attribute is looked up by one.
_KEYS_ONLY = ("loopwarden.build",)
# The runtime looks for these in any object that it is handed: streams, block devices, generators.
_LOOKED_FOR = {"close", "flush", "ioctl", "read", "readinto", "readline", "seek", "tell", "write"}
_LOOKED_FOR |= {
    "count",
    "readblocks",
    "sync",
    "writeblocks",
    "items",
    "keys",
    "next",
    "send",
    "throw",
    "value",
    "values",
}
_WORD = re.compile(r"[A-Za-z_]\w*")
_IN_BRACES = re.compile(r"\{(\w+)\}")


Class = tuple[str, str]  # module and name


@dataclass(frozen=True)
class Names:
    """What is called what.

    attributes  of all objects, short name by name
    own         those that one class alone says, and only of `self`: by class
    bases       what a class is made of, the program's classes only
    globals_    by module
    arguments   by module and by where the outermost function stands in it
    """

    attributes: dict[str, str] = field(default_factory=dict)
    own: dict[Class, dict[str, str]] = field(default_factory=dict)
    bases: dict[Class, Class] = field(default_factory=dict)
    globals_: dict[str, dict[str, str]] = field(default_factory=dict)
    arguments: dict[tuple[str, int], dict[str, str]] = field(default_factory=dict)

    def given(self) -> set[str]:
        """All names that were given out."""
        maps = (self.attributes, *self.own.values(), *self.globals_.values(), *self.arguments.values())
        return {name for given in maps for name in given.values()}

    def of(self, module: str, use: Use) -> str:
        """The name that takes the place of one."""
        if use.kind == ATTRIBUTE:
            for of in line(use.owner, self.bases):
                if use.name in self.own.get(of, {}):
                    return self.own[of][use.name]
            return self.attributes.get(use.name, use.name)
        if use.kind == GLOBAL:
            return self.globals_.get(use.module, {}).get(use.name, use.name)
        if use.kind == LOCAL:
            return self.arguments.get((module, use.function), {}).get(use.name, use.name)
        return use.name


def runtime_names() -> tuple[str, ...]:
    """Names that the runtime has in its flash."""
    return tuple(Path(__file__).with_name("runtime_names.txt").read_text(encoding="ascii").split())


def names_for(sources: Mapping[str, Source], data: Iterable[str], first: Iterable[str] = ()) -> Names:
    """Short names for a program. Errors: CannotTell.

    data    its files of text, in which names stand in braces
    first   the modules that start it; names of what they import are first in turn
    """
    uses = [(source.module, use) for source in sources.values() for use in source.uses]
    taken = {use.name for _, use in uses} | {name for source in sources.values() for name in source.bound}
    taken |= {name for module in sources for name in module.split(".")}
    fresh = [name for name in _short() if name not in taken]
    by_keyword = {use.name for _, use in uses if use.kind == KEYWORD}
    arguments: dict[tuple[str, int], dict[str, str]] = {}
    for module, use in uses:
        if use.argument and use.name not in by_keyword:
            given = arguments.setdefault((module, use.function), {})
            given.setdefault(use.name, fresh[len(given)])
    # A function sees its arguments and the names of its module: none of those is one of these.
    own = fresh[max(map(len, arguments.values()), default=0) :]
    globals_ = {module: dict(zip(_own_names(source), own, strict=False)) for module, source in sources.items()}
    bases = bases_of(sources)
    everywhere, own_by_class = _attributes(sources, data, first)
    # An object has the names of all the classes that its own is made of.
    begins = {of: sum(len(own_by_class.get(base, ())) for base in line(bases.get(of), bases)) for of in own_by_class}
    most = max((begins[of] + len(own_by_class[of]) for of in own_by_class), default=0)
    return Names(
        dict(zip(everywhere, fresh[most:], strict=False)),
        {of: dict(zip(mine, fresh[begins[of] :], strict=False)) for of, mine in own_by_class.items()},
        bases,
        globals_,
        arguments,
    )


def renamed(source: Source, names: Names) -> str:
    """The text of a source with these names; every line stays where it is."""
    edits = []
    for use in source.uses:
        name = names.of(source.module, use)
        if use.import_ is None:
            edits.append((use.name_at, use.name, name))
            continue
        here = replace(use, kind=LOCAL) if use.function else replace(use, module=source.module)
        inside = names.of(source.module, here)
        edits.append((use.name_at, use.name, name if name == inside else f"{name} as {inside}"))
    text = source.text
    for at, old, new in sorted(edits, reverse=True):
        text = text[:at] + new + text[at + len(old) :]
    return text


def _short() -> Iterator[str]:
    yield from (name for name in runtime_names() if name not in _LOOKED_FOR)
    for size in (1, 2):
        for letters in itertools.product(string.ascii_letters, repeat=size):
            name = "".join(letters)
            if not keyword.iskeyword(name):
                yield name


def _own_names(source: Source) -> list[str]:
    # `_NAME = const(...)` is known to the compiler only, by its underscore.
    folded = {
        name
        for node in source.tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call) and ast.unparse(node.value.func) == "const"
        for name in assigned(node)
        if name.startswith("_")
    }
    in_class = {use.name for use in source.uses if use.kind == GLOBAL and use.in_class}  # among the attributes' names
    kept = folded | in_class | set(OUTSIDE.get(source.module, ()))
    return [name for name, (home, _) in source.bound.items() if home and name not in kept and not _dunder(name)]


def bases_of(sources: Mapping[str, Source]) -> dict[Class, Class]:
    """The class of the program that each class is made of, where there is one. Errors: CannotTell for several."""
    found = {}
    for module, source in sources.items():
        for name, bases in source.bases.items():
            mine = [(home, base) for home, base in bases if home]
            if len(mine) > 1:
                raise CannotTell(f"{module}: {name} has two bases of the program")
            if mine:
                found[module, name] = mine[0]
    return found


def line(of: Class | None, bases: Mapping[Class, Class]) -> Iterator[Class]:
    """A class and all that it is made of; nothing for none."""
    while of is not None:
        yield of
        of = bases.get(of)


def _attributes(
    sources: Mapping[str, Source], data: Iterable[str], starting: Iterable[str]
) -> tuple[list[str], dict[Class, list[str]]]:
    """Attributes that the program defines itself and that nobody looks up by a text.

    First those that several classes know, those of every start at the head; then those of one class each.
    """
    kept = set(runtime_names()) | {name for text in data for name in _IN_BRACES.findall(text)}
    for module, source in sources.items():
        if module not in _KEYS_ONLY:
            kept |= set(_in_texts(source.tree))
    started = {inner for module in starting for inner in imported_by(sources, module)}
    counts: dict[str, int] = {}
    said_by: dict[str, set[Class | None]] = {}
    first, defined = set(), set()
    for module, source in sources.items():
        for use in source.uses:
            if use.kind == ATTRIBUTE:
                counts[use.name] = counts.get(use.name, 0) + 1
                said_by.setdefault(use.name, set()).add(use.owner)
                if use.stored:
                    defined.add(use.name)
                if module in started:
                    first.add(use.name)
    mine = [name for name in defined if name not in kept and not _dunder(name)]
    mine.sort(key=lambda name: (name not in first, -counts[name], name))
    everywhere = []
    own: dict[Class, list[str]] = {}
    for name in mine:
        (owner, *others) = said_by[name]
        if owner is None or others:
            everywhere.append(name)
        else:
            own.setdefault(owner, []).append(name)
    return everywhere, own


def _in_texts(tree: ast.Module) -> Iterator[str]:
    bodies = [node.body for node in ast.walk(tree) if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)]
    said = {id(body[0].value) for body in bodies if body and isinstance(body[0], ast.Expr)}  # docstrings
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in said:
            words = node.value.split(" ")
            if all(_WORD.fullmatch(word) for word in words):  # no sentence with signs
                yield from words


def _dunder(name: str) -> bool:
    return name.startswith("__")
