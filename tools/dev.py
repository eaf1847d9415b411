#!/usr/bin/env python3
"""One command for a fresh machine: makes the environment in .venv when it is missing or out of date, then runs.

    python3 tools/dev.py demo               drive the orchard truck through a day
    python3 tools/dev.py test [ARG ...]     every check; with arguments pytest alone, given those
    python3 tools/dev.py branches           every branch of the policy is taken by its own tests
    python3 tools/dev.py bench [--json FILE]
    python3 tools/dev.py soak [--minutes N] [--json FILE]
    python3 tools/dev.py pages              write the pages of proof anew

Uses the standard library only. It decides nothing about the project; what it installs is in requirements.lock.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 whoever starts this may have an older one
    sys.stderr.write("dev.py: needs Python 3.11 or newer, this is %d.%d\n" % sys.version_info[:2])  # noqa: UP031
    sys.exit(2)

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = "Scripts" if os.name == "nt" else "bin"
POLICY = "firmware/loopwarden/policy"
# The policy's own tests that take every branch of it; the others take some of them again, more slowly when watched.
COVERING = [
    f"tests/policy/test_{name}.py"
    for name in (
        "down",
        "faults_turns",
        "limits_cooling_charge",
        "monitors",
        "moving",
        "start_checks",
        "unknown_inputs",
        "up",
    )
]
COVERING += ["tests/policy/test_short_ways.py::test_a_bus_that_comes_alive_holds_the_supply_again"]
NO_NETWORK = ("(from versions: none)", "ConnectionPool")  # what pip says of an index it could not read, or lost


class SetUpError(Exception):
    """The environment could not be made; the text is one line for the user."""


def locked_key(root: Path) -> str:
    """Digest of all that the installed packages depend on: the lock, the interpreter, the place."""
    digest = hashlib.sha256((root / "requirements.lock").read_bytes())
    digest.update(f"{sys.version_info[:2]} {root}".encode())
    return digest.hexdigest()


def project_key(root: Path) -> str:
    """Digest of the parts of pyproject.toml that change what an install of the project does."""
    settings = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    parts = [settings.get("build-system"), settings.get("project"), settings.get("tool", {}).get("hatch")]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def is_stamped(stamp: Path, key: str) -> bool:
    """Whether the work that `stamp` stands for was finished, and for this key."""
    return stamp.is_file() and stamp.read_text(encoding="utf-8") == key


def write_stamp(stamp: Path, key: str) -> None:
    """Say that the work is finished; a stamp is there whole or not at all."""
    half = stamp.with_suffix(".half")
    half.write_text(key, encoding="utf-8")
    half.replace(stamp)


def run_set_up(command: Sequence[str | Path], what: str) -> None:
    """Run one step of the set-up quietly; SetUpError with one line if it fails."""
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", stdin=subprocess.DEVNULL)
    if done.returncode == 0:
        return
    output = done.stdout + done.stderr
    if any(sign in output for sign in NO_NETWORK):
        raise SetUpError(f"{what} failed: the package index cannot be reached; is there a network?")
    lines = [line for line in output.splitlines() if line.strip()]
    errors = [line for line in lines if line.startswith("ERROR")]
    raise SetUpError(f"{what} failed: {(errors or lines or ['no message'])[0].strip()}")


def pip_install(venv: Path, options: Sequence[str | Path], what: str) -> None:
    """Install into `venv` with its own pip; SetUpError with one line if that fails."""
    pip: list[str | Path] = [venv / BIN / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    run_set_up([*pip, *options], what)


def make_environment(root: Path) -> Path:
    """Make or complete .venv under `root`; return its folder of programs.

    Each stamp goes before its work begins and comes back after it ended, so an interrupted set-up is done again.
    Errors: SetUpError.
    """
    venv = root / ".venv"
    locked, project = venv / "locked.stamp", venv / "project.stamp"
    if not (is_stamped(locked, locked_key(root)) and (venv / BIN / "python").exists()):
        if Path(sys.prefix).resolve() == venv.resolve():
            raise SetUpError(".venv is out of date and runs this program; start it with the system's python3")
        say("making .venv from requirements.lock (about half a minute, once)")
        locked.unlink(missing_ok=True)
        if venv.exists():
            shutil.rmtree(venv)
        run_set_up([sys.executable, "-m", "venv", venv], "making .venv (does python3 have its venv module?)")
        pip_install(venv, ["--require-hashes", "-r", root / "requirements.lock"], "installing requirements.lock")
        write_stamp(locked, locked_key(root))
    if not is_stamped(project, project_key(root)):
        project.unlink(missing_ok=True)
        pip_install(venv, ["--no-deps", "--no-build-isolation", "--editable", root], "installing the project")
        write_stamp(project, project_key(root))
    return venv / BIN


def say(text: str) -> None:
    """Print at once, so that lines stay in order with those of the programs called."""
    print(f"dev.py: {text}", flush=True)


def call(command: Sequence[str | Path], programs: Path) -> int:
    """Run a program of the environment in the project's folder; return its exit code."""
    path = os.pathsep.join([str(programs), os.environ.get("PATH", "")])
    environment = {**os.environ, "PATH": path, "VIRTUAL_ENV": str(programs.parent)}
    environment["PYTHONPATH"] = str(
        ROOT / "tests"
    )  # benchmarks and pages share code with the tests; nothing else gets in
    return subprocess.run(command, cwd=ROOT, env=environment).returncode


