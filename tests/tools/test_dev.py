"""tools/dev.py trusts an environment only if it was finished, and for what the files say now."""

import ast
import importlib.util
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEV = ROOT / "tools" / "dev.py"

PYPROJECT = """
[build-system]
requires = ["hatchling"]
[project]
name = "orchard"
scripts = {orchard = "orchard:main"}
[tool.ruff]
line-length = 100
"""


@pytest.fixture
def dev():
    """A fresh copy of the program as a module."""
    spec = importlib.util.spec_from_file_location("dev_under_test", DEV)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def tree(tmp_path):
    """A project with a lock and nothing set up."""
    (tmp_path / "requirements.lock").write_text("rich==1\n")
    (tmp_path / "pyproject.toml").write_text(PYPROJECT)
    return tmp_path


@pytest.fixture
def steps(dev, tree, monkeypatch):
    """The names of the set-up steps run so far; `interrupt_at` cuts one off half-way."""
    log = SimpleNamespace(names=[], interrupt_at=None)

    def run(command, **options):
        words = [str(word) for word in command]
        name = "venv" if "venv" in words else "lock" if "--require-hashes" in words else "project"
        log.names.append(name)
        if name == "venv":
            programs = tree / ".venv" / dev.BIN
            programs.mkdir(parents=True)  # fails if anything of an earlier try is still there
            (programs / "python").touch()
        if name == log.interrupt_at:
            raise KeyboardInterrupt
        return subprocess.CompletedProcess(command, 0, "", "")

    monkeypatch.setattr(dev.subprocess, "run", run)
    return log


def set_up(dev, tree, steps):
    """Set up once; return the steps that this took."""
    steps.names.clear()
    dev.make_environment(tree)
    return list(steps.names)


def test_a_second_run_sets_up_nothing(dev, tree, steps):
    assert set_up(dev, tree, steps) == ["venv", "lock", "project"]
    assert set_up(dev, tree, steps) == []


def test_a_changed_lock_makes_everything_anew(dev, tree, steps):
    set_up(dev, tree, steps)
    (tree / "requirements.lock").write_text("rich==2\n")
    assert set_up(dev, tree, steps) == ["venv", "lock", "project"]
    assert set_up(dev, tree, steps) == []


def test_another_python_makes_everything_anew(dev, tree, steps, monkeypatch):
    set_up(dev, tree, steps)
    monkeypatch.setattr(dev.sys, "version_info", (3, 99, 0))
    assert set_up(dev, tree, steps) == ["venv", "lock", "project"]


def test_a_moved_project_makes_everything_anew(dev, tree, tmp_path_factory):
    """The environment's programs hold its full path."""
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "requirements.lock").write_bytes((tree / "requirements.lock").read_bytes())
    assert dev.locked_key(elsewhere) != dev.locked_key(tree)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ("orchard:main", "orchard:other", ["project"]),
        ("hatchling", "hatchling>=1", ["project"]),
        ("line-length = 100", "line-length = 90", []),
    ],
)
def test_only_what_an_install_depends_on_installs_the_project_again(dev, tree, steps, before, after, expected):
    set_up(dev, tree, steps)
    (tree / "pyproject.toml").write_text(PYPROJECT.replace(before, after))
    assert set_up(dev, tree, steps) == expected


@pytest.mark.parametrize(
    ("interrupted", "then"),
    [
        ("venv", ["venv", "lock", "project"]),
        ("lock", ["venv", "lock", "project"]),
        ("project", ["project"]),
    ],
)
@pytest.mark.parametrize("was_finished_before", [False, True])
def test_an_interrupted_set_up_is_done_again(dev, tree, steps, interrupted, then, was_finished_before):
    if was_finished_before:
        set_up(dev, tree, steps)
        (tree / "requirements.lock").write_text("rich==2\n")
    steps.interrupt_at = interrupted
    with pytest.raises(KeyboardInterrupt):
        set_up(dev, tree, steps)
    steps.interrupt_at = None
    assert set_up(dev, tree, steps) == then
    assert set_up(dev, tree, steps) == []


def test_a_lock_put_back_after_an_interruption_does_not_bring_the_old_stamp_back(dev, tree, steps):
    """The half-made environment belongs to neither lock."""
    set_up(dev, tree, steps)
    (tree / "requirements.lock").write_text("rich==2\n")
    steps.interrupt_at = "lock"
    with pytest.raises(KeyboardInterrupt):
        set_up(dev, tree, steps)
    steps.interrupt_at = None
    (tree / "requirements.lock").write_text("rich==1\n")
    assert set_up(dev, tree, steps) == ["venv", "lock", "project"]


def test_a_half_written_stamp_is_not_trusted(dev, tree, steps):
    set_up(dev, tree, steps)
    stamp = tree / ".venv" / "locked.stamp"
    stamp.write_text(stamp.read_text()[:20])
    assert set_up(dev, tree, steps) == ["venv", "lock", "project"]


def test_an_environment_without_its_python_is_made_anew(dev, tree, steps):
    set_up(dev, tree, steps)
    (tree / ".venv" / dev.BIN / "python").unlink()
    assert set_up(dev, tree, steps) == ["venv", "lock", "project"]


def test_no_network_is_one_line_that_says_so(dev):
    """Port 9 of this machine answers nobody, as a network that is not there."""
    command = [sys.executable, "-m", "pip", "--isolated", "--disable-pip-version-check", "install", "--retries", "0"]
    with pytest.raises(dev.SetUpError) as failed:
        dev.run_set_up([*command, "--index-url", "http://127.0.0.1:9/", "loopwarden-is-not-there"], "installing")
    assert str(failed.value) == "installing failed: the package index cannot be reached; is there a network?"


