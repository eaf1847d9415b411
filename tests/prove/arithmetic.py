"""Work for workers, importable by them: each tells something different when it goes wrong."""

import os
import time


def square(number: int) -> int:
    return number * number


def reciprocal(number: int) -> float:
    return 1 / number


def square_or_sleep(number: int) -> int:
    """Zero keeps its worker busy for an hour."""
    if number == 0:
        time.sleep(3600)
    return number * number


def leave(number: int) -> int:
    """The process ends at once, as one that the system kills for want of memory."""
    os._exit(number)
