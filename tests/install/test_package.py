"""The package for MicroPython's own installer: up to date, and a board can be switched to it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from board.test_service import mpremote, running

from loopwarden_install.package import STAGED, contents
from loopwarden_install.version import FIRMWARE

from .install_bench import NEW, NEW_DIGEST, Start, blank_image, in_service, mounted, old_image

SWITCH = (
    f"import sys; sys.path.insert(0, '/{STAGED}'); from loopwarden.board.installed import switch; switch('{STAGED}')"
)


@pytest.mark.parametrize("path", list(contents()), ids=lambda path: path.name)
def test_it_is_written_anew_after_every_change_of_the_firmware(path):
    assert path.read_bytes() == contents()[path], "run: python -m loopwarden_install.package"


def test_it_names_every_file_of_the_firmware_once():
    urls = json.loads((FIRMWARE / "package.json").read_text())["urls"]
    there = {p.relative_to(FIRMWARE).as_posix() for p in FIRMWARE.rglob("*") if p.suffix in (".py", ".txt")}
    assert [source for _, source in urls] == sorted({source for _, source in urls}, key=[u[1] for u in urls].index)
    assert {source for _, source in urls} == there
    assert all(target == f"{STAGED}/{source}" for target, source in urls)


@pytest.mark.parametrize("make", [blank_image, old_image])
def test_a_board_gets_it_from_mpremote_and_switches_by_itself(make, tmp_path):
    """`mpremote mip install`, the build, then one line on the board; its folder gets a name of its own."""
    from loopwarden_build.integer_build import to_device
    from loopwarden_build.pack import pack_bytes

    build = tmp_path / "build.bin"
    build.write_bytes(pack_bytes(to_device(NEW)))
    image = make(tmp_path / "flash.img")
    with running(in_service(), image) as port:
        got = mpremote(port, "mip", "install", "--target=/", str(FIRMWARE / "package.json"))
        assert got.returncode == 0, got.stdout + got.stderr
        assert mpremote(port, "fs", "cp", str(build), f":/{STAGED}/build.bin").returncode == 0
        switched = mpremote(port, "exec", SWITCH)
        assert switched.returncode == 0, switched.stderr + switched.stdout
    top = mounted(image.read_bytes()).listdir("/")
    assert STAGED not in top
    start = Start(tmp_path, image.read_bytes())
    assert start.safe
    assert NEW_DIGEST in start.said


def test_a_file_that_came_damaged_is_named_and_nothing_is_switched(tmp_path):
    image = old_image(tmp_path / "flash.img")
    with running(in_service(), image) as port:
        assert mpremote(port, "mip", "install", "--target=/", str(FIRMWARE / "package.json")).returncode == 0
        broken = tmp_path / "loop.py"
        broken.write_text("pass")
        mpremote(port, "fs", "cp", str(broken), f":/{STAGED}/loopwarden/loop.py")
        switched = mpremote(port, "exec", SWITCH)
    assert switched.returncode == 1
    assert f"/{STAGED}/loopwarden/loop.py is missing or damaged" in switched.stderr + switched.stdout
    start = Start(tmp_path, image.read_bytes())
    assert (start.which, start.keeps_codes) == ("old", True)


def test_the_command_writes_both(tmp_path):
    before = {path: path.read_bytes() for path in contents()}
    done = subprocess.run([sys.executable, "-m", "loopwarden_install.package"], check=False, cwd=Path(__file__).parent)
    assert done.returncode == 0
    assert {path: path.read_bytes() for path in before} == before