def test_a_failed_step_is_one_line_with_the_tool_s_own_reason(dev):
    code = "import sys; sys.exit('Collecting things\\nERROR: hashes are wrong\\nERROR: more')"
    with pytest.raises(dev.SetUpError, match=r"\Ainstalling failed: ERROR: hashes are wrong\Z"):
        dev.run_set_up([sys.executable, "-c", code], "installing")


def test_an_old_python_gets_one_line_and_exit_code_2():
    pretend = f"import runpy, sys; sys.version_info = (3, 10, 9); runpy.run_path({str(DEV)!r}, run_name='__main__')"
    done = subprocess.run([sys.executable, "-c", pretend], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "dev.py: needs Python 3.11 or newer, this is 3.10\n"


def test_an_old_python_can_read_the_file_as_far_as_that_line():
    """A syntax error would come before the check."""
    ast.parse(DEV.read_text(encoding="utf-8"), feature_version=(3, 7))


@pytest.fixture
def calls(dev, monkeypatch):
    """What was called, as the words after the program; `codes` gives exit codes by tool."""
    log = SimpleNamespace(commands=[], codes={})

    def call(command, programs):
        words = [str(word).removeprefix(f"{programs}/") for word in command]
        log.commands.append(words)
        return next((code for tool, code in log.codes.items() if tool in words), 0)

    monkeypatch.setattr(dev, "call", call)
    monkeypatch.setattr(dev, "make_environment", lambda root: Path("programs"))
    return log


def run_dev(dev, monkeypatch, *words):
    monkeypatch.setattr(dev.sys, "argv", ["dev.py", *words])
    return dev.main()


def test_test_runs_every_check_and_pytest_last(dev, calls, monkeypatch):
    assert run_dev(dev, monkeypatch, "test") == 0
    tools = [words[2] if words[0] == "python" else words[0] for words in calls.commands]
    assert tools == ["ruff", "ruff", "mypy", "lint-imports", "pytest"]


def test_the_first_failure_gives_the_exit_code_and_the_rest_still_runs(dev, calls, monkeypatch, capsys):
    calls.codes = {"mypy": 3, "pytest": 1}
    assert run_dev(dev, monkeypatch, "test") == 3
    assert len(calls.commands) == 5
    assert "failed before pytest: mypy" in capsys.readouterr().out


def test_arguments_go_to_pytest_alone(dev, calls, monkeypatch):
    calls.codes = {"pytest": 5}
    assert run_dev(dev, monkeypatch, "test", "tests/tools", "-x", "-k", "stamp") == 5
    assert calls.commands == [["python", "-m", "pytest", "tests/tools", "-x", "-k", "stamp"]]


def test_pages_writes_the_pages_of_proof(dev, calls, monkeypatch):
    assert run_dev(dev, monkeypatch, "pages") == 0
    assert run_dev(dev, monkeypatch, "pages", "--scenarios") == 0
    assert calls.commands == [["python", "-m", "proof"], ["python", "-m", "proof", "--scenarios"]]


def test_an_unknown_option_is_wrong_use(dev, calls, monkeypatch, capsys):
    with pytest.raises(SystemExit) as left:
        run_dev(dev, monkeypatch, "demo", "--fast")
    assert left.value.code == 2
    assert "--fast" in capsys.readouterr().err
    assert calls.commands == []


def tracked():
    """Paths of all files in version control, relative to the root."""
    listed = subprocess.run(["git", "-C", ROOT, "ls-files", "-z"], capture_output=True, text=True, check=True).stdout
    paths = [Path(name) for name in listed.split("\0") if name and (ROOT / name).is_file()]
    assert Path("tools/dev.py") in paths
    return paths


def test_the_top_level_holds_what_it_may_and_nothing_else():
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    allowed |= {"firmware", "host_sim", "tools", "tests", "hardware_notes"}
    names = {path.parts[0] for path in tracked()}
    assert {name for name in names - allowed if not name.startswith(".") and not name.endswith(".lock")} == set()


UNFINISHED = re.compile(r"\b(?:TO[D]O|FIX[M]E|X[X]X)\b")
ONE_MACHINE_S_PATH = re.compile(r"(?<![\w.])/(?:home|root|work|Users)/")
TRACKER_NUMBER = re.compile(r"\bissue\s+#?\d", re.IGNORECASE)


@pytest.mark.parametrize("unwanted", [UNFINISHED, ONE_MACHINE_S_PATH, TRACKER_NUMBER], ids=lambda p: p.pattern)
def test_no_file_leaves_work_open_or_points_outside_the_project(unwanted):
    found = []
    for path in tracked():
        text = (ROOT / path).read_text(encoding="utf-8", errors="replace")
        lines = [f"{path}", *text.splitlines()]
        found += [f"{path}:{number}: {line}" for number, line in enumerate(lines) if unwanted.search(line)]
    assert found == []


def test_the_lock_pins_every_package_with_hashes_and_names_no_host():
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    blocks = re.split(r"(?<!\\)\n(?=\S)", "\n".join(line for line in text.splitlines() if not line.startswith("#")))
    assert len(blocks) > 20
    for block in blocks:
        assert re.match(r"[a-z0-9-]+==\S+ ", block), block
        assert "--hash=sha256:" in block, block
    assert re.search(r"://|--(?:extra-)?index-url|--find-links", text) is None
