"""A board at the other end of a pseudo terminal: speaks the link, and misbehaves as told. For tests of the host's end.

Written from the description of the link alone; it shares no code with either end.
"""

import contextlib
import json
import os
import select
import threading
import time
import tty
from binascii import crc32
from pathlib import Path

BIRTH = "0123456789abcdef"
STATUS = {
    "kind": "status",
    "phase": "live",
    "clock_ms": 725_000,
    "cycle": 41,
    "bus_mv": 398_200,
    "pack_mv": 398_500,
    "current_ma": 12_340,
    "isolation_ohm": 1_812_000,
    "isolation_ohm_per_v": 4_314,
    "hottest_dc": 352,
    "coldest_dc": 310,
    "speed_mm_s": 3_437,
    "drive_limit_permille": 800,
    "charge_limit_permille": 1000,
    "positive": 1,
    "negative": 1,
    "precharge": 0,
    "discharge": 0,
    "lamp_ready": 1,
    "lamp_caution": 1,
    "lamp_stop": 0,
    "lamp_hv": 1,
}
STATUS_MORE = {
    "kind": "status",
    "key": 1,
    "heap_free": 81_000,
    "late_ms": 0,
    "active": [7],
    "worst": 7,
    "mark": "live",
    "proven": 0,
    "birth": BIRTH,
    "restarts": 0,
    "working_v": 420,
    "dead_mv": 60_000,
}
OFF = {
    "phase": "off",
    "bus_mv": 3_100,
    "current_ma": None,
    "speed_mm_s": 0,
    "drive_limit_permille": 0,
    "charge_limit_permille": 0,
    "positive": 0,
    "negative": 0,
    "lamp_ready": 0,
    "lamp_caution": 0,
    "lamp_hv": 0,
}
OFF_MORE = {"key": 0, "active": [], "worst": 0, "mark": "dead", "proven": 1}
WARNING = {
    "kind": "fault",
    "row": 7,
    "name": "ISOLATION_WARNING",
    "code": "P1A07-00",
    "status": 175,
    "count": 2,
    "places": 0,
    "where": "",
    "present": 1,
    "active": 1,
    "stored": 1,
    "first_cycle": 12,
    "latest_cycle": 41,
    "first_ms": 3_000,
    "latest_ms": 700_000,
    "lock": 0,
}
LOOP = {
    **WARNING,
    "row": 1,
    "name": "LOOP_OPEN",
    "code": "P0A0A-13",
    "status": 40,
    "count": 1,
    "places": 2,
    "where": "loop 2",
    "present": 0,
    "active": 0,
    "latest_cycle": 12,
    "latest_ms": 3_000,
}
FRAME = {
    "kind": "frame",
    "which": "first",
    "wall_s": 1_790_000_000,
    "t_ms": 3_000,
    "phase": 3,
    "bus_mv": 398_000,
    "pack_mv": 398_300,
    "current_ma": None,
    "isolation_ohm": 203_000,
    "hottest_dc": 250,
    "coldest_dc": 240,
    "speed_mm_s": 0,
    "drive_limit_permille": 1000,
    "charge_limit_permille": 1000,
    "commands": 3,
    "switches": 5,
    "measured": 483,
}
STRIP = [
    {
        "kind": "strip",
        "before_ms": before_ms,
        "bus_dv": 3_982,
        "pack_dv": 3_985,
        "current_da": 123,
        "speed_cm_s": 344,
        "drive_limit_permille": 1000,
        "phase": "live",
        "isolation_kohm": 203,
    }
    for before_ms in (1000, 500, 0)
]
START = {
    "kind": "start",
    "cycle": 41,
    "precharge_ms": 420,
    "discharge_ms": 3_150,
    "lowest_ohm": 203_000,
    "hottest_dc": 352,
    "inverter_dc": None,
    "motor_dc": 501,
    "drove": 1,
    "rows": [7],
}
LIMITS = [
    {"kind": "limit", "name": "drive", "granted_permille": 800, "goal_permille": 800, "by": "isolation warning"},
    {"kind": "limit", "name": "charge", "granted_permille": 1000, "goal_permille": 1000, "by": ""},
]
WHY = [
    {
        "kind": "why",
        "subject": "drive limit",
        "text": "The drive limit is 80 %, cap of isolation warning: isolation 483 ",
    },
    {"kind": "why", "subject": "drive limit", "text": "ohm/V (203.0 kohm), limit 500 ohm/V."},
]
TEXTS = [
    {"kind": "text", "means": "A watched interlock loop is open."},
    {"kind": "text", "check": "Look at the connectors and covers of that loop: seated, latched."},
    {"kind": "text", "check": "Prove it dead, then measure the loop end to end with the ohmmeter."},
]


