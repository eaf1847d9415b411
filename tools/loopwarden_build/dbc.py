"""A DBC file named in a build file: read once, when the build file is read, and kept with it as text.

Decides whether it is a DBC file at all; which of its signals can be a reading is for can_signals.py.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cantools
from cantools.database.can import Database
from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

Read = Callable[[str], str]  # a file's name, as the build file writes it, to its text; OSError or ValueError


@dataclass(frozen=True)
class Dbc:
    """A DBC file.

    name    as the build file writes it, relative to the build file
    text    what is in it: a build is whole without the file, wherever it is taken
    """

    name: str
    text: str

    @property
    def database(self) -> Database:
        """Its messages; made once for each text."""
        return _database(self.text)


def from_folder(folder: Path) -> Read:
    """Reads the files beside a build file. cp1252 is what tools for DBC files write."""

    def read(name: str) -> str:
        return (folder / name).read_bytes().decode("cp1252", errors="replace")

    return read


def from_texts(texts: Mapping[str, str]) -> Read:
    """The same where the files themselves are not at hand."""

    def read(name: str) -> str:
        if name not in texts:
            raise FileNotFoundError(2, "it did not come along")
        return texts[name]

    return read


@lru_cache(maxsize=8)
def _database(text: str) -> Database:
    # Not strict: what is wrong with other messages is no concern of ours, and ours is looked at by can_signals.py.
    found = cantools.database.load_string(text, database_format="dbc", strict=False)
    assert isinstance(found, Database)
    return found


@dataclass(frozen=True)
class DbcName:
    """A pydantic annotation: the name of a DBC file becomes a `Dbc`. The context's "read" is a `Read`."""

    why: str

    def read(self, raw: object, info: core_schema.ValidationInfo) -> Dbc:
        """Return what the file holds; PydanticCustomError with the reason."""
        if not isinstance(raw, str) or not 1 <= len(raw) <= 200:
            raise self._refused('must be the name of a file, such as "monitor.dbc"')
        try:
            read: Read = (info.context or {"read": from_texts({})})["read"]
            dbc = Dbc(raw, read(raw))
        except (OSError, ValueError) as error:  # ValueError: a name with a null byte
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            raise self._refused(f"cannot be read: {reason}") from None
        try:
            messages = dbc.database.messages
        except Exception as error:  # whatever the parser of another project raises at a file that is none
            said = " ".join(str(error).split())[:120]  # it may quote the file, and a terminal would obey what is in it
            raise self._refused(f"is not a DBC file: {re.sub(r'[^ -~]', '?', said)}") from None
        if not messages:
            raise self._refused("describes no message")
        return dbc

    def _refused(self, what: str) -> PydanticCustomError:
        return PydanticCustomError("dbc", "{what}", {"what": what})

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return {"type": "string", "minLength": 1, "maxLength": 200, "description": self.why}
