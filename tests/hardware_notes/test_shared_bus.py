"""Converters and registers on one bus, bit by bit, under the board's own code: what the two AND gates are for.

The registers are modelled as their types work: 595, shifts on a rising clock and shows its word at a rising latch; 165,
loads while its latch is low and then shifts out, highest bit first.
"""

import importlib
import sys
import time

import pytest
from board.desk_pins import ADDRESSES, Chip, machine_of

from loopwarden import signals
from loopwarden.build import Build
from loopwarden.convert.raw import ALL_KNOWN, SUPPLY, ZONE, Raw
from loopwarden_build import integer_build
from loopwarden_circuits import values as V

BUS = ("converter_select", "converter2_select", "register_latch", "register_enable")
SELECT, SELECT2, LATCH, ENABLE = (int(V.TRUCK.pins[name][2:]) for name in BUS)
CHAIN = 0xA5A4  # an answer with the two tied bits right


class WiredChip(Chip):
    """shown: every word that stood on the output registers while they were enabled."""

    def __init__(self, *, gated):
        self.gated = gated
        self.word, self.in_word, self.outputs, self.shown, self.asked = 0, 0, 0, [], []
        self._out = 0
        super().__init__(next(iter(ADDRESSES)))

    @property
    def out(self):
        return self._out

    @out.setter
    def out(self, levels):
        rose = levels & ~self._out
        self._out = levels
        if rose >> LATCH & 1:
            self.outputs = self.word
        if not levels >> LATCH & 1:
            self.in_word = CHAIN
        if not levels >> ENABLE & 1:
            self.shown.append(self.outputs)

    def exchange(self, sent):
        """Clock the bytes of `sent` out; the bytes that came back, ones where nobody drives the line."""
        selected = next((gpio for gpio in (SELECT, SELECT2) if not self._out >> gpio & 1), None)
        if selected is None:
            self.asked.append(int.from_bytes(sent, "big"))
        got = []
        for byte in sent:
            back = 0
            for bit in range(7, -1, -1):
                back = back << 1 | (self.in_word >> 15 if selected is None else 1)
                if selected is None or not self.gated:
                    self.word = (self.word << 1 | byte >> bit & 1) & 0xFFFF
                    self.in_word = self.in_word << 1 & 0xFFFF
            got.append(back)
        if selected is not None:  # every channel reads 2000 counts
            got = [0xFF, 0xE0 | 2000 >> 8, 2000 & 0xFF]
        return bytes(got)


def spi_of(chip):
    class SPI:
        def __init__(self, number, **pins):
            pass

        def write(self, sent):
            chip.exchange(sent)

        def readinto(self, got, write):
            got[:] = chip.exchange(bytes([write] * len(got)))

        def write_readinto(self, ask, got):
            got[:] = chip.exchange(ask)

    return SPI


@pytest.fixture(params=[True, False], ids=["gated", "not gated"])
def chip(request, monkeypatch):
    made = WiredChip(gated=request.param)
    machine = machine_of(made)
    machine.SPI = spi_of(made)
    monkeypatch.setitem(sys.modules, "machine", machine)
    monkeypatch.setattr(time, "ticks_us", lambda: made.us, raising=False)
    monkeypatch.setattr(time, "sleep_us", lambda us: None, raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda one, other: one - other, raising=False)
    monkeypatch.setattr(time, "ticks_add", lambda us, more: us + more, raising=False)
    yield made
    for name in [name for name in sys.modules if name.startswith("loopwarden.board")]:
        del sys.modules[name]


def drive_for(chip, ticks):
    board = importlib.import_module("loopwarden.board.board").Board(
        Build(integer_build.to_device(V.TRUCK)), lambda: None
    )
    raw, outputs = Raw(), signals.Outputs()
    outputs.hold = outputs.lamp_ready = 1
    for tick in range(ticks):
        raw.turn, raw.zone = (ZONE, SUPPLY)[tick & 1], tick // 2 % 5
        board.sample(raw)
        assert raw.known == ALL_KNOWN, "the chain did not answer"
        assert int.from_bytes(board.inputs.word_in, "big") == CHAIN
        assert raw.bus_counts == 2000
        board.drive(outputs)


def test_with_the_gates_no_output_ever_shows_what_was_not_commanded_and_without_them_it_does(chip):
    drive_for(chip, 20)
    commanded = {word for word in chip.asked if word}  # reading the inputs clocks zeros
    shown_unasked = {word for word in chip.shown if word} - commanded
    hold = 1 << int(V.TRUCK.pins["hold"].split()[1])
    if chip.gated:
        assert shown_unasked == set()
        steady = chip.shown[chip.shown.index(next(word for word in chip.shown if word & hold)) :]
        assert all(word & hold for word in steady), "the hold relay's output never blinks"
    else:
        assert shown_unasked, "the circuit's gates would be there for nothing"
        assert any(not word & hold for word in chip.shown[-50:]), "what is on goes off for a part of each tick"
