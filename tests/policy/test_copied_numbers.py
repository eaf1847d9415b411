"""Numbers that stand in two files because a constant of one's own costs a tick nothing: both must be the same."""

import pytest

from loopwarden import signals as S
from loopwarden.policy import lamps, limits, phases, supervisor
from loopwarden.policy.monitors import health, motion, switches, thermal

COPIES = [
    (switches._KEY, S.KEY),
    (switches._START, S.START),
    (switches._ACK, S.ACK),
    (switches._STOP_OR_CRASH, S.STOP | S.CRASH),
    (switches._BAD_WHEN_SET, S.PLUG | S.STOP | S.CRASH | S.COIL_FAULT | S.LAMP_FAULT),
    (switches._CONTACTS, S.AUX_POSITIVE | S.AUX_NEGATIVE),
    (1 << switches._LOOP_SHIFT, S.LOOP0),
    (motion._QUIET, S.QUIET),
    (lamps._READY, phases.READY),
    (lamps._DRIVE, phases.DRIVE),
    (lamps._ALL_OPEN, phases.ALL_OPEN),
    (limits._WINDING, phases.WINDING),
    (limits._OPENING, phases.OPENING),
    (switches._COUNTER, supervisor._COUNTER),
    (thermal._COUNTER, supervisor._COUNTER),
    (health._COUNTER, supervisor._COUNTER),
    (lamps._TEST_MS, phases._LAMP_TEST_MS),
]


@pytest.mark.parametrize(("copy", "original"), COPIES)
def test_a_copied_number_is_the_original(copy, original):
    assert copy == original


def test_the_inputs_that_the_switches_take_apart_by_shifting():
    """Two contacts, two drivers' faults, coolant and plug stand where the shifts look for them."""
    assert (S.AUX_POSITIVE >> 8, S.AUX_NEGATIVE >> 8) == (1, 2)
    assert ((S.STOP | S.CRASH) >> 5, (S.COIL_FAULT | S.LAMP_FAULT) >> 9) == (3, 12)
    assert (S.COOLANT >> 10, S.PLUG >> 3) == (1, 1)


def test_every_stage_in_which_something_is_commanded_lies_between_the_mark_and_all_open():
    """S3: the supervisor cuts in exactly these."""
    assert phases.MARK == phases.READY + 1
    assert phases.NEGATIVE_OPENS == phases.ALL_OPEN - 1
    commanding = (phases.NEGATIVE_TEST, phases.POSITIVE_TEST, phases.CHARGE_BUS, phases.TAKE_OVER, phases.DRIVE)
    ending = (phases.WIND_DOWN, phases.WAIT_CURRENT, phases.POSITIVE_OPENS, phases.PROOF_PULSE, phases.PROOF_ENDS)
    assert all(phases.MARK <= stage < phases.ALL_OPEN for stage in commanding + ending)
