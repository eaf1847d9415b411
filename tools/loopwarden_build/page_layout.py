"""How a page for people is set: 80 columns, sections, rows of label and value, points."""

import textwrap
from collections.abc import Iterable

from loopwarden_build.units import show

WIDTH = 80


def section(title: str) -> list[str]:
    """A blank line and an underlined title."""
    return ["", title, "-" * len(title)]


def labelled(rows: Iterable[tuple[str, str]]) -> list[str]:
    """Rows of a label and its value; a long value goes on under itself, a long label has a line of its own."""
    lines: list[str] = []
    for label, value in rows:
        if len(label) > 22:
            lines += [f"  {label}", *wrap(value, WIDTH, " " * 26)]
        else:
            wrapped = textwrap.wrap(value, WIDTH - 26)
            lines += [f"  {label:<24}{wrapped[0]}", *(" " * 26 + line for line in wrapped[1:])]
    return lines


def points(texts: Iterable[str]) -> list[str]:
    """Sentences as a list with dashes."""
    return [
        line for text in texts for line in textwrap.wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    ]


def wrap(text: str, width: int, indent: str = "") -> list[str]:
    """A paragraph in lines of `width` characters."""
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent, drop_whitespace=True) or []


def wait(time_s: float) -> str:
    """A time to wait: two digits, and minutes where seconds would have to be counted out."""
    return f"{time_s / 60:.0f} min" if time_s >= 600 else show(float(f"{time_s:.3g}"), "s")