def run_checks(programs: Path) -> int:
    """Run every check, also after one failed; return the exit code of the first that failed, or 0.

    pytest is last, so that its summary is what the reader sees.
    """
    python = programs / "python"
    steps: list[tuple[str, list[str | Path]]] = [
        ("ruff format --check", [python, "-m", "ruff", "format", "--check"]),
        ("ruff check", [python, "-m", "ruff", "check"]),
        ("mypy", [python, "-m", "mypy"]),
        ("lint-imports", [programs / "lint-imports", "--no-logo"]),
        ("pytest", [python, "-m", "pytest", "-n", "2"]),
    ]
    failures: list[tuple[str, int]] = []
    for name, command in steps:
        if name == "pytest" and failures:
            say(f"failed before pytest: {', '.join(failed for failed, _ in failures)}")
        say(f"== {name}")
        started_s = time.monotonic()
        code = call(command, programs)
        if name != "pytest":  # whose own last line says it
            say(f"{'ok' if code == 0 else 'FAILED'}, {time.monotonic() - started_s:.1f} s")
        if code != 0:
            failures.append((name, code))
    return failures[0][1] if failures else 0


def main() -> int:
    """Return the exit code of what was run; 2 when the environment could not be made."""
    parser = argparse.ArgumentParser(prog="dev.py", description="Set up once, then run.")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("demo", help="drive the orchard truck through a day")
    commands.add_parser("test", help="every check; with arguments pytest alone, given those", add_help=False)
    pages = commands.add_parser("pages", help="write the pages of proof anew, from tests and code")
    pages.add_argument("--scenarios", action="store_true", help="run every shipped scenario, not only what changed")
    bench = commands.add_parser("bench", help="measure speed and size")
    bench.add_argument("--json", metavar="FILE", help="write the figures as one flat object")
    commands.add_parser("branches", help="hold that the policy's tests take every branch of it")
    soak = commands.add_parser("soak", help="run what takes long: campaigns, exploration, mutants")
    soak.add_argument("--minutes", default="60", metavar="N", help="time to use; 60 if left out")
    soak.add_argument("--json", metavar="FILE", help="write the figures as one flat object as well")
    args, rest = parser.parse_known_args()
    if rest and args.command != "test":
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    try:
        programs = make_environment(ROOT)
    except SetUpError as error:
        print(f"dev.py: {error}", file=sys.stderr)
        return 2
    python = programs / "python"
    if args.command == "demo":
        return call([python, "-m", "loopwarden_cli.demo"], programs)
    if args.command == "branches":
        return call([python, "-m", "pytest", "-n", "2", f"--cov={POLICY}", *COVERING], programs)
    if args.command == "pages":
        return call([python, "-m", "proof", *(["--scenarios"] if args.scenarios else [])], programs)
    if args.command in ("bench", "soak"):
        target = ["--json", os.path.abspath(args.json)] if args.json else []
        target += ["--minutes", args.minutes] if args.command == "soak" else []
        return call([python, ROOT / "tests" / "bench" / f"{args.command}.py", *target], programs)
    return call([python, "-m", "pytest", *rest], programs) if rest else run_checks(programs)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
