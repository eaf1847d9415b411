"""The integer build as the bytes that the board loads: a line with the digest, then one JSON object.

The same build always gives the same bytes: keys sorted, no spaces, ASCII. `loopwarden.build` reads them back.
"""

import hashlib
import json
from typing import Any

from loopwarden.build import MAGIC


def pack_bytes(values: dict[str, Any]) -> bytes:
    """Return the packed file of a device's values (`integer_build.to_device`)."""
    return b"%s %s\n%s" % (MAGIC, digest_of(values).encode("ascii"), _body(values))


def digest_of(values: dict[str, Any]) -> str:
    """SHA-256 in lower-case hex of all bytes after the first line: the name of exactly this build."""
    return hashlib.sha256(_body(values)).hexdigest()


def _body(values: dict[str, Any]) -> bytes:
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode("ascii")
