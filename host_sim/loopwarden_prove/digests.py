"""Which program was proven: digests of the packages as they lie here, alike wherever the files are."""

import hashlib
from functools import cache
from pathlib import Path
from types import ModuleType

import loopwarden
import loopwarden_build
import loopwarden_prove
import loopwarden_sim


@cache
def firmware_digest() -> str:
    """SHA-256 of everything that decides on the board."""
    return _digest(loopwarden)


@cache
def program_digest() -> str:
    """SHA-256 of everything that a finding depends on: the firmware, the build's reader, the simulator, the attacks."""
    return _digest(loopwarden, loopwarden_build, loopwarden_sim, loopwarden_prove)


def _digest(*packages: ModuleType) -> str:
    digest = hashlib.sha256()
    for package in packages:
        folder = Path(str(package.__file__)).parent
        for path in sorted(folder.rglob("*")):
            if path.suffix in (".py", ".txt", ".toml"):
                content = path.read_bytes().replace(b"\r\n", b"\n")  # what a checkout on another system makes of a line
                digest.update(f"{package.__name__}/{path.relative_to(folder).as_posix()} {len(content)}\n".encode())
                digest.update(content)
    return digest.hexdigest()
