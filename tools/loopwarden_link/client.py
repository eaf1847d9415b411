"""Asks a board and believes only whole, undamaged answers.

Decides when an answer is complete, when to ask again and when to give up; knows nothing of what answers mean.
"""

import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import TracebackType

from loopwarden_link.errors import AtPrompt, Damaged, LinkError, Lost, NoAnswer, Refused
from loopwarden_link.lines import Object, looks_torn, read_line, request_line
from loopwarden_link.ports import Port, SerialPort

ANSWER_S = 3.0  # guess: a live board sends a line of 480 bytes in 1.2 s, 8 in a tick
RETRIES = 3
_QUIET_S = 0.1  # some ticks without a byte: what was going on has ended
_DRAIN_S_MAX = 1.5
_EARLIER = 4  # waits for a line, at the most, while lines of earlier requests come in
_LINES_MAX = 5000  # no answer is longer; a board that babbles for ever is given up
_LINE_BYTES_MAX = 4096
# Ends a half-typed line. A byte that is no ASCII makes the board refuse that line: nothing a person had only begun to
# type may be carried out, such as "clear all".
_END_HALF_LINE = b"\x80\r"
_TAIL_BYTES = 200


class Stream:
    """The bytes that follow an answer. objects: the answer itself."""

    def __init__(self, objects: list[Object], port: Port, first: bytes) -> None:
        self.objects = objects
        self._port = port
        self._first = first

    def read(self) -> bytes:
        """What has come, b"" after a short wait in which nothing did. Errors: Lost."""
        first, self._first = self._first, b""
        return first or self._port.read()

    def stop(self) -> None:
        """Ask the board to end it: any byte does. Errors: Lost."""
        self._port.write(b"\r")


