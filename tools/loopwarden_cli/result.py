"""What a subcommand hands back: its text and exit code, or an error that is the user's to fix."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Result:
    """What to print on standard output, and the exit code.

    exit_code   0 all is fine; 1 the thing that was looked at failed; 2 belongs to `UserError`
    """

    text: str
    exit_code: int = 0


class UserError(Exception):
    """Wrong use or bad input: each line goes to standard error as it is, and the exit code is 2.

    lines   complete messages, one line each: file, key, value, allowed range, why
    """

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines
