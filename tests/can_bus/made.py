"""Frames as a board sends them, packed by cantools from values, with a counter and a checksum of crccheck."""

import cantools
from crccheck.crc import Crc8SaeJ1850

from loopwarden_can.frames import DBC, FIRST_ID

DATABASE = cantools.database.load_file(DBC)


def frame(name, count, first_id=FIRST_ID, **values):
    """Identifier and bytes of a message; what is not given is 0."""
    message = DATABASE.get_message_by_name(name)
    given = {signal.name: 0 for signal in message.signals} | values | {"Counter": count & 15}
    identifier = message.frame_id - FIRST_ID + first_id
    return sealed(identifier, message.encode(given, strict=False))


def sealed(identifier, data):
    return identifier, data[:7] + bytes((Crc8SaeJ1850.calc(identifier.to_bytes(2, "little") + data[:7]),))
