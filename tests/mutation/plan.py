"""Which tests a mutant meets, and in which order: those that run its line, the likeliest and quickest first."""

import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from changed_source import PACKAGE

from .mutants import Mutant
from .session import ROOT, TESTS

_BEST = 6  # that killed others of the same function
_NAMES = re.compile(r"^(\w+(?:, \w+)*) = ")
_TABLE = "policy/fault_table.py"
_ROWS = "tests/policy/test_fault_table"  # for the table before all
# Walks see every decision: most mutants are killed by one of a few, so that these come before all.
_WALKS, _EARLY = "tests/policy/test_walks", 60
_SCENARIOS = "tests/policy/test_decisions"  # see as much, and what takes long besides
# Tests that were written for a file, beginnings of paths on both sides; both sides of its edges are looked at there.
_OWN = {
    "policy/monitors/": ("tests/policy/test_monitors", "tests/policy/test_unknown_inputs", "tests/policy/test_moving"),
    "policy/monitors/thermal": ("tests/policy/test_start_checks",),
    "policy/start_checks": ("tests/policy/test_start_checks",),
    "policy/faults": ("tests/policy/test_faults_",),
    "policy/limits": ("tests/policy/test_limits",),
    "policy/cooling": ("tests/policy/test_limits",),
    "policy/supervisor": ("tests/policy/test_start_checks", "tests/policy/test_emergency"),
    "policy/phases": ("tests/policy/test_up", "tests/policy/test_down", "tests/policy/test_moving"),
    "policy/resistors": ("tests/policy/test_up", "tests/policy/test_down"),
    "policy/lamps": ("tests/policy/test_down", "tests/policy/test_monitors"),
    "memory/": ("tests/memory/",),
}


def sources() -> list[str]:
    """The files that are mutated, as paths in the device package."""
    found = [*PACKAGE.glob("policy/**/*.py"), *PACKAGE.glob("memory/*.py")]
    return sorted(file.relative_to(PACKAGE).as_posix() for file in found)


def _digest(*files: Path) -> str:
    digest = sha256()
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()


def _files() -> list[Path]:
    """All that decides which test runs which line."""
    places = [PACKAGE, *(ROOT / name for name in TESTS)]
    found = [file for place in places for file in (place.rglob("*") if place.is_dir() else [place])]
    return sorted(file for file in found if file.suffix in (".py", ".toml"))


def _is_test(file: Path) -> bool:
    return file.name.startswith("test_") or file.suffix == ".toml"


def fingerprints() -> dict[str, str]:
    """Digests: of each file with tests, by its path, and of everything else together, by ""."""
    files = _files()
    found = {file.relative_to(ROOT).as_posix(): _digest(file) for file in files if _is_test(file)}
    return found | {"": _digest(*(file for file in files if not _is_test(file)))}


@dataclass
class Plan:
    """of: fingerprints; seconds: node id to processor time; runs: file to line to node ids; kills: what killed in a
    function so far."""

    of: dict[str, str]
    seconds: dict[str, float] = field(default_factory=dict)
    runs: dict[str, dict[int, list[str]]] = field(default_factory=lambda: defaultdict(dict))
    kills: dict[tuple[str, str], Counter[str]] = field(default_factory=lambda: defaultdict(Counter))

    def add(self, name: str, seconds: float, lines: dict[str, list[int]]) -> None:
        """Take in what one test took and ran."""
        self.seconds[name] = seconds
        for file, numbers in lines.items():
            for number in numbers:
                self.runs[file].setdefault(number, []).append(name)

    def save(self, file: Path) -> None:
        """Keep it for the next run."""
        number = {name: n for n, name in enumerate(self.seconds)}
        runs = {
            file: {line: [number[name] for name in names] for line, names in lines.items()}
            for file, lines in self.runs.items()
        }
        content = {"of": self.of, "seconds": self.seconds, "runs": runs}  # by number: names are most of a great file
        half = file.with_suffix(".half")
        half.write_text(json.dumps(content), encoding="utf-8")
        half.replace(file)

    @classmethod
    def load(cls, file: Path) -> "Plan":
        """What is kept and still counts: no test of a file that changed, none at all when the sources changed."""
        plan = cls(of=fingerprints())
        content = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {"of": {}}
        if content["of"].get("") != plan.of[""]:
            return plan
        same = {name for name, digest in content["of"].items() if plan.of.get(name) == digest}
        plan.seconds = {name: s for name, s in content["seconds"].items() if name.split("::")[0] in same}
        known = list(content["seconds"])
        for file_name, lines in content["runs"].items():
            for line, numbers in lines.items():
                plan.runs[file_name][int(line)] = [known[n] for n in numbers if known[n] in plan.seconds]
        return plan

    def tests(self, mutant: Mutant, most_s: float) -> list[tuple[str, float]]:
        """Tests for a mutant in their order, until `most_s` of usual processor time."""
        able = self._that_run(mutant)
        best = [name for name, _ in self.kills[mutant.file, mutant.where].most_common(_BEST) if name in able]
        own = tuple(test for file, tests in _OWN.items() if mutant.file.startswith(file) for test in tests)
        if mutant.file == _TABLE:
            own, best = (_ROWS, *own), []
        order = self._by_price(able)
        early = set([name for name in order if name.startswith(_WALKS)][:_EARLY])

        def rank(name: str) -> int:
            if name in early:
                return 1
            if _ROWS in own and name.startswith(_ROWS):
                return 0
            return 2 if name.startswith((*own, _WALKS, _SCENARIOS)) else 3

        order.sort(key=rank)  # else as it was
        chosen, left_s = [], most_s
        for name in [*best, *(name for name in order if name not in best)]:
            left_s -= self.seconds[name]
            if left_s < 0:
                break
            chosen.append((name, self.seconds[name]))
        return chosen

    def _by_price(self, names: Iterable[str]) -> list[str]:
        # One case of each test first, then the second one of each: others of the same test mostly see the same.
        seen: Counter[str] = Counter()
        keyed = []
        for name in sorted(names, key=lambda name: (self.seconds[name], name)):
            test = name.split("[")[0]
            keyed.append((seen[test], self.seconds[name], name))
            seen[test] += 1
        return [name for _, _, name in sorted(keyed)]

    def _that_run(self, mutant: Mutant) -> set[str]:
        lines = self.runs[mutant.file]
        if mutant.where:
            # An expression over several lines runs with the line that it begins in.
            before = [number for number in lines if number <= mutant.line]
            return set(lines[max(before)]) if before else set()
        if mutant.file == _TABLE:
            return set(self.seconds)
        return self._that_use(mutant) or set(self.seconds)

    def _that_use(self, mutant: Mutant) -> set[str]:
        # A constant: the tests that run a line with its name in it, in any module.
        names = _NAMES.match(mutant.text)
        if names is None:
            return set()
        word = re.compile(rf"\b({names[1].replace(', ', '|')})\b")
        able: set[str] = set()
        for file, lines in self.runs.items():
            text = (PACKAGE / file).read_text(encoding="utf-8").splitlines()
            able.update(*(names for number, names in lines.items() if word.search(text[number - 1])))
        return able
