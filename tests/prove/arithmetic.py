"""Work for workers, importable by them: each tells something different when it goes wrong."""

import os


def square(number: int) -> int:
    return number * number


def reciprocal(number: int) -> float:
    return 1 / number


def leave(number: int) -> int:
    """The process ends at once, as one that the system kills for want of memory."""
    os._exit(number)
