"""Reads the build file that a subcommand was given, and says how one that cannot be used is answered."""

from loopwarden_build.load import BuildError
from loopwarden_cli.result import Result, UserError


def refused(error: BuildError) -> Result:
    """Return the answer for a build that breaks a rule (exit 1); raise UserError for a file that is wrong (exit 2)."""
    if error.exit_code == 2:
        raise UserError(*error.lines)
    return Result("\n".join(error.lines), error.exit_code)
