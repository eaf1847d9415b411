"""What a key of the build file may hold: a quantity within a range, or something that may be `none`.

These are pydantic annotations: they read the text, refuse it in words, and describe themselves in the JSON schema.
"""

import re
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from loopwarden_build import units

NONE = "none"  # the one way to say "not fitted" in a build file


@dataclass(frozen=True)
class Quantity:
    """A number with a unit, `low` to `high` in base units (units.py); `why` says what the key is and what bounds it.

    none    the text "none" is allowed as well and becomes None
    """

    unit: str
    low: float
    high: float
    why: str
    none: bool = False

    def allowed(self) -> str:
        """The allowed values, for people."""
        span = f"{units.show(self.low, self.unit)} to {units.show(self.high, self.unit)}"
        return f'{span}, or "{NONE}"' if self.none else span

    def read(self, raw: object) -> float | None:
        """Return the value in base units, None for an allowed "none"; PydanticCustomError with the reason."""
        if self.none and raw == NONE:
            return None
        try:
            value = units.parse(raw, self.unit)
        except units.UnitError as error:
            raise self._refused(str(error)) from None
        # A written limit such as "0.1 %" may differ from the bound in the last bit.
        if not self.low - 1e-9 * abs(self.low) <= value <= self.high + 1e-9 * abs(self.high):
            raise self._refused("is out of range" if value >= 0 or self.low < 0 else "is negative")
        return value

    def _refused(self, what: str) -> PydanticCustomError:
        # Braces would be taken for a template's fields.
        context = {"what": what, "allowed": self.allowed(), "why": self.why}
        return PydanticCustomError("quantity", "{what}; allowed: {allowed} ({why})", context)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        suffixes = "|".join(re.escape(name) for name in units.UNITS[self.unit])
        # Half a pattern is enough for an editor: the range is for `check`.
        pattern = rf"^\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*({suffixes})\s*$"
        if self.none:
            pattern = rf"^{NONE}$|{pattern}"
        return {"type": "string", "pattern": pattern, "description": f"{self.allowed()}: {self.why}"}


@dataclass(frozen=True)
class OrNone:
    """Something that may be given as the text "none" and then is None: the build says that it has no such thing.

    what    the type that it is otherwise
    """

    what: Any

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def read(raw: object, inner: core_schema.ValidatorFunctionWrapHandler) -> object:
            return None if raw == NONE else inner(raw)

        return core_schema.no_info_wrap_validator_function(read, handler.generate_schema(self.what))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return {"anyOf": [handler(schema), {"const": NONE}]}
