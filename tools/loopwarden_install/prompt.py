"""The interpreter's prompt on a board in service, through mpremote's transport: run a piece of code, write a file.

Never soft-resets: that would leave pins as they are and start the supervisor again.
"""

import contextlib
import io
from collections.abc import Callable
from types import TracebackType
from typing import Any

import serial
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

_READ_S = 5.0  # of the port; a board that erases flash is silent for up to half a second
_CHUNK = 1024  # bytes of a file in one piece of code


class PromptError(Exception):
    """The board could not be worked with; str() says what happened, without what to do."""


class Full(PromptError):
    """No room is left in the board's flash."""


def _open(port: str) -> Any:
    return SerialTransport(port, timeout=_READ_S, exclusive=True)


class Prompt:
    """The raw prompt of the board at `port`; use it in a `with`. Errors: PromptError.

    open_transport  what opens the port; tests put their own here
    """

    def __init__(self, port: str, open_transport: Callable[[str], Any] = _open) -> None:
        self.port = port
        self._open = open_transport
        self._transport: Any = None

    def __enter__(self) -> "Prompt":
        with self._told("does not give its prompt"), contextlib.redirect_stdout(io.StringIO()):
            self._transport = self._open(self.port)
            self._transport.enter_raw_repl(soft_reset=False, timeout_overall=5)
        # An earlier attempt that was cut off may have left its file open.
        self.run("try:\n f.close()\nexcept Exception:\n pass")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        with contextlib.suppress(Exception):
            if self._transport.in_raw_repl:
                self._transport.exit_raw_repl()
        with contextlib.suppress(Exception):
            self._transport.close()

    def run(self, code: str, wait_s: float = 30.0) -> str:
        """Run a piece of code; what it printed. Errors: PromptError with the exception's last line.

        wait_s  the longest that it may go on without printing anything
        """
        with self._told("stopped answering"):
            out, error = self._transport.exec_raw(code, timeout=wait_s)
        if error:
            raise _of_device(error.decode("utf-8", "replace"))
        return bytes(out).decode("utf-8", "replace")

    def write(self, path: str, content: bytes) -> None:
        """Write a file anew. Errors: PromptError, Full."""
        with self._told("stopped answering"):
            try:
                self._transport.fs_writefile(path, content, chunk_size=_CHUNK)
            except TransportExecError as error:
                raise _of_device(error.error_output) from None
            except OSError as error:  # mpremote makes one of what the file system said
                if not isinstance(error, serial.SerialException):
                    raise Full("its flash is full") if error.errno == 28 else PromptError(str(error)) from None
                raise

    def reset(self) -> None:
        """Reset the board, as its button would."""
        with self._told("stopped answering"):
            self._transport.exec_raw_no_follow("import machine\nmachine.reset()")
        self._transport.in_raw_repl = False

    @contextlib.contextmanager
    def _told(self, what: str) -> Any:
        try:
            yield
        except TransportError as error:
            raise PromptError(f"{what} ({error})") from None
        except (serial.SerialException, OSError) as error:
            raise PromptError(f"the port went away ({error})") from None


def _of_device(told: str) -> PromptError:
    last = told.strip().splitlines()[-1] if told.strip() else "an error without words"
    return Full("its flash is full") if "ENOSPC" in last or "Errno 28" in last else PromptError(f"it says {last}")
