"""The chip that the board package is loaded on."""

import sys
import time

import pytest

from .desk_pins import ADDRESSES, Chip, machine_of


@pytest.fixture(params=ADDRESSES, ids="rp{}".format)
def chip(monkeypatch, request):
    """A chip of either kind, with the board package loaded on it; what it has loaded is forgotten afterwards."""
    made = Chip(request.param)
    monkeypatch.setitem(sys.modules, "machine", machine_of(made))
    monkeypatch.setattr(time, "ticks_us", lambda: made.us, raising=False)
    monkeypatch.setattr(time, "sleep_us", lambda us: None, raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda one, other: one - other, raising=False)
    monkeypatch.setattr(time, "ticks_add", lambda us, more: us + more, raising=False)
    yield made
    for name in [name for name in sys.modules if name.startswith("loopwarden.board")]:
        del sys.modules[name]
