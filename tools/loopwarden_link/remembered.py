"""What this computer remembers of the boards it asked: the highest power cycle of each, and which was at which port.

A wiped board looks like one without faults. Whoever saw it before can tell the difference.
"""

import json
import os
import time
from pathlib import Path
from typing import Any


def state_file() -> Path:
    """Where it is kept: the user's state directory."""
    given = os.environ.get("XDG_STATE_HOME", "")
    root = Path(given) if os.path.isabs(given) else Path.home() / ".local" / "state"
    return root / "loopwarden" / "boards.json"


class Remembered:
    """The memory in one file. Attribute problem: why it cannot be read or written, or ""."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.problem = ""
        self._boards: dict[str, Any] = {}
        self._ports: dict[str, str] = {}
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            boards = {str(birth): board for birth, board in kept["boards"].items() if _is_board(board)}
            self._boards, self._ports = boards, {str(port): str(birth) for port, birth in kept["ports"].items()}
        except FileNotFoundError:
            pass
        except OSError as error:
            self.problem = f"{path}: cannot be read: {error.strerror}; boards seen before are not compared"
        except (ValueError, KeyError, TypeError, AttributeError):
            self.problem = f"{path}: is damaged and begun anew; boards seen before are not compared"

    def doubt(self, port: str, birth: str, cycle: int, now_s: float) -> str:
        """Note that this board answered; return why its memory is not the one seen before, "" where it is.

        The doubt is told for the whole power cycle in which it arose.
        """
        board = self._boards.get(birth)
        before = self._boards.get(self._ports.get(port, birth))
        text = ""
        if board is None and before is not None:
            text = _wiped(before["seen_s"], "another memory answers at this port")
        elif board is not None and cycle < board["cycle"]:
            text = _wiped(board["seen_s"], f"its power cycle was {board['cycle']} then and is {cycle} now")
        elif board is not None and cycle == board["cycle"]:
            text = board["doubt"]
        self._boards[birth] = {"cycle": cycle, "seen_s": int(now_s), "doubt": text}
        self._ports[port] = birth
        self._write()
        return text

    def _write(self) -> None:
        half = self._path.with_suffix(f".{os.getpid()}")
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            kept = {"boards": self._boards, "ports": self._ports}
            half.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
            half.replace(self._path)
        except OSError as error:
            self.problem = f"{self._path}: cannot be written: {error.strerror}; this board is not remembered"


def _is_board(board: Any) -> bool:
    return isinstance(board["cycle"], int) and isinstance(board["seen_s"], int) and isinstance(board["doubt"], str)


def _wiped(seen_s: int, how: str) -> str:
    seen = time.strftime("%Y-%m-%d %H:%M", time.localtime(seen_s))
    return f"this board's memory was wiped or replaced since {seen} ({how}), so 'no faults' proves nothing"
