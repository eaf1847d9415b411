"""A CAN bus by way of python-can: opened by its name there, read for a while, or put behind a virtual board."""

import time
from collections.abc import Iterator, Sequence

import can

from loopwarden_can.frames import Heard

EXTENDED = 1 << 29  # marks an identifier of 29 bits, here and on the board
_TAKEN_MAX = 64  # frames that a virtual board is given in a tick
_LOOK_S = 0.1


class CanError(Exception):
    """A bus that cannot be opened or used; the text says why, in one line."""


def open_bus(name: str) -> can.BusABC:
    """The bus that INTERFACE:CHANNEL means to python-can, such as socketcan:can0. Errors: CanError."""
    interface, colon, channel = name.partition(":")
    if not (interface and colon and channel):
        raise CanError(f"CAN bus {name!r}: not INTERFACE:CHANNEL, such as socketcan:can0 or udp_multicast:239.74.163.2")
    if interface not in can.VALID_INTERFACES:
        known = ", ".join(sorted(can.VALID_INTERFACES))
        raise CanError(f"CAN bus {name!r}: python-can has no interface {interface!r}; it has {known}")
    try:
        return can.Bus(channel=channel, interface=interface)
    except Exception as error:  # each interface has its own: no such device, no driver, no network
        raise CanError(f"CAN bus {name!r}: cannot be opened: {_in_a_line(error)}") from None


def listen(bus: can.BusABC, first_id: int, seconds: float) -> Iterator[Heard]:
    """What was heard, once after each frame of the board, for so long. Errors: CanError."""
    heard = Heard(first_id)
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            message = bus.recv(_LOOK_S)
        except (can.CanError, OSError) as error:
            raise CanError(f"the CAN bus broke off: {_in_a_line(error)}") from None
        if message is None or message.is_error_frame or message.is_remote_frame or message.is_extended_id:
            continue
        if heard.hear(message.arbitration_id, bytes(message.data)):
            yield heard


class BoardBus:
    """What a virtual board has at the other end of its CAN controller."""

    def __init__(self, bus: can.BusABC) -> None:
        self._bus = bus

    def heard(self) -> list[tuple[int, bytes]]:
        """What came since the last look, as much as a board gets in a tick. Errors: CanError."""
        found: list[tuple[int, bytes]] = []
        try:
            while len(found) < _TAKEN_MAX and (message := self._bus.recv(0)) is not None:
                if not (message.is_error_frame or message.is_remote_frame) and len(message.data) <= 8:
                    mark = EXTENDED if message.is_extended_id else 0
                    found.append((message.arbitration_id | mark, bytes(message.data)))
        except (can.CanError, OSError) as error:
            raise CanError(f"the CAN bus broke off: {_in_a_line(error)}") from None
        return found

    def say(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """What the board sent in its tick. Errors: CanError."""
        try:
            for number, data in frames:
                self._bus.send(can.Message(arbitration_id=number, data=data, is_extended_id=False))
        except (can.CanError, OSError) as error:
            raise CanError(f"the CAN bus broke off: {_in_a_line(error)}") from None


def _in_a_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
