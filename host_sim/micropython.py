"""Stand-in for MicroPython's own module, so that the device package imports under CPython.

It holds `const` and nothing else: device code that needs more than that does not run on both.
"""

from typing import TypeVar

_T = TypeVar("_T")


def const(value: _T) -> _T:
    """Return `value` as it is; on the board the compiler folds it into the code."""
    return value
