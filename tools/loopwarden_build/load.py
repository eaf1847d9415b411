"""Reads a build file: TOML, then each key on its own, then how they fit together; every error in one line of words.

Decides how an error reads and which exit code it deserves; what is an error is decided by model.py and cross_checks.py.
"""

import difflib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from loopwarden_build import cross_checks, dbc
from loopwarden_build.model import ASCII, BuildFile, Table
from loopwarden_build.quantity import OrNone, Quantity
from loopwarden_build.toml_lines import find_line

_RAW_CHARACTERS_MAX = 60
Loc = Sequence[str | int]


class BuildError(Exception):
    """A build file that cannot be used.

    lines       complete messages, one line each: file, line, key, value, allowed range, why
    exit_code   2: not readable, not TOML, or a key that is wrong on its own or out of order; 1: every key is fine,
                but the build that they describe breaks a rule
    """

    def __init__(self, lines: Sequence[str], exit_code: int) -> None:
        super().__init__("\n".join(lines))
        self.lines = list(lines)
        self.exit_code = exit_code


def read_build(path: str | Path) -> BuildFile:
    """Return the checked build file; BuildError with every error of the file otherwise."""
    return parse_build(read_text(str(path)), str(path))


def parse_build(text: str, file: str, beside: Mapping[str, str] | None = None) -> BuildFile:
    """Return the checked build file in `text`; BuildError as above.

    file    what its errors call it, and where the DBC files that it names are looked for
    beside  the text of each of those files by its name, where they were read before
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise BuildError([_syntax_line(file, text, error)], 2) from None
    try:
        read = dbc.from_folder(Path(file).parent) if beside is None else dbc.from_texts(beside)
        build = BuildFile.model_validate(data, context={"read": read})
    except ValidationError as error:
        details = error.errors(include_url=False)
        raise BuildError([_error_line(file, text, data, detail) for detail in details], 2) from None
    findings = cross_checks.findings(build)
    if findings:
        lines = [_line(file, text, data, finding.path, finding.text) for finding in findings]
        raise BuildError(lines, 2 if any(finding.is_form for finding in findings) else 1)
    return build


def read_text(file: str) -> str:
    """The text of a build file, which `parse_build` takes; BuildError where it cannot be read."""
    try:
        return Path(file).read_text(encoding="utf-8-sig")  # some editors write a mark at the start
    except UnicodeDecodeError:
        raise BuildError([f"{file}: is not UTF-8 text"], 2) from None
    except (OSError, ValueError) as error:  # ValueError: a name with a null byte
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BuildError([f"{_printable(file)}: cannot be read: {reason}"], 2) from None


def _syntax_line(file: str, text: str, error: Exception) -> str:
    end = " (at end of document)"
    if str(error).endswith(end):
        return f"{file}:{len(text.splitlines())}: is not TOML: {_printable(str(error))}"
    found = re.search(r"^(.*) \(at line (\d+), column (\d+)\)$", str(error))
    if found:
        return f"{file}:{found[2]}: is not TOML: {_printable(found[1])} in column {found[3]}"
    return f"{file}: is not TOML: {_printable(str(error))}"


def _error_line(file: str, text: str, data: dict[str, Any], detail: ErrorDetails) -> str:
    path, tables, field = _walk(detail["loc"])
    kind, context = detail["type"], detail.get("ctx", {})
    why = _describe(field)
    if kind == "missing":
        return _line(file, text, data, path, f"is missing; {why}" if why else "is missing")
    if kind == "extra_forbidden":
        return _line(file, text, data, path, _unknown(str(path[-1]), tables))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        path = [*path, str(context["discriminator"]).strip("'")]
        tags = [tag for table in tables for tag in _tags(table, path[-1])]
        what = "is missing" if kind == "union_tag_not_found" else "is not supported"
        return _line(file, text, data, path, f"{what}; allowed: {_listed(tags)}{f' ({why})' if why else ''}")
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        message = "must be a table"
    elif kind in ("too_short", "too_long"):
        bound = context.get("min_length", context.get("max_length"))
        message = (
            f"must have at {'least' if kind == 'too_short' else 'most'} {bound} {'entry' if bound == 1 else 'entries'}"
        )
    elif kind == "tuple_type":
        message = "must be a list of two values"
    elif kind == "string_pattern_mismatch":
        message = "must be plain ASCII text" if context["pattern"] == ASCII else "is not supported"
    elif kind == "literal_error":
        message = f"is not supported; allowed: {context['expected']}".replace("'", '"')
    elif kind == "quantity":
        return _line(file, text, data, path, detail["msg"])
    else:
        message = detail["msg"].replace("Input should be", "must be").replace("should", "must")
    return _line(file, text, data, path, f"{message} ({why})" if why else message)


def _line(file: str, text: str, data: dict[str, Any], path: Loc, message: str) -> str:
    """The one form of every message: where, which key, what it holds, what is wrong with that."""
    line = find_line(text, path)
    where = file if line is None else f"{file}:{line}"
    found, raw = _raw(data, path)
    value = f" = {_shown(raw)}" if found and not isinstance(raw, dict) else ""
    return f"{_printable(where)}: {_key(path)}{value}: {message}"


def _walk(loc: Loc) -> tuple[list[str | int], list[type[Table]], FieldInfo | None]:
    """The keys along pydantic's location, without the tags of unions; the tables possible there; the last field."""
    path: list[str | int] = []
    tables: list[type[Table]] = [BuildFile]
    field: FieldInfo | None = None
    for step in loc:
        if isinstance(step, int):
            path.append(step)
        elif len(tables) > 1:
            tables = [table for table in tables if step in _all_tags(table)]
        else:
            path.append(step)
            known = {_written(name, info): info for table in tables for name, info in table.model_fields.items()}
            if step not in known and tables:  # an unknown key: the tables stay, for the suggestion
                return path, tables, None
            if step in known:
                field = known[step]
                tables = _tables(field.annotation)
    return path, tables, field


