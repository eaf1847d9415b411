"""Sealing: marker, kind, schema and sequence before a record, a checksum behind it; the same for pages and files.

Decides nothing. What does not carry a good seal is named (damaged, or of another schema) and never guessed at (S8).
"""

import binascii
import struct

from micropython import const

HEAD = const(8)  # bytes before what is sealed
TAIL = const(4)  # and behind it
SCHEMA = const(2)  # another number is another layout of what is sealed
DAMAGED, FOREIGN = const(-1), const(-2)
_MARKER = const(0x574C)  # "LW"


def seal(buffer, size, kind, sequence):
    """Seal the first `size` bytes of a bytearray in place; its content stands between HEAD and size - TAIL.

    kind, sequence  int 0..255, and 0..2**30, growing with every record
    """
    struct.pack_into("<HBBI", buffer, 0, _MARKER, kind, SCHEMA, sequence)
    struct.pack_into("<I", buffer, size - TAIL, binascii.crc32(memoryview(buffer)[: size - TAIL]))


def sealed_kind(buffer, size):
    """Return the kind of a sealed record, DAMAGED, or FOREIGN for a whole one of another schema.

    Checksum: CRC-32 as in IEEE 802.3, which the runtime brings along.
    """
    marker, kind, schema, _ = struct.unpack_from("<HBBI", buffer, 0)
    crc = struct.unpack_from("<I", buffer, size - TAIL)[0]
    if marker != _MARKER or crc != binascii.crc32(memoryview(buffer)[: size - TAIL]):
        return DAMAGED
    return kind if schema == SCHEMA else FOREIGN


def sequence_of(buffer):
    """The sequence of a record with a good seal."""
    return struct.unpack_from("<I", buffer, 4)[0]