class Link:
    """One board at one port. Opens at the first request and again after the port was lost; use it in a `with`.

    answer_s    each line of an answer must come within this time after the one before
    retries     how often a request that only reads is repeated after damage, silence or a lost port
    open_port   what opens the port; tests put their own here
    """

    def __init__(
        self,
        port: str,
        *,
        answer_s: float = ANSWER_S,
        retries: int = RETRIES,
        quiet_s: float = _QUIET_S,
        open_port: Callable[[str, float], Port] = SerialPort,
    ) -> None:
        self.port = port
        self.answer_s = answer_s
        self.retries = retries
        self._quiet_s = quiet_s
        self._open_port = open_port
        self._open: Port | None = None
        self._n = random.randrange(65536)  # what an earlier program still gets answered has other numbers
        self._buffer = b""
        self._tail = b""  # the last of what was no answer
        self._unanswered = False

    def __enter__(self) -> "Link":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Give the port back with nothing left typed. Never fails; the next request opens it again."""
        port, self._open = self._open, None
        if port is None:
            return
        try:
            if self._unanswered:
                port.write(b"\r")  # whatever took the request for the beginning of something: it has ended
        except Lost:
            pass
        finally:
            port.close()

    def read(self, command: str) -> list[Object]:
        """The objects that answer a command which only reads; asked again when that fails.

        Errors: OpenError, Lost, NoAnswer, Damaged, AtPrompt, Refused, BadRequest.
        """
        return self._repeated(lambda: command)

    def tell_time(self, now: Callable[[], float] = time.time) -> None:
        """Tell the board the wall time. Errors: as `read`, but that the board may well refuse it."""
        with suppress(Refused):
            self._repeated(lambda: f"time {int(now())}")

    def once(self, command: str, *, wait_s: float = 0.0, heard: Callable[[Object], None] | None = None) -> list[Object]:
        """As `read`, for a command that does something: sent once and never again.

        wait_s  so much longer each line may take, as when the board waits for a button
        heard   is called with each object as it comes: good in itself, but the answer may still end badly
        """
        return self._exchange(command, wait_s, heard)

    @contextmanager
    def stream(self, command: str, last: str) -> "Iterator[Stream]":
        """For a command whose answer goes on as bytes after the object of kind `last`; sent once.

        Errors: as `read`, before the first byte.
        """
        objects = self._exchange(command, last=last)
        port = self._opened()
        self._unanswered = True
        first, self._buffer = self._buffer, b""
        try:
            yield Stream(objects, port, first)
        finally:
            self.close()  # what comes yet is of no use to a later request

    def _repeated(self, command: Callable[[], str]) -> list[Object]:
        for _ in range(self.retries):
            try:
                return self._exchange(command())
            except (Damaged, Lost, NoAnswer):
                pass
        try:
            return self._exchange(command())
        except (Damaged, NoAnswer) as error:
            times = f"asked {self.retries + 1} times: " if self.retries else ""
            raise type(error)(times + str(error)) from None

    def _exchange(
        self,
        command: str,
        wait_s: float = 0.0,
        heard: Callable[[Object], None] | None = None,
        last: str = "",
    ) -> list[Object]:
        self._n = (self._n + 1) % 65536
        line = request_line(self._n, command)
        try:
            port = self._opened()
            if self._unanswered:
                line = b"\r" + line  # a part of the last request may lie there still
            self._tail = b""
            self._unanswered = True
            port.write(line)
            answer = self._answer(port, self._n, self.answer_s + wait_s, heard, last)
        except (AtPrompt, Lost):
            self.close()  # to be opened anew, with all that goes with it
            raise
        except Refused:
            self._unanswered = False
            raise
        self._unanswered = False
        return answer

    def _opened(self) -> Port:
        """The open port; one just opened is rid of half lines, and has told when it is MicroPython that listens."""
        if self._open is not None:
            return self._open
        port = self._open = self._open_port(self.port, max(self.answer_s, 0.1))
        self._buffer = self._tail = b""
        self._unanswered = False
        port.write(_END_HALF_LINE)
        began_s = quiet_since_s = time.monotonic()
        while quiet_since_s + self._quiet_s > (now_s := time.monotonic()) and now_s < began_s + _DRAIN_S_MAX:
            data = port.read()
            if data:
                quiet_since_s = time.monotonic()
                self._ignore(data)
        if self._at_prompt():
            raise self._prompt_error()
        return port

    def _answer(
        self, port: Port, n: int, line_s: float, heard: Callable[[Object], None] | None, last: str
    ) -> list[Object]:
        objects: list[Object] = []
        torn = False
        began_s = time.monotonic()
        until_s = began_s + line_s
        for _ in range(_LINES_MAX):
            line = self._line(port, until_s)
            if line is None:
                raise self._silence(torn or bool(objects), line_s)
            found = read_line(line)
            if found is None:
                torn = torn or looks_torn(line)
                self._ignore(line + b"\n")
                continue
            now_s = time.monotonic()
            if found["n"] is None and found["kind"] == "error":
                raise Damaged(f"{self.port}: the board got the request damaged")  # whose, it could not read
            if found["n"] != n:
                # Of an earlier request: the board is at work, but not for ever.
                until_s = max(until_s, min(now_s + line_s, began_s + _EARLIER * line_s))
                continue
            until_s = now_s + line_s
            if found["i"] != len(objects):
                raise Damaged(f"{self.port}: lines of the answer are missing or damaged")
            if found["kind"] == "error":
                raise Refused(self.port, str(found.get("error")))
            if found["kind"] == "end":
                if found.get("lines") != len(objects):
                    raise Damaged(f"{self.port}: lines of the answer are missing")
                return objects
            objects.append({key: value for key, value in found.items() if key not in ("n", "i", "crc")})
            if heard is not None:
                heard(objects[-1])
            if last and found["kind"] == last:
                return objects
        raise Damaged(f"{self.port}: the answer does not end")

    def _silence(self, begun: bool, line_s: float) -> LinkError:
        if self._at_prompt():
            return self._prompt_error()
        if begun:
            return Damaged(f"{self.port}: the answer came damaged or was cut off")
        lines = self._tail.decode("ascii", "replace").splitlines()
        said = [line for line in lines if line.isprintable() and line.strip(" >")]
        return NoAnswer(
            f"{self.port}: no answer in {line_s:g} s; is the board powered and its program running? Is it at its"
            " prompt? Is it in service state?" + (f' It said: "{said[-1]}"' if said else "")
        )

    def _line(self, port: Port, until_s: float) -> bytes | None:
        """The next line without its end; None when none came in time."""
        while b"\n" not in self._buffer:
            if time.monotonic() >= until_s:
                self._ignore(self._buffer)
                return None
            self._buffer += port.read()
            if len(self._buffer) > _LINE_BYTES_MAX and b"\n" not in self._buffer:
                self._buffer = self._buffer[-_TAIL_BYTES:]
        line, self._buffer = self._buffer.split(b"\n", 1)
        return line.rstrip(b"\r")

    def _ignore(self, data: bytes) -> None:
        self._tail = (self._tail + data)[-_TAIL_BYTES:]

    def _at_prompt(self) -> bool:
        last = self._tail.replace(b"\r", b"\n").rsplit(b"\n", 1)[-1].strip()
        return last in (b">>>", b"...", b"===") or b"raw REPL" in self._tail

    def _prompt_error(self) -> LinkError:
        return AtPrompt(
            f"{self.port}: the board is at the MicroPython prompt and its program does not run: outputs are as their"
            " wiring leaves them; start it again (reset, or power off and on) and ask then"
        )