def _tables(annotation: Any) -> list[type[Table]]:
    if isinstance(annotation, type) and get_origin(annotation) is None:
        return [annotation] if issubclass(annotation, Table) else []
    return [table for argument in get_args(annotation) for table in _tables(argument)]


def _written(name: str, field: FieldInfo) -> str:
    return field.alias or name


def _tags(table: type[Table], key: str | int) -> list[str]:
    annotation = table.model_fields[str(key)].annotation
    return list(get_args(annotation)) if get_origin(annotation) is Literal else []


def _all_tags(table: type[Table]) -> list[str]:
    return [tag for name in table.model_fields for tag in _tags(table, name)]


def _is_optional(field: FieldInfo) -> bool:
    return any(isinstance(item, OrNone) for item in field.metadata)


def _describe(field: FieldInfo | None) -> str:
    """What the key is for and may hold, from the model: the range, the choices, or the table's own sentence."""
    if field is None:
        return ""
    for item in field.metadata:
        if isinstance(item, Quantity):
            return f"allowed: {item.allowed()} ({item.why})"
    if field.description:
        return field.description
    tables = _tables(field.annotation)
    if len(tables) != 1 or tables[0].__doc__ is None:
        return ""
    about = tables[0].__doc__.splitlines()[0].rstrip(".")
    return f'{about}; "none" where it is not fitted' if _is_optional(field) else about


def _unknown(key: str, tables: Sequence[type[Table]]) -> str:
    known = [_written(name, info) for table in tables for name, info in table.model_fields.items()]
    if key in BuildFile.model_fields:
        return "is not a known key here; it belongs to the top of the file, above the first [table]"
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    return (
        f'is not a known key; did you mean "{near[0]}"?' if near else f"is not a known key; known: {', '.join(known)}"
    )


def _listed(words: Sequence[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)


def _key(path: Loc) -> str:
    """The key as people count: the second [[loop]] is loop[2]."""
    shown = ""
    for step in path:
        shown += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if shown else step
    return _printable(shown)


def _raw(data: Any, path: Loc) -> tuple[bool, Any]:
    for step in path:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return False, None
    return True, data


def _shown(raw: Any) -> str:
    text = json.dumps(raw, default=str)
    return text if len(text) <= _RAW_CHARACTERS_MAX else text[: _RAW_CHARACTERS_MAX - 3] + "..."


def _printable(text: str) -> str:
    """One line, whatever a file name or a key holds."""
    return "".join(character if character.isprintable() else repr(character)[1:-1] for character in text)
