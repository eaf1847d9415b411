"""Runs tests on a mutant, each mutant in a process of its own that is thrown away afterwards.

A mutant inside a function is put into a fork of a process that has collected the tests already: its code takes the
place of the function's. One outside of functions needs fresh imports: it goes into a fork of a process that has
imported nothing of the project. A test that runs on and on is ended by processor time, so a busy machine kills nothing.
"""

import os
import resource
import signal
import sys
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cache
from types import CodeType
from typing import Any

import pytest

from changed_source import PACKAGE, module_of, use

from .mutants import Module, Mutant, function_code
from .session import collected, fails

SLOWER, MORE_S = 8, 3  # a test may take so many times its usual processor time, and so many seconds more
_MEMORY = 6 << 30
_TRIES = 3
FEW = 40  # tests that are collected first for a mutant that needs fresh imports; most are killed by these


@dataclass(frozen=True)
class Verdict:
    """by: node id of the test that failed, "" for none; how: failed, time (it ran on and on), crashed, survived."""

    by: str
    how: str
    seconds: float


Tests = Sequence[tuple[str, float]]  # node ids and their usual processor time, the likeliest first


@cache
def module(file: str) -> Module:
    """A module of the device package and its mutants."""
    return Module(file, (PACKAGE / file).read_text(encoding="utf-8"))


def code_of(mutant: Mutant) -> CodeType:
    """Code of the mutant's whole module."""
    return module(mutant.file).code(mutant, str(PACKAGE / mutant.file))


def put_in(mutant: Mutant, code: CodeType) -> None:
    """Put a mutated function in the place of the one that is imported; every importer holds the same function."""
    found: Any = sys.modules[module_of(mutant.file)]
    for name in mutant.where.split("."):
        found = vars(found)[name]
    function = getattr(found, "fget", found)
    function.__code__ = function_code(code, mutant.where)


def hunt_warm(mutant: Mutant, tests: Tests, items: dict[str, pytest.Item]) -> Verdict:
    """Inside a session that has collected `items`: try a mutant that is inside a function."""
    code = code_of(mutant)

    def work(tell: Callable[[str], None]) -> None:
        put_in(mutant, code)
        _one_by_one([items[name] for name, _ in tests], tests, tell)

    return _in_a_fork(work)


def hunt_fresh(mutant: Mutant, tests: Tests, known: Collection[str]) -> Verdict:
    """In a process that has imported nothing of the project: try a mutant outside of functions.

    known   node ids of all tests: one that is not among them is there for the mutant's sake, such as a case for each
            constant, and is tried as well
    """
    code = code_of(mutant)
    begun = time.monotonic()
    verdict = Verdict("", "survived", 0)
    for some in (tests[:FEW], tests[FEW:]):
        if some and verdict.how == "survived":
            verdict = _in_a_fork(_fresh(mutant.file, code, some, known))
    return Verdict(verdict.by, verdict.how, time.monotonic() - begun)


def _fresh(file: str, code: CodeType, tests: Tests, known: Collection[str]) -> Callable[[Callable[[str], None]], None]:
    def work(tell: Callable[[str], None]) -> None:
        def run(items: list[pytest.Item]) -> None:
            by_name = {item.nodeid: item for item in items}
            new = [(name, 1.0) for name in by_name if name not in known]
            there = [*new, *(test for test in tests if test[0] in by_name)]
            _one_by_one([by_name[name] for name, _ in there], there, tell)

        tell("import")
        use(file, code)
        _limit(60.0)
        collected(run, sorted({name.split("::")[0] for name, _ in tests}))

    return work


def _one_by_one(items: list[pytest.Item], tests: Tests, tell: Callable[[str], None]) -> None:
    for item, (name, seconds) in zip(items, tests, strict=True):
        tell(name)
        _limit(SLOWER * seconds + MORE_S)
        if fails(item):
            tell("!failed")
            os._exit(0)
    tell("!survived")
    os._exit(0)


def _limit(seconds: float) -> None:
    signal.setitimer(signal.ITIMER_PROF, seconds)


def _in_a_fork(work: Callable[[Callable[[str], None]], None]) -> Verdict:
    # A process that ended before its first test, or import, says nothing about the mutant.
    for _ in range(_TRIES):
        verdict = _once(work)
        if verdict is not None:
            return verdict
    raise RuntimeError("a mutant could not be put in its place")


def _once(work: Callable[[Callable[[str], None]], None]) -> Verdict | None:
    begun = time.monotonic()
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _quietly(work, writing)
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as pipe:
        told = pipe.read().splitlines()
    _, status = os.waitpid(child, 0)
    seconds = time.monotonic() - begun
    if not told:
        return None
    last = told[-1]
    if last == "!survived":
        return Verdict("", "survived", seconds)
    if last == "!failed":
        return Verdict(told[-2], "failed", seconds)
    how = "time" if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGPROF else "crashed"
    return Verdict(last, how, seconds)


def _quietly(work: Callable[[Callable[[str], None]], None], writing: int) -> None:
    try:
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nothing, stream)
        work(lambda line: _tell(writing, line))
    finally:
        os._exit(1)  # what ends in order has left already


def _tell(writing: int, line: str) -> None:
    os.write(writing, f"{line}\n".encode())
