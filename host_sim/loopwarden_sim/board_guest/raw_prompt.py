"""The prompt of a board in service, on the virtual board: friendly and raw, as tools that copy files expect it.

The interpreter's own ends with its input's end; this one goes on, with the pins as they are. Ctrl-D at the friendly
prompt is a soft reset: it leaves the pins at their level (and here does no more than say so).
"""

import io
import select
import sys

import wires

_OUT = sys.stdout.buffer
_IN = sys.stdin.buffer
_WINDOW = 128  # half of what the port holds


def _say(text):
    _OUT.write(text if isinstance(text, bytes) else text.encode())


def _byte():
    poll = select.poll()
    poll.register(sys.stdin, select.POLLIN)
    while not poll.poll(20):
        wires.WIRES.advance(20000)  # time passes at the prompt too
    return _IN.read(1)


def serve():
    """For ever."""
    space = {"__name__": "__main__"}
    _say(b"\r\nMicroPython on the virtual board; help() says nothing here.\r\n>>> ")
    line = b""
    while True:
        byte = _byte()
        if byte == b"\x01":
            _say(b"raw REPL; CTRL-B to exit\r\n>")
            _raw(space)
            _say(b"\r\n>>> ")
            line = b""
        elif byte == b"\x03":
            line = b""
            _say(b"\r\n>>> ")
        elif byte == b"\x04":
            _say(b"\r\nMPY: soft reboot\r\n>>> ")
        elif byte in (b"\r", b"\n"):
            _say(b"\r\n")
            if line.strip():
                _run_line(line, space)
            line = b""
            _say(b">>> ")
        elif byte in (b"\x08", b"\x7f"):
            if line:
                line = line[:-1]
                _say(b"\x08 \x08")
        elif byte and byte >= b" ":
            line += byte
            _say(byte)


def _run_line(line, space):
    try:
        text = line.decode()
        try:
            code = compile(text, "<stdin>", "eval")
        except SyntaxError:
            code = None
        if code is None:
            exec(compile(text, "<stdin>", "exec"), space)
        else:
            value = eval(code, space)
            if value is not None:
                _say(repr(value) + "\r\n")
    except BaseException as error:
        _say(_told(error).replace("\n", "\r\n"))


def _told(error):
    text = io.StringIO()
    sys.print_exception(error, text)
    return text.getvalue()


def _raw(space):
    """Raw mode: a program up to Ctrl-D is run, its output and its error come back, each ended by Ctrl-D."""
    text = b""
    while True:
        byte = _byte()
        if byte == b"\x02":
            return
        if byte == b"\x03":
            text = b""
        elif byte == b"\x01":
            text = b""
            _say(b"raw REPL; CTRL-B to exit\r\n>")
        elif byte == b"\x05" and not text:
            _drop(2)
            _execute(_pasted(), space)
        elif byte == b"\x04":
            if not text:
                _say(b"OK\r\nMPY: soft reboot\r\nraw REPL; CTRL-B to exit\r\n>")
                continue
            _say(b"OK")
            _execute(text, space)
            text = b""
        elif byte:
            text += byte


def _execute(text, space):
    try:
        if text is None:
            raise KeyboardInterrupt
        exec(compile(text.decode(), "<stdin>", "exec"), space)
        _say(b"\x04\x04>")
    except BaseException as error:
        _say(b"\x04" + _told(error).replace("\n", "\r\n").encode() + b"\x04>")


def _pasted():
    """What comes in paste mode, a window at a time, up to Ctrl-D; None when Ctrl-C broke it off."""
    _say(b"R\x01" + bytes((_WINDOW & 255, _WINDOW >> 8)) + b"\x01")
    text = bytearray()
    left = _WINDOW
    while True:
        byte = _byte()
        if byte == b"\x03":
            return None
        if byte == b"\x04":
            _say(b"\x04")
            return bytes(text)
        text.extend(byte)
        left -= 1
        if not left:
            left = _WINDOW
            _say(b"\x01")


def _drop(count):
    for _ in range(count):
        _byte()
