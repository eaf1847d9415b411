"""Serial ports: which one is meant, and opening it, with every failure in plain words."""

import errno
from contextlib import suppress
from typing import Protocol

import serial
from serial.tools import list_ports

from loopwarden_link.errors import Lost, OpenError

USB_VENDOR = 0x2E8A  # of Pico-class boards
_BAUD = 115_200  # a USB port ignores it; never 1200, which sends such a board into its boot loader
_POLL_S = 0.05


class Port(Protocol):
    """What the client needs of an open port."""

    def read(self) -> bytes:
        """What has come, b"" after a short wait in which nothing did. Errors: Lost."""

    def write(self, data: bytes) -> None:
        """Send all of it. Errors: Lost."""

    def close(self) -> None:
        """Give the port back; never fails."""


def choose(port: str | None) -> str:
    """The port that was named, or the only board there is. Errors: OpenError that tells how many and which."""
    if port is not None:
        return port
    ports = sorted(list_ports.comports(), key=lambda info: str(info.device))
    boards = [info for info in ports if info.vid == USB_VENDOR]
    if len(boards) == 1:
        return str(boards[0].device)
    if boards:
        named = ", ".join(f"{info.device} (USB serial {info.serial_number or 'not told'})" for info in boards)
        raise OpenError(f"{len(boards)} boards are connected: {named}; say which with --port PORT")
    others = ", ".join(str(info.device) for info in ports) or "none"
    raise OpenError(
        f"no board found: 0 ports with the USB vendor id {USB_VENDOR:04x}; other serial ports: {others}; is it"
        " plugged in, with a data cable? Or name it with --port PORT"
    )


class SerialPort:
    """A port by pyserial, for this program alone. Errors at birth: OpenError."""

    def __init__(self, name: str, write_s: float) -> None:
        self._name = name
        try:
            self._serial = serial.Serial(name, _BAUD, timeout=_POLL_S, write_timeout=write_s, exclusive=True)
        except (OSError, ValueError) as error:
            raise OpenError(f"{name}: {_reason(error)}") from None

    def read(self) -> bytes:
        """What has come, b"" after a short wait in which nothing did. Errors: Lost."""
        try:
            first = bytes(self._serial.read(1))
            return first + bytes(self._serial.read(self._serial.in_waiting)) if first else b""
        except OSError:
            raise Lost(f"{self._name}: the port went away; was it unplugged?") from None

    def write(self, data: bytes) -> None:
        """Send all of it. Errors: Lost; also for a port that takes nothing any more."""
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException:
            raise Lost(f"{self._name}: takes no bytes; does the board run at all?") from None
        except OSError:
            raise Lost(f"{self._name}: the port went away; was it unplugged?") from None

    def close(self) -> None:
        """Give the port back; never fails."""
        with suppress(OSError):  # it may have gone away by itself
            self._serial.close()


def _reason(error: Exception) -> str:
    """Why a port did not open. On Windows pyserial tells it in its text only, and says the same of a busy port."""
    number, text = getattr(error, "errno", None), str(error)
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO) or "FileNotFoundError" in text:
        return "there is no such port; is the board plugged in?"
    if number in (errno.EACCES, errno.EPERM):
        return (
            "permission denied; join the group that owns serial ports (on most systems dialout or uucp),"
            " then log in again"
        )
    if number in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
        return "the port is busy: another program has it open; close the terminal or tool that uses it"
    return f"cannot be opened as a serial port: {text}"
