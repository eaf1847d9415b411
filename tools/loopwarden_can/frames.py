"""What the frames of a board mean: the DBC file read by cantools, counters and checksums looked at.

Decides nothing about the drive. A frame that is mangled, misplaced or not ours is counted and never read.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cantools
from cantools.database.can import Database, Message, Signal
from crccheck.crc import Crc8SaeJ1850

DBC = Path(__file__).parent / "loopwarden.dbc"
FIRST_ID = 0x5C0  # of the DBC as it is written
FIRST_ID_MAX = 0x7FA  # six identifiers follow each other, and 0x7FF is the last
LENGTH = 8
_COUNTER = 6  # byte, its lower half


def messages(first_id: int = FIRST_ID) -> dict[int, Message]:
    """The messages of the DBC by identifier, for a build with this first identifier."""
    database = cantools.database.load_file(DBC)
    assert isinstance(database, Database)
    return {message.frame_id - FIRST_ID + first_id: message for message in database.messages}


def checksum(identifier: int, data: bytes) -> int:
    """Of a frame, CRC-8 of SAE J1850: over its identifier, low byte first, and the bytes before the last one."""
    return int(Crc8SaeJ1850.calc(identifier.to_bytes(2, "little") + data[: LENGTH - 1]))


@dataclass
class Heard:
    """What frames told so far. latest: by message name, the values of its last good frame, None without a reading.

    mangled   frames of our identifiers with a wrong length or checksum; they are not read
    lost      frames that are missing by their counters
    repeated  frames whose counter stood still; they are not read
    faults    by place in the list of active faults, the values of the Fault frames of one round
    """

    first_id: int = FIRST_ID
    latest: dict[str, dict[str, Any]] = field(default_factory=dict)
    mangled: int = 0
    lost: int = 0
    repeated: int = 0
    faults: dict[int, dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._messages = messages(self.first_id)
        self._counts: dict[int, int] = {}

    def hear(self, identifier: int, data: bytes) -> str:
        """Take one frame; the name of its message, "" where it is none or not to be believed."""
        message = self._messages.get(identifier)
        if message is None:
            return ""
        if len(data) != LENGTH or data[-1] != checksum(identifier, data):
            self.mangled += 1
            return ""
        count = data[_COUNTER] & 15
        step = count - self._counts.get(identifier, count - 1) & 15
        if not step:
            self.repeated += 1
            return ""
        self.lost += step - 1
        self._counts[identifier] = count
        self.latest[message.name] = readings(message, data)
        if message.name == "Fault":
            self._fault(self.latest["Fault"])
        return message.name

    def _fault(self, values: dict[str, Any]) -> None:
        if values["FaultIndex"] == 0:
            self.faults = {}
        if values["FaultRow"]:
            self.faults[values["FaultIndex"]] = values

    def whole_round(self) -> bool:
        """Whether the bus and every active fault were told, as many of them as the last status counts."""
        if not {"Status", "Voltages", "Fault"} <= self.latest.keys():
            return False
        return bool(len(self.faults) == self.latest["Status"]["ActiveFaults"])


def readings(message: Message, data: bytes) -> dict[str, Any]:
    """The values of a frame without counter and checksum; None where it says that there is no reading (S10)."""
    values: dict[str, Any] = message.decode_simple(data, decode_choices=False)
    raw: dict[str, Any] = message.decode_simple(data, decode_choices=False, scaling=False)
    return {
        signal.name: _rounded(signal, values[signal.name]) if _is_reading(signal, raw[signal.name]) else None
        for signal in message.signals
        if signal.name not in ("Counter", "Checksum")
    }


def _rounded(signal: Signal, value: float) -> float:
    # To what one step of the signal is worth, and not to what the sum of binary fractions makes of it.
    return value if signal.scale == 1 else round(value, 3)


def _is_reading(signal: Signal, raw: int) -> bool:
    # The mark for none lies beside the range that the DBC gives.
    assert signal.minimum is not None
    assert signal.maximum is not None
    return round(signal.minimum / signal.scale) <= raw <= round(signal.maximum / signal.scale)
