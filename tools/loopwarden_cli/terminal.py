"""What a subcommand tells the person while it still runs; the result itself is printed by `main`."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.live import Live
from rich.text import Text


def tell(text: str) -> None:
    """A line on standard error, at once; standard output stays free for the result."""
    print(text, file=sys.stderr, flush=True)


@contextmanager
def live_page() -> Iterator[Callable[[str], None]]:
    """A page of the terminal that is drawn anew with each call; the terminal is as before when it ends."""
    with Live(console=Console(highlight=False), screen=True, auto_refresh=False) as live:
        yield lambda page: live.update(Text(page), refresh=True)
