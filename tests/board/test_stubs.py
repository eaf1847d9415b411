"""The board package against the published stubs of MicroPython's RP2 port: every call and argument exists there.

Source: micropython-rp2-rpi-pico-stubs and micropython-stdlib-stubs, of the minimum runtime 1.29. Device code carries no
annotations, so what is checked is names, arguments and their types where they can be inferred.
"""

import subprocess
import sys
from importlib.metadata import distribution
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
SETTINGS = """
[mypy]
python_version = 3.11
check_untyped_defs = True
strict_optional = False
disable_error_code = var-annotated
mypy_path = {stubs}:{standard}:{firmware}
custom_typeshed_dir = {standard}
explicit_package_bases = True

[mypy-can_controller]
# a driver that is to come: no module of MicroPython's
ignore_missing_imports = True
"""


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """Run the type checker over some files as a board sees them; its complaints about these."""
    folder = tmp_path_factory.mktemp("stubs")
    places = {}
    for key, name in (("stubs", "micropython-rp2-rpi-pico-stubs"), ("standard", "micropython-stdlib-stubs")):
        places[key] = folder / key
        for file in distribution(name).files or ():
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                target = places[key] / file
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(Path(str(file.locate())).read_bytes())
    settings = folder / "mypy.ini"
    settings.write_text(SETTINGS.format(**places, firmware=FIRMWARE))

    def run(*files):
        command = [sys.executable, "-m", "mypy", "--config-file", settings, "--cache-dir", folder / "cache", *files]
        done = subprocess.run(list(map(str, command)), cwd=FIRMWARE.parent, capture_output=True, text=True, check=False)
        assert "error: " not in done.stderr, done.stderr
        assert "Found " in done.stdout or "Success" in done.stdout, done.stdout + done.stderr
        ours = {str(Path(file).name) for file in files}
        return [line for line in done.stdout.splitlines() if Path(line.split(":")[0]).name in ours]

    return run


@pytest.mark.outside(
    subject="board and runtime",
    source="computed apart, mypy with the published type stubs of the board's MicroPython",
    value="every call into the board's own modules exists there",
)
def test_the_board_package_and_both_starters_use_what_there_is(checked):
    files = [FIRMWARE / "boot.py", FIRMWARE / "main.py", *sorted((FIRMWARE / "loopwarden" / "board").glob("*.py"))]
    assert len(files) > 10
    assert checked(*files) == []


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("from machine import Pin\nPin(3, Pin.IN).high_impedance()", '"Pin" has no attribute "high_impedance"'),
        ("from machine import WDT\nWDT(timeout_s=2)", "WDT"),
        ("from machine import SPI, Pin\nSPI(0, speed=1)", "SPI"),
        ("import rp2\nrp2.Flash().erase()", '"Flash" has no attribute "erase"'),
    ],
)
def test_what_there_is_not_would_be_found(checked, tmp_path, line, words):
    wrong = tmp_path / "wrong.py"
    wrong.write_text(f"def use():\n    {line.replace(chr(10), chr(10) + '    ')}\n")
    found = checked(wrong)
    assert any(words in told for told in found), found
