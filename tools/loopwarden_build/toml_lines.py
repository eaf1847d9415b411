"""Finds the line on which a key of a TOML file stands; tomllib tells lines only for what it cannot read.

Best effort: it knows headers, arrays of tables and keys at the start of a line, which is how people write them. A key
inside an inline table is found as the line of the outer key, and a key that is missing as the line of its table.
"""

import re
from collections.abc import Sequence

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r'^\s*([A-Za-z0-9_"\'.\- ]+?)\s*=')

Path = Sequence[str | int]


def find_line(text: str, path: Path) -> int | None:
    """Return the line, from 1, of the longest beginning of `path` that has one; None if not even its table has."""
    lines = _lines(text)
    for end in range(len(path), 0, -1):
        line = lines.get(tuple(path[:end]))
        if line is not None:
            return line
    return None


def _lines(text: str) -> dict[tuple[str | int, ...], int]:
    found: dict[tuple[str | int, ...], int] = {}
    seen: dict[str, int] = {}
    table: tuple[str | int, ...] = ()
    depth = 0  # of brackets that a value leaves open: what stands inside is no key
    for number, line in enumerate(text.splitlines(), 1):
        if depth == 0:
            header, key = _HEADER.match(line), _KEY.match(line)
            if header:
                table = tuple(_parts(header[2]))
                if header[1] == "[[":
                    count = seen.get(header[2], 0)
                    seen[header[2]] = count + 1
                    table = (*table, count)
                    found.setdefault(table[:-1], number)
                found.setdefault(table, number)
                continue
            if key is None:
                continue
            parts = _parts(key[1])
            for end in range(1, len(parts) + 1):
                found.setdefault((*table, *parts[:end]), number)
            line = line[key.end() :]
        depth = max(0, depth + _opened(line))
    return found


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def _opened(line: str) -> int:
    """Brackets opened less brackets closed, text and comments left out."""
    bare = re.sub(r'"(?:\\.|[^"\\])*"|\'[^\']*\'', "", line).partition("#")[0]
    return bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")
