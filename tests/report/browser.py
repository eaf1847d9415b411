"""A real Chromium without a window, spoken to over a pipe (Chrome DevTools Protocol): no port, no further package."""

import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")
_FROM_FD = 20
_ANSWER_S = 60.0


def found() -> str | None:
    """Its program, None where none is installed."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Browser:
    """One browser with one page. `console` and `requests` are what that page wrote and asked for."""

    def __init__(self, profile: Path, width: int = 1200, height: int = 900) -> None:
        read_theirs, write_ours = _high_pipe()
        read_ours, write_theirs = _high_pipe()
        program = found()
        assert program is not None
        # --no-sandbox: tests may run as root in a container; what is opened is this project's own page.
        options = ["--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-extensions"]
        options += ["--disable-dev-shm-usage", "--remote-debugging-pipe", f"--user-data-dir={profile}"]
        options += [f"--window-size={width},{height}", "about:blank"]

        def hand_over() -> None:
            os.dup2(read_theirs, 3)
            os.dup2(write_theirs, 4)

        # Other files of this process are not inherited, as Python opens them.
        self._process = subprocess.Popen(
            [program, *options],
            close_fds=False,
            preexec_fn=hand_over,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(read_theirs)
        os.close(write_theirs)
        self._read, self._write = read_ours, write_ours
        self._buffer = b""
        self._number = 0
        self._session = ""
        self.console: list[str] = []
        self.requests: list[str] = []
        target = next(one for one in self.call("Target.getTargets")["targetInfos"] if one["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._read)
        os.close(self._write)

    def call(self, method: str, **parameters: Any) -> Any:
        """One command of the protocol; its result. Errors: AssertionError for an error, OSError for no answer."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        until_s = time.monotonic() + _ANSWER_S
        while True:
            answer = self._next(until_s)
            if answer.get("id") == self._number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]
            self._note(answer)

    def open(self, page: Path) -> None:
        """Load a page and wait until its plots are drawn, or failed."""
        self.call("Page.navigate", url=page.resolve().as_uri())
        until_s = time.monotonic() + _ANSWER_S
        while self.ask("(document.documentElement || {dataset: {}}).dataset.plots || ''") == "":
            assert time.monotonic() < until_s, f"the plots are not drawn: {self.console}"
            time.sleep(0.1)

    def ask(self, expression: str) -> Any:
        """The value of an expression in the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def press(self, key: str, code: int = 0, writes: str = "") -> None:
        """A key goes down and up, as a person's does. code: its virtual key code where its name is no letter."""
        writes = key if len(key) == 1 else writes
        text = {"text": writes} if writes else {}
        for kind in ("keyDown" if text else "rawKeyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code, **text)

    def _next(self, until_s: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                raise TimeoutError("the browser does not answer")
            if select.select([self._read], [], [], left_s)[0]:
                data = os.read(self._read, 1 << 16)
                if not data:
                    raise ConnectionError("the browser has ended")
                self._buffer += data
        line, self._buffer = self._buffer.split(b"\0", 1)
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _note(self, event: dict[str, Any]) -> None:
        method, parameters = event.get("method"), event.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(parameters["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.console.append(str(parameters["exceptionDetails"]))
        elif method == "Log.entryAdded" and parameters["entry"]["level"] in ("error", "warning"):
            self.console.append(parameters["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and parameters["type"] in ("error", "warning", "assert"):
            self.console.append(str([one.get("value") for one in parameters["args"]]))


def _high_pipe() -> tuple[int, int]:
    """A pipe whose ends leave 3 and 4 free, which the browser takes for its own."""
    ends = os.pipe()
    high = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, _FROM_FD) for end in ends)
    for end in ends:
        os.close(end)
    return high[0], high[1]
