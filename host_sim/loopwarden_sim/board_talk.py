"""Somebody at the console of a virtual board: lines typed at chosen times of a run, and all that the board says."""

from collections.abc import Sequence

from loopwarden_sim.board_run import BoardRun
from loopwarden_sim.scenario import Scenario
from loopwarden_sim.virtual_board import VirtualBoard


class BoardTalk(BoardRun):
    """typed: (tick, line), in order of time; `said` is what came back so far."""

    def __init__(self, scenario: Scenario, board: VirtualBoard, typed: Sequence[tuple[int, str]]) -> None:
        super().__init__(scenario, board)
        self._coming = list(reversed(typed))
        self.said = ""

    def begin(self, tick: int) -> None:
        """Listen, and type what is due."""
        super().begin(tick)
        self.said += self.board.console_text()
        while self._coming and self._coming[-1][0] <= tick:
            self.board.type(self._coming.pop()[1] + "\r")
