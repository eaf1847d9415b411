"""Modules that are one on a board: the same names, the same order, and what must stay by itself."""

import pytest

from loopwarden_install import identifiers
from loopwarden_install.identifiers import CannotTell
from loopwarden_install.linked import KEPT, imported_by, linked, together
from loopwarden_install.version import CHECKS, kept
from micropython_runs.runners import run_unix

B = """
from sys import maxsize

GIVEN = []


def level(n):
    return n + 1 if maxsize else 0


FIVE = level(4)


class Pump:
    level = FIVE
"""
A = """
from loopwarden import b as B, late
from loopwarden.b import GIVEN, Pump


def level():
    GIVEN.append(B.level(1))
    return GIVEN[0], Pump().level, late.level()
"""
LATE = """
from loopwarden import b


def level():
    return b.level(10)
"""
START = """
from loopwarden.a import level

APART = ("loopwarden.late",)
"""


def program(**more):
    texts = {"": "", "a": A, "b": B, "late": LATE, "start": START, **more}
    return identifiers.read({f"loopwarden/{name or '__init__'}.py": text for name, text in texts.items()})


def test_they_do_what_they_did_apart(tmp_path):
    sources = program()
    modules = together(sources, "loopwarden.start", ())
    assert set(modules) == {"loopwarden.a", "loopwarden.b", "loopwarden.start"}
    told = []
    for n, texts in enumerate(({s.path: s.text for s in sources.values()}, linked(sources, modules[:-1]))):
        for path, text in texts.items():
            (tmp_path / str(n) / path).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / str(n) / path).write_text(text)
        script = "from loopwarden import start\nprint([v for v in start.__dict__.values() if callable(v)][0]())\n"
        told.append(run_unix(script, path=[tmp_path / str(n)]))
    assert told == ["(2, 5, 11)\n"] * 2
    assert not (tmp_path / "1" / "loopwarden" / "b.py").exists()


def test_what_a_text_names_stays_by_itself():
    assert "loopwarden.late" not in together(program(), "loopwarden.start", ())
    assert "loopwarden.late" in together(program(start="from loopwarden.a import level\n"), "loopwarden.start", ())


def test_what_checks_the_files_loads_nothing_that_it_has_not_checked():
    sources = program(check="from loopwarden import b\n", start=START + "from loopwarden import check\n")
    modules = together(sources, "loopwarden.start", ("loopwarden.check",))
    assert modules == ["loopwarden.a", "loopwarden.start"]
    assert CHECKS not in kept()
    assert "loopwarden.build" not in kept()
    assert "loopwarden.policy.supervisor" in kept()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (A + "\nWHERE = __file__\n", "no __file__ of its own"),
        (A + "\n\ndef put(n):\n    B.NEW = n\n", "has no NEW"),
        (A + "\n\ndef put(n):\n    B.GIVEN = n\n", "stored into"),
        (A + "\n\ndef late_one():\n    from loopwarden.b import GIVEN\n\n    return GIVEN\n", "imported in a function"),
        (
            A + "\nfrom sys import maxsize\n\n\nclass C:\n    level = level()\n",
            "level is of the class or of the module",
        ),
        (A + "\nfrom struct import maxsize\n", "maxsize is from"),
    ],
)
def test_what_cannot_be_one_is_refused(text, words):
    def made():
        linked(program(a=text), ["loopwarden.b", "loopwarden.a"])

    with pytest.raises(CannotTell, match=words):
        made()


def test_modules_come_after_those_that_they_import():
    order = imported_by(program(), "loopwarden.start")
    assert order.index("loopwarden.b") < order.index("loopwarden.a") < order.index("loopwarden.start")
    assert KEPT not in order
