"""Pulses to a speed; silence is silence, and a lost counter is no standstill."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.convert.raw import Raw
from loopwarden.convert.speed import QUIET_MS, Speed
from loopwarden.signals import OK, QUIET, RANGE, STALE, Inputs

from .builds import changed


class Line:
    """A pulse every 250 mm, at most 36 m/s; what its ticks make of the inputs."""

    def __init__(self, pulse_um: int = 250_000, max_mm_s: int = 36_000) -> None:
        self.made = Speed(changed(convert_pulse_um=pulse_um, convert_speed_max_mm_s=max_mm_s))
        self.raw: Any = Raw()
        self.inputs: Any = Inputs()
        self.step = self.made.bind(self.raw, self.inputs)

    @property
    def mm_s(self) -> int | None:
        value: int | None = self.inputs.speed_mm_s
        return value

    @property
    def state(self) -> int:
        value: int = self.inputs.speed_state
        return value

    @property
    def pulses(self) -> int | None:
        value: int | None = self.inputs.speed_pulses
        return value


def speed() -> Line:
    return Line()


def step(made: Line, pulses: int | None, period_us: int, dt_ms: int) -> None:
    made.raw.speed_pulses, made.raw.speed_period_us = pulses, period_us
    made.step(dt_ms)


def test_a_period_is_a_speed() -> None:
    made = speed()
    step(made, 1, 25_000, 20)
    assert (made.mm_s, made.state, made.pulses) == (10_000, OK, 1)


def test_the_last_speed_stands_until_silence_says_otherwise() -> None:
    made = speed()
    step(made, 1, 25_000, 20)
    for _ in range(QUIET_MS // 20 - 1):
        step(made, 0, 25_000, 20)
        assert (made.mm_s, made.state) == (10_000, OK)
    step(made, 0, 25_000, 20)
    assert (made.mm_s, made.state, made.pulses) == (None, QUIET, 0)


def test_one_pulse_alone_is_no_speed() -> None:
    made = speed()
    step(made, 1, 0, 20)
    assert (made.mm_s, made.state, made.pulses) == (None, QUIET, 1)


def test_a_lost_counter_is_unknown_and_not_standing() -> None:
    made = speed()
    step(made, 1, 25_000, 20)
    step(made, None, 25_000, 20)
    assert (made.mm_s, made.state, made.pulses) == (None, STALE, None)
    step(made, 0, 25_000, 20)
    assert made.state == QUIET, "what came before the gap proves nothing"


def test_faster_than_half_above_the_highest_is_noise() -> None:
    made = speed()
    step(made, 1, 4_600, 20)
    assert (made.mm_s, made.state) == (None, RANGE)
    step(made, 1, 4_700, 20)
    assert made.state == OK


@given(st.lists(st.tuples(st.one_of(st.none(), st.integers(0, 9)), st.integers(0, 10**9), st.integers(1, 100))))
def test_unknown_never_becomes_zero(ticks: list[tuple[int | None, int, int]]) -> None:
    made = speed()
    for pulses, period_us, dt_ms in ticks:
        step(made, pulses, period_us, dt_ms)
        assert (made.mm_s is None) == (made.state != OK)
        assert (made.pulses is None) == (made.state == STALE)


@pytest.mark.parametrize("per_pulse_um", [1_000, 1_000_000])
def test_the_largest_products_stay_small(per_pulse_um: int) -> None:
    made = Line(per_pulse_um, 100_000)
    assert per_pulse_um * 1000 < 2**30
    step(made, 1, max(made.made.min_us, 1), 20)
    assert made.mm_s is not None
