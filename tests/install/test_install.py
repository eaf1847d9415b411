"""Installing on the virtual board: what it refuses, what it says, and that it leaves the board as it should."""

import json
import os
import re
import subprocess
import sys
from dataclasses import replace

import pytest
from board.test_service import running
from sim.board_bench import fresh_image
from sim.scenario_files import CART, TRUCK
from sim.test_virtual_board import live

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_build.pack import pack_bytes
from loopwarden_install import install as steps
from loopwarden_install.install import Found, InstallError, install, may_install
from loopwarden_install.version import version_of
from loopwarden_sim.scenario import Action
from loopwarden_sim.virtual_board import BLOCK, BLOCKS

from .install_bench import NEW_DIGEST, Start, blank_image, in_service, mounted, new_version, old_image, order


def command(*args, state=None):
    """The command; without a folder for what this computer remembers it remembers nothing."""
    more = ["--no-remember"] if state is None else []
    done = subprocess.run(
        [sys.executable, "-m", "loopwarden_cli.main", "install", *map(str, args), *more],
        env={**os.environ, "XDG_STATE_HOME": str(state)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def test_on_a_board_with_nothing_but_micropython(tmp_path):
    image = blank_image(tmp_path / "flash.img")
    with running(in_service(), image) as port:
        code, out, err = command(CART, "--port", port)
    assert code == 0, out + err
    assert "No whole program is on it: nothing on it can say whether the bus is dead. Prove it." in err
    assert re.search(r"Installed: nothing -> version-[0-9a-f]{8}; program 0\.1\.0, build [0-9a-f]{12}", out)
    assert "Next: `loopwarden commission" in out


def test_an_update_says_what_was_there_what_is_now_and_answers(tmp_path):
    image = old_image(tmp_path / "flash.img")
    old = mounted(image.read_bytes()).listdir("/")
    with running(in_service(), image) as port:
        done = install(port, order())
    assert [done.before] == [name for name in old if name.startswith("version-")]
    assert done.now == new_version().name
    assert done.answer["build"] == NEW_DIGEST
    assert Start(tmp_path, image.read_bytes()).keeps_codes
    assert done.before not in mounted(image.read_bytes()).listdir("/")  # after the first good start


def test_installing_what_is_there_already_changes_nothing_and_is_fine(tmp_path):
    image = fresh_image(live(CART), tmp_path / "flash.img")
    with running(in_service(), image) as port:
        code, out, _ = command(CART, "--port", port, "--json")
    facts = json.loads(out)
    assert (code, facts["before"]) == (0, facts["now"])


def test_a_board_that_was_wiped_since_it_was_seen_is_noticed(tmp_path):
    """Its memory is new: no faults there prove nothing."""
    image = old_image(tmp_path / "flash.img")
    with running(in_service(), image) as port:
        assert "Caution" not in command(CART, "--port", port, state=tmp_path)[1]
        boards = tmp_path / "loopwarden" / "boards.json"
        seen = json.loads(boards.read_text())
    blank_image(image)
    with running(in_service(), image) as port:
        seen["ports"] = {port: next(iter(seen["boards"]))}
        boards.write_text(json.dumps(seen))
        code, out, _ = command(CART, "--port", port, state=tmp_path)
    assert code == 0
    assert "Caution: this board's memory was wiped or replaced since" in out


def test_a_running_supervisor_is_left_alone(tmp_path):
    image = fresh_image(live(CART), tmp_path / "flash.img")
    with running(replace(live(CART), events=()), image) as port:
        code, out, _ = command(CART, "--port", port)
    assert code == 1
    assert "refused, the supervisor runs on it: type `service` at its console" in out


def test_a_live_bus_is_refused(tmp_path):
    """The board measures it itself, with its own build, at its prompt."""
    image = old_image(tmp_path / "flash.img")
    before = image.read_bytes()
    charged = in_service((2, Action("strike", "bleed_open")), start=(("bus_v", 60.0),))
    with (
        running(charged, image) as port,
        pytest.raises(InstallError, match=r"refused, the bus reads \d\d\.\d V and is dead below 15\.8 V"),
    ):
        install(port, order())
    assert image.read_bytes() == before
    assert Start(tmp_path, image.read_bytes()).which == "old"


def test_another_build_is_refused_unless_it_is_said(tmp_path):
    image = fresh_image(live(CART), tmp_path / "flash.img")
    truck = tmp_path / "other.toml"
    truck.write_text(CART.read_text().replace('name = "bench cart"', 'name = "second cart"', 1))
    with running(in_service(), image) as port:
        code, out, _ = command(truck, "--port", port)
        assert code == 1
        assert "this board holds the build 'bench cart', not 'second cart'" in out
        assert command(truck, "--port", port, "--other-build")[0] == 0


def test_a_build_for_another_chip_is_refused(tmp_path):
    image = fresh_image(live(CART), tmp_path / "flash.img")
    other = tmp_path / "other.toml"
    other.write_text(CART.read_text().replace('chip = "rp2040"', 'chip = "rp2350"', 1))
    with running(in_service(), image) as port:
        code, out, _ = command(other, "--port", port)
    assert code == 1
    assert "the build is for an RP2350, this board has an RP2040" in out


def test_on_an_rp2350(tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(CART.read_text().replace('chip = "rp2040"', 'chip = "rp2350"', 1))
    scenario = replace(in_service(), build=read_build(other))
    with running(scenario, blank_image(tmp_path / "flash.img")) as port:
        code, out, err = command(other, "--port", port)
    assert code == 0, out + err
    assert "RP2350, MicroPython 1.29" in err


def test_a_full_flash_is_refused_before_anything_is_changed(tmp_path):
    image = old_image(tmp_path / "flash.img")
    fs = mounted(image.read_bytes())
    with fs.open("photo.bin", "wb") as file:
        file.write(b"x" * (BLOCKS * BLOCK - fs.used_block_count * BLOCK - 40 * BLOCK))
    image.write_bytes(bytes(fs.context.buffer))
    with (
        running(in_service(), image) as port,
        pytest.raises(InstallError, match=r"KB left and \d+ KB are needed") as no,
    ):
        install(port, order())
    assert "photo.bin" in str(no.value)
    assert Start(tmp_path, image.read_bytes()).which == "old"


def test_a_flash_that_fills_up_on_the_way_is_told_and_the_old_version_starts(tmp_path, monkeypatch):
    image = old_image(tmp_path / "flash.img")
    fs = mounted(image.read_bytes())
    with fs.open("photo.bin", "wb") as file:
        file.write(b"x" * (BLOCKS * BLOCK - fs.used_block_count * BLOCK - 40 * BLOCK))
    image.write_bytes(bytes(fs.context.buffer))
    monkeypatch.setattr(steps, "room_for", lambda version: 0)
    with (
        running(in_service(), image) as port,
        pytest.raises(InstallError, match=r"its flash filled up; it still starts"),
    ):
        install(port, order())
    start = Start(tmp_path, image.read_bytes())
    assert (start.which, start.keeps_codes) == ("old", True)


@pytest.mark.parametrize("name", ["loopwarden/kept.mpy", "loopwarden/policy/fault_texts.txt", "build.bin"])
def test_a_damaged_version_is_named_and_installed_anew(name, tmp_path):
    image = old_image(tmp_path / "flash.img")
    fs = mounted(image.read_bytes())
    folder = next(entry for entry in fs.listdir("/") if entry.startswith("version-"))
    with fs.open(f"{folder}/{name}", "ab") as file:
        file.write(b"!")
    image.write_bytes(bytes(fs.context.buffer))
    before = Start(tmp_path, image.read_bytes())
    assert before.which == "prompt"
    assert "The last start failed: ValueError: " + ("build" if name == "build.bin" else "install") in before.said
    with running(in_service(), image) as port:
        code, out, err = command(CART, "--port", port)
    assert code == 0, out
    assert "No whole program is on it" in err
    assert (Start(tmp_path, image.read_bytes()).which) == "old"


@pytest.mark.parametrize(
    ("name", "code"), [("loopwarden/kept.mpy", "install incomplete"), ("build.bin", "build rejected")]
)
def test_what_kept_it_from_starting_is_a_stored_code_after_the_next_good_start(name, code, tmp_path):
    """S11: a code says why; rows 77 and 78, which no board could store while it did not run."""
    image = old_image(tmp_path / "flash.img")
    fs = mounted(image.read_bytes())
    path = f"{next(entry for entry in fs.listdir('/') if entry.startswith('version-'))}/{name}"
    with fs.open(path, "rb") as file:
        whole = file.read()
    with fs.open(path, "wb") as file:
        file.write(whole[:-1])
    bad = bytes(fs.context.buffer)
    assert Start(tmp_path, bad).which == "prompt"
    fs = mounted((tmp_path / "cut.img").read_bytes())  # as that start has left it
    with fs.open(path, "wb") as file:
        file.write(whole)
    start = Start(tmp_path, bytes(fs.context.buffer))
    assert start.which == "old"
    assert re.search(rf"{code} +1  past", start.said), start.said


def test_no_board_at_the_port_is_one_line(tmp_path):
    code, out, err = command(CART, "--port", "/dev/nothing-here")
    assert (code, err) == (1, "")
    assert out.count("\n") == 1
    assert "there is no such port" in out


def test_a_build_that_is_only_simulated_is_wrong_use(tmp_path):
    text = CART.read_text()
    path = tmp_path / "build.toml"
    path.write_text(text[: text.index("[pins]")])
    code, _, err = command(path, "--port", "/dev/null")
    assert code == 2
    assert "it can only be simulated" in err


FOUND = Found((1, 29, 0), "rp2040", 1 << 20, "version-00000000", ("version-00000000",), "bench cart", 100, 15_800)


def test_a_bus_channel_that_cannot_say_needs_a_meter():
    """S10: no reading is no zero."""
    unknown = replace(FOUND, bus_mv=None)
    with pytest.raises(InstallError, match="gives no valid reading"):
        may_install("port", unknown, order())
    may_install("port", unknown, order(by_meter=True))


def test_the_meter_is_no_way_round_a_reading_that_says_live():
    with pytest.raises(InstallError, match="refused, the bus reads"):
        may_install("port", replace(FOUND, bus_mv=15_800), order(by_meter=True))
    may_install("port", replace(FOUND, bus_mv=15_799), order())


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ("((1, 28, 0), 6, 2, 1000000, '', [])", "its MicroPython is 1.28.0; put 1.29 or newer"),
        ("((1, 29, 0), 5, 2, 1000000, '', [])", "put 1.29 or newer"),
        ("((1, 29, 0), 6, -1, 1000000, '', [])", "neither an RP2040 nor an RP2350"),
        ("garbage", "no board with MicroPython for a Pico"),
        ("", "no board with MicroPython for a Pico"),
        ("(1, 2)", "no board with MicroPython for a Pico"),
    ],
)
def test_a_wrong_board_is_named_before_anything_is_changed(told, words):
    class Wrong:
        port = "/dev/ttyX"

        def run(self, code, wait_s=0.0):
            return told

    with pytest.raises(InstallError, match=words) as no:
        steps.look(Wrong())
    assert str(no.value).startswith("/dev/ttyX: ")


def test_the_truck_fits_beside_its_predecessor():
    """Two versions and the fault memory on a flash of 2 MB, of which MicroPython leaves 1408 KB."""
    version = version_of(pack_bytes(to_device(read_build(TRUCK))))
    assert 2 * steps.room_for(version) < BLOCKS * BLOCK
