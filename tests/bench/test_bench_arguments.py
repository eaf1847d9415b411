"""What the command says when it is called the wrong way."""

import os
import subprocess
import sys
from pathlib import Path

BENCH = Path(__file__).parent / "bench.py"


def called(*arguments):
    environment = {**os.environ, "PYTHONPATH": str(BENCH.parents[1])}
    command = [sys.executable, str(BENCH), *arguments]
    return subprocess.run(command, capture_output=True, text=True, env=environment, check=False)


def test_a_folder_that_is_not_there_is_said_before_anything_is_measured(tmp_path):
    target = tmp_path / "nowhere" / "figures.json"
    done = called("--json", str(target))
    assert done.returncode == 2
    assert done.stderr == f"bench: --json {target}: there is no folder {target.parent}\n"
    assert done.stdout == ""


def test_an_unknown_option_is_wrong_use():
    done = called("--fast")
    assert done.returncode == 2
    assert "unrecognized arguments: --fast" in done.stderr
    assert "Traceback" not in done.stderr