def sealed(n, objects, error=None):
    """The lines of an answer, without their ends."""
    last = {"kind": "end", "lines": len(objects)} if error is None else {"kind": "error", "error": error}
    lines = []
    for i, found in enumerate([*objects, last]):
        body = json.dumps({"n": n, "i": i, **found}, separators=(",", ":"))[:-1].encode()
        lines.append(b'%s,"crc":"%08x"}' % (body, crc32(body)))
    assert max(map(len, lines)) <= 480
    return lines


class FakeBoard:
    """Answers on `path`, a link to its pseudo terminal, until closed; one thread.

    answers     command -> list of objects, or text of a refusal, or a function that gives either
    asked       every good request, in order; typed: every line that was carried out as typed by a person
    silent      so many requests get no answer; slow_s: pause before each line; noise: bytes before each line
    spoil       changes the list of lines of an answer, called with (lines, number of the request)
    mode        "program", "prompt" or "raw" (MicroPython's), "banner" (program, and it just started)
    """

    def __init__(self, path: Path, mode="program", half_typed=b""):
        self.path = path
        self.mode = mode
        self.answers = {
            "status": [STATUS, STATUS_MORE],
            "faults": [WARNING, LOOP],
            "faults P0A0A-13": [LOOP, FRAME, {**FRAME, "which": "latest", "t_ms": 3_100}, *STRIP, *TEXTS],
            "why drive limit": WHY,
            "limits": LIMITS,
            "starts": [{**START, "cycle": 40, "rows": []}, START],
        }
        self.asked, self.typed, self.raw = [], [], b""
        self.silent = 0
        self.slow_s = 0.0
        self.noise = b""
        self.spoil = None
        self._half_typed = half_typed
        self._thread = None
        self.plug()

    def set_off(self, **changes):
        """The drive is off and nothing is wrong."""
        self.answers["status"] = [{**STATUS, **OFF}, {**STATUS_MORE, **OFF_MORE, **changes}]
        self.answers["faults"] = []

    def plug(self):
        """Appear, as when the cable is put in."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self._stop = threading.Event()
        self._out = b""
        self.path.symlink_to(os.ttyname(self._slave))
        if self.mode == "banner":
            os.write(self._master, b"Loopwarden, bench use only, type help\r\n> ")
        self._thread = threading.Thread(target=self._run, args=(self._master, self._stop), daemon=True)
        self._thread.start()

    def unplug(self):
        """Vanish: the port's name is gone, and whoever has it open gets an error."""
        self.path.unlink(missing_ok=True)
        self._stop.set()
        if threading.current_thread() is not self._thread:
            self._thread.join()
        os.close(self._slave)
        os.close(self._master)

    close = unplug

    def _run(self, master, stop):
        line, self._half_typed = bytearray(self._half_typed), b""
        bad = False
        while not stop.is_set():
            if not select.select([master], [], [], 0.01)[0]:
                continue
            try:
                data = os.read(master, 256)
            except OSError:
                return
            self.raw += data
            for byte in data:
                if byte in b"\r\n":
                    self._line(bytes(line), bad, stop)
                    line.clear()
                    bad = False
                elif byte >= 0x80:
                    bad = True
                elif 0x20 <= byte < 0x7F:
                    line.append(byte)
                    if not line.startswith(b"@"):
                        self._send(bytes((byte,)))
        if line:
            self._half_typed = bytes(line)

    def _send(self, data):
        with contextlib.suppress(OSError):  # unplugged meanwhile
            os.write(self._master, data)

    def _line(self, line, bad, stop):
        if self.mode == "prompt":
            self._send(b"\r\n... " if line.startswith(b"@") else b"\r\n>>> ")
        elif self.mode == "raw":
            self._send(b"\r\nraw REPL; CTRL-B to exit\r\n>")
        elif bad:
            self._send(b"\r\nonly plain ASCII\r\n> ")
        elif not line.startswith(b"@"):
            if line:
                self.typed.append(line.decode())
            self._send(b"\r\nno such command, type help\r\n> ")
        else:
            body, _, seal = line.rpartition(b" *")
            n, _, command = body[1:].decode().partition(" ")
            if seal.decode() != f"{crc32(body):08x}":
                self._answer(sealed(None, [], "the checksum is not that of the line"), stop)  # nor is its number
                return
            self.asked.append(command)
            if self.silent:
                self.silent -= 1
                return
            answer = self.answers.get(command, [] if command.startswith("time ") else f"{command}: no such command")
            answer = answer() if callable(answer) else answer
            lines = sealed(int(n), [], answer) if isinstance(answer, str) else sealed(int(n), answer)
            self._answer(self.spoil(lines, len(self.asked)) if self.spoil else lines, stop)

    def _answer(self, lines, stop):
        for line in lines:
            if self.slow_s:
                time.sleep(self.slow_s)
            if stop.is_set():
                return
            self._send(self.noise + line + b"\r\n")
