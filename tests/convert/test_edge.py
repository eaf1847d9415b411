"""The edge as a whole: which pin means what, and which way a broken wire falls."""

from types import SimpleNamespace
from typing import Any

import pytest

from loopwarden.convert.edge import Edge
from loopwarden.convert.isolation import LINE
from loopwarden.convert.raw import ALL_KNOWN
from loopwarden.signals import (
    ACK,
    AUX_NEGATIVE,
    AUX_POSITIVE,
    COIL_FAULT,
    CRASH,
    KEY,
    LAMP_FAULT,
    LOOP0,
    LOOPS,
    OK,
    OPEN,
    STALE,
    START,
    STOP,
    Inputs,
)

from .builds import NAMES, build, changed


def filled(made: Edge, dt_ms: int = 20) -> Inputs:
    inputs = Inputs()
    made.fill(inputs, dt_ms)
    return inputs


def test_plain_switches_pass_as_they_are() -> None:
    made = Edge(build())
    made.raw.levels = KEY | ACK | STOP
    assert filled(made).bits & (KEY | START | ACK | STOP) == KEY | ACK


@pytest.mark.parametrize("bit", [STOP, COIL_FAULT, LAMP_FAULT])
def test_a_dead_line_is_the_bad_news(bit: int) -> None:
    made = Edge(changed(coil_feedback_fitted=1, lamp_feedback_fitted=1))
    made.raw.levels = STOP | COIL_FAULT | LAMP_FAULT
    assert not filled(made).bits & bit
    made.raw.levels &= ~bit
    assert filled(made).bits & bit


@pytest.mark.parametrize("bit", [COIL_FAULT, LAMP_FAULT])
def test_a_driver_that_reports_nothing_is_known_to_have_nothing_to_report(bit: int) -> None:
    """An unknown driver fault would count as one; an absent one must not."""
    made = Edge(changed(coil_feedback_fitted=0, lamp_feedback_fitted=0))
    made.raw.known = 0
    made.raw.levels = 0
    inputs = filled(made)
    assert inputs.known & bit
    assert not inputs.bits & bit


@pytest.mark.parametrize(("feedback", "dead_wire_says"), [(1, "open"), (2, "closed")])
@pytest.mark.parametrize("bit", [AUX_POSITIVE, AUX_NEGATIVE])
def test_a_broken_feedback_wire_cannot_look_like_proof(bit: int, feedback: int, dead_wire_says: str) -> None:
    """Only contacts that are closed while the main is open prove it open: theirs reads closed when the wire breaks."""
    made = Edge(changed(feedback=feedback))
    made.raw.levels = 0
    assert (filled(made).bits & bit != 0) == (dead_wire_says == "closed")
    made.raw.levels = bit
    assert (filled(made).bits & bit != 0) == (dead_wire_says == "open")


@pytest.mark.parametrize(("pulse_us", "crash"), [(0, False), (19_999, False), (20_000, True), (500_000, True)])
def test_a_crash_is_a_pulse_of_its_length(pulse_us: int, crash: bool) -> None:
    made = Edge(changed(crash_fitted=1, convert_crash_pulse_ms=20))
    made.raw.crash_us = pulse_us
    inputs = filled(made)
    assert bool(inputs.bits & CRASH) == crash
    assert bool(inputs.latch & CRASH) == crash


def test_stop_and_level_loops_are_latched_and_nothing_else() -> None:
    made = Edge(changed(convert_loop_sense=[0, 2, 1]))
    made.raw.latched = STOP | LOOPS | KEY | START
    assert filled(made).latch == STOP | LOOP0


def test_a_pin_that_could_not_be_read_is_not_known() -> None:
    made = Edge(build())
    made.raw.known = ALL_KNOWN & ~KEY
    assert not filled(made).known & KEY


@pytest.mark.parametrize("name", NAMES)
def test_a_board_without_conversions_knows_nothing(name: str) -> None:
    """S10: nothing is fine by default."""
    made = Edge(build(name))
    inputs = filled(made)
    for value in ("pack", "bus", "supply"):
        assert getattr(inputs, f"{value}_mv") is None
        assert getattr(inputs, f"{value}_state") == STALE
    assert inputs.current_ma is None
    assert inputs.zone_dc[0] is None
    assert inputs.speed_mm_s is None
    assert inputs.speed_pulses is None
    assert not inputs.bits & LOOPS


@pytest.mark.parametrize("name", NAMES)
def test_all_wires_cut_is_all_bad_news(name: str) -> None:
    made = Edge(build(name))
    raw: Any = made.raw
    raw.pack_counts = raw.bus_counts = raw.current_counts = raw.supply_counts = raw.reference_counts = 0
    raw.zone_counts16 = [65_520] * 10
    raw.loop_counts = [0] * 6
    inputs = filled(made)
    assert inputs.bus_state == OPEN
    assert inputs.supply_state == OPEN
    assert inputs.zone_state[0] == OPEN
    assert inputs.bits & STOP
    assert not inputs.bits & LOOPS


def test_a_live_bus_reads_its_voltage() -> None:
    made = Edge(build())
    raw: Any = made.raw
    raw.bus_counts = raw.pack_counts = 400 + 2800  # 3500 counts are 500 V
    inputs = filled(made)
    assert (inputs.bus_state, inputs.pack_state) == (OK, OK)
    assert inputs.bus_mv == pytest.approx(400_000, abs=100)
    assert inputs.pack_mv == inputs.bus_mv


def test_what_is_not_fitted_is_never_written() -> None:
    made = Edge(changed(current_fitted=0, reference_fitted=0, speed_fitted=0))
    inputs: Any = SimpleNamespace(**vars(Inputs()))
    inputs.current_ma = inputs.reference_mv = inputs.speed_mm_s = "untouched"
    made.fill(inputs, 20)
    assert {inputs.current_ma, inputs.reference_mv, inputs.speed_mm_s} == {"untouched"}


@pytest.mark.parametrize("name", NAMES)
def test_a_reading_is_as_old_as_it_is_whichever_inputs_are_filled(name: str) -> None:
    """S10: other inputs do not make it younger."""
    made = Edge(build(name))
    age_ms = [filled(made).isolation_age_ms for _ in range(5)]
    made.raw.isolation_fresh = 1
    age_ms.append(filled(made).isolation_age_ms)
    made.raw.isolation_fresh = 0
    age_ms += [filled(made).isolation_age_ms for _ in range(3)]
    always = made.isolation.kind == LINE
    assert age_ms[5:] == ([0, 0, 0, 0] if always else [0, 20, 40, 60])
