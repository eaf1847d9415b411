"""Policies with one mistake planted, for as long as a test runs in this process."""

import pytest

from loopwarden.policy.lamps import Lamps

step = Lamps.step


def _lamps_out_on_none(self) -> None:
    """The mistake that S5 and S10 speak of: no reading is taken for a dead bus."""
    step(self)
    if self.inputs.bus_mv is None:
        self.outputs.lamp_hv = 0


def _raises_on_none(self) -> None:
    """A comparison that nobody tried with a wire off."""
    step(self)
    if self.inputs.bus_mv is None and self.outputs.positive:
        self.outputs.lamp_hv = int(self.inputs.bus_mv > 0)


MISTAKES = {"lamps out on none": _lamps_out_on_none, "raises on none": _raises_on_none}


def plant(patch: pytest.MonkeyPatch, mistake: str) -> None:
    patch.setattr(Lamps, "step", MISTAKES[mistake])
