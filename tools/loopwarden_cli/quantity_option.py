"""Options that are quantities as people write them ("180 kohm"): one list serves parser, reading and refusal."""

import argparse
from dataclasses import dataclass

from pydantic import BaseModel
from pydantic_core import PydanticCustomError

from loopwarden_build.quantity import Quantity
from loopwarden_cli.result import UserError


@dataclass(frozen=True)
class QuantityOption:
    """One option.

    flag        as typed, "--working-voltage"
    quantity    its unit, range and meaning
    default     as typed; None where it may be left out
    """

    flag: str
    quantity: Quantity
    default: str | None = None

    @property
    def attribute(self) -> str:
        """Its name among the parsed arguments."""
        return self.flag.removeprefix("--").replace("-", "_")

    def add(self, parser: argparse.ArgumentParser, otherwise: str | None = None) -> None:
        """Add it to a parser; `otherwise` is what holds where it is left out, for its help."""
        shown = self.default or otherwise
        default = "" if shown is None else f"; default {shown}"
        text = f"{self.quantity.why}; {self.quantity.allowed()}{default}".replace("%", "%%")
        metavar = "PERCENT" if self.quantity.unit == "fraction" else self.quantity.unit.upper()
        parser.add_argument(self.flag, metavar=metavar, default=self.default, help=text)

    def is_given(self, args: argparse.Namespace) -> bool:
        """Whether it was typed, or has a default."""
        return getattr(args, self.attribute) is not None

    def read(self, args: argparse.Namespace) -> float | None:
        """Its value in base units; None for a written "none", or where it was left out. UserError for what is none."""
        raw = getattr(args, self.attribute)
        if raw is None:
            return None
        try:
            return self.quantity.read(raw)
        except PydanticCustomError as error:
            raise UserError(f'{self.flag} "{raw}": {error.message()}') from None

    def need(self, args: argparse.Namespace) -> float:
        """Its value in base units; UserError where it was left out as well."""
        value = self.read(args)
        if value is None:
            raise UserError(f"{self.flag}: is missing; allowed: {self.quantity.allowed()} ({self.quantity.why})")
        return value


def like_the_build_file(flag: str, table: type[BaseModel], key: str, default: str | None = None) -> QuantityOption:
    """An option with the range and the meaning that a key of the build file has."""
    (quantity,) = (item for item in table.model_fields[key].metadata if isinstance(item, Quantity))
    return QuantityOption(flag, quantity, default)
