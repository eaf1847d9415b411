"""The package.json for MicroPython's own installer, and the list of digests that goes with it.

`python -m loopwarden_install.package` writes both into firmware/, after every change there. That installer copies file
by file and checks nothing, so it copies into a folder of its own, and the board's own `switch` does the rest: see the
contributor's guide.
"""

import json
from pathlib import Path

from loopwarden import VERSION
from loopwarden_install.version import FIRMWARE, LIST, PREFIX, listing, sources

STAGED = PREFIX + "staged"


def contents() -> dict[Path, bytes]:
    """Both files, by where they lie."""
    files = {name: path.read_bytes() for name, path in sources()}
    urls = [[f"{STAGED}/{name}", name] for name in (*files, LIST)]
    package = {"version": VERSION, "urls": urls, "deps": []}
    return {
        FIRMWARE / "package.json": (json.dumps(package, indent=1) + "\n").encode(),
        FIRMWARE / LIST: listing(files),
    }


if __name__ == "__main__":
    for path, content in contents().items():
        path.write_bytes(content)
