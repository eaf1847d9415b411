"""The integer build as the bytes that the board loads: a line with the digest, then one JSON object.

The same build always gives the same bytes: keys sorted, no spaces, ASCII. `loopwarden.build` reads them back.
"""

import hashlib
import json
from typing import Any

from loopwarden.build import MAGIC


def pack_bytes(values: dict[str, Any]) -> bytes:
    """Return the packed file of a device's values (`integer_build.to_device`)."""
    body = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode("ascii")
    return b"%s %s\n%s" % (MAGIC, digest(body).encode("ascii"), body)


def digest(body: bytes) -> str:
    """SHA-256 in lower-case hex of all bytes after the first line."""
    return hashlib.sha256(body).hexdigest()
