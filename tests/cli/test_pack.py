"""`loopwarden pack`: the file that the board loads, the same bytes every time, and none for a bad build."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from loopwarden.build import load
from loopwarden_cli.main import main

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"
TRUCK = str(BUILDS / "orchard_truck.toml")


def test_the_board_loads_what_was_written(capsys, tmp_path):
    target = tmp_path / "truck.lw"
    assert main(["pack", TRUCK, "-o", str(target)]) == 0
    data = target.read_bytes()
    assert load(data).name == "orchard utility truck"
    digest = data.split(b"\n", 1)[0].split(b" ")[2].decode()
    assert capsys.readouterr().out == f"{target}: {len(data)} bytes, digest {digest}\n"


def test_json_tells_where_and_what(capsys, tmp_path):
    target = tmp_path / "truck.lw"
    assert main(["pack", TRUCK, "-o", str(target), "--json"]) == 0
    data = target.read_bytes()
    assert json.loads(capsys.readouterr().out) == {
        "build": TRUCK,
        "file": str(target),
        "bytes": len(data),
        "digest": data.split(b"\n", 1)[0].split(b" ")[2].decode(),
    }


def test_the_bytes_do_not_depend_on_the_process(tmp_path):
    """Hash seeds change the order of sets; the packed file must not show it."""
    written = set()
    for seed in ("1", "2"):
        target = tmp_path / f"{seed}.lw"
        subprocess.run(
            [sys.executable, "-m", "loopwarden_cli.main", "pack", TRUCK, "-o", str(target)],
            env={**os.environ, "PYTHONHASHSEED": seed},
            check=True,
            capture_output=True,
        )
        written.add(target.read_bytes())
    assert len(written) == 1


@pytest.mark.parametrize(("old", "new", "exit_code"), [('"400 J"', '"100 J"', 1), ('"380 V"', '"380"', 2)])
def test_a_bad_build_leaves_the_old_file_alone(capsys, tmp_path, old, new, exit_code):
    source, target = tmp_path / "b.toml", tmp_path / "b.lw"
    source.write_text(Path(TRUCK).read_text().replace(old, new, 1))
    target.write_bytes(b"old")
    assert main(["pack", str(source), "-o", str(target)]) == exit_code
    assert target.read_bytes() == b"old"


def test_a_place_that_cannot_be_written_is_2(capsys, tmp_path):
    target = tmp_path / "no" / "b.lw"
    assert main(["pack", TRUCK, "-o", str(target)]) == 2
    assert capsys.readouterr().err == f"{target}: cannot be written: No such file or directory\n"


def test_a_missing_target_is_wrong_use(capsys):
    with pytest.raises(SystemExit) as left:
        main(["pack", TRUCK])
    assert left.value.code == 2
    assert "-o" in capsys.readouterr().err
