"""What a worker does: cases of one campaign, and the shrinking of what went wrong in one of them.

A worker makes the campaign itself, once, from the text of the build file: campaigns are large, and must be of the
worker's own program, which is why the digest of the program comes along.
"""

import threading
from dataclasses import dataclass
from functools import lru_cache

from loopwarden_build.load import parse_build
from loopwarden_build.model import dbc_files
from loopwarden_prove.campaign import Campaign
from loopwarden_prove.digests import program_digest
from loopwarden_prove.results import Case, Finding
from loopwarden_prove.shrink import Shrunk, Sought, shrink

_ONE_AT_A_TIME = threading.Lock()  # a cluster's worker may have several threads, and the campaign keeps one run at hand


class OtherProgramError(Exception):
    """This worker has another version of the program: what it finds would be about that one."""


@dataclass(frozen=True)
class Source:
    """All that makes a campaign: the build file's name and text, the seed, and which program reads it.

    beside  the DBC files that the build file names, each with its text: a worker elsewhere does not have them
    """

    build_file: str
    build_text: str
    seed: int
    program: str
    beside: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Cases:
    """A task: cases that lie together in the campaign's list, so that one run leads from each to the next."""

    source: Source
    cases: tuple[Case, ...]


@dataclass(frozen=True)
class ToShrink:
    """A task: a case in which something went wrong, and what."""

    source: Source
    case: Case
    sought: Sought
    tries_max: int


def source_of(build_file: str, build_text: str, seed: int) -> Source:
    """The source of a campaign by this program. Errors: BuildError as parse_build."""
    beside = dbc_files(parse_build(build_text, build_file))
    return Source(build_file, build_text, seed, program_digest(), tuple(sorted(beside.items())))


@lru_cache(maxsize=1)
def campaign_of(source: Source) -> Campaign:
    """The campaign of a source. Errors: OtherProgramError; BuildError as parse_build."""
    if source.program != program_digest():
        raise OtherProgramError("a worker has another version of loopwarden; install the same one everywhere")
    return Campaign(parse_build(source.build_text, source.build_file, dict(source.beside)), source.seed)


def run_cases(task: Cases) -> list[Finding]:
    """Run each case; in their order."""
    with _ONE_AT_A_TIME:
        campaign = campaign_of(task.source)
        return [campaign.run(case) for case in task.cases]


def shrink_case(task: ToShrink) -> Shrunk:
    """Shrink what went wrong in one case; with no tries, its whole scenario."""
    with _ONE_AT_A_TIME:
        scenario = campaign_of(task.source).scenario(task.case)
        return shrink(scenario, task.sought, task.tries_max)
