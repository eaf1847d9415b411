"""The lines of the link: a request with its checksum, and what of a received line may be believed.

Decides nothing about time or order; `client` does.
"""

import json
import re
from binascii import crc32
from types import NoneType
from typing import Any

from loopwarden_link.errors import BadRequest

Object = dict[str, Any]

REQUEST_BYTES_MAX = 80  # without the CR; the board throws longer lines away
_BEGIN = b'{"n":'
_SEALED = re.compile(rb'(\{"n":.*),"crc":"([0-9a-f]{8})"\}')


def request_line(n: int, command: str) -> bytes:
    """The whole line that asks `command` under the number `n`, with its CR.

    n       int 0..65535, comes back in every line of the answer
    Errors: BadRequest for a command that no line can carry.
    """
    if not command.isascii() or not command.isprintable():
        raise BadRequest(f"{command!r}: only plain ASCII can be asked")
    body = f"@{n} {command}".encode("ascii")
    line = b"%s *%08x" % (body, crc32(body))
    if len(line) > REQUEST_BYTES_MAX:
        room = REQUEST_BYTES_MAX - (len(line) - len(command))
        raise BadRequest(f"{command!r}: too long for a request, {len(command)} characters where {room} fit")
    return line + b"\r"


def read_line(line: bytes) -> Object | None:
    """The object of a line whose checksum is good; None for everything else: echo, prompt, banner, noise, damage.

    A prompt or a torn line may stand before the object on the same line: no string of an object holds its beginning,
    as a quote inside a string is escaped.
    """
    begin = line.rfind(_BEGIN)
    sealed = _SEALED.fullmatch(line, begin) if begin >= 0 else None
    if sealed is None or int(sealed[2], 16) != crc32(sealed[1]):
        return None
    try:
        found = json.loads(line[begin:])
    except ValueError:  # sealed, yet no JSON: the board's mistake
        return None
    if (
        type(found.get("n")) not in (int, NoneType)
        or type(found.get("i")) is not int
        or not isinstance(found.get("kind"), str)
    ):
        return None
    return dict(found)


def looks_torn(line: bytes) -> bool:
    """Whether a line that `read_line` refused was meant to be part of an answer: damage, not chatter."""
    return b'"crc"' in line or _BEGIN in line
