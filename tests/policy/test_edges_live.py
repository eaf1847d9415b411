"""Both sides of what tells a failed contactor from a healthy one, live and while opening, to the reading."""

import pytest

from loopwarden.policy import phases as P

from .rig import Rig, device_build

NO_CONTACT = device_build(feedback=0)  # the voltages alone tell


@pytest.mark.parametrize(("second_mv", "welded"), [(8_960, True), (9_000, False)])
def test_a_proof_pulse_levels_off_below_three_quarters_of_its_first_pace(second_mv, welded):
    """Two halves of 40 ms, the first of which falls by 12 V; a free bus falls on at nearly the same pace."""
    rig = Rig(NO_CONTACT).go_live()
    rig.key = 0
    rig.until(lambda r: r.sup.phases.stage == P.PROOF_PULSE, 10_000)
    start_mv = rig.sup.phases.start_mv
    for fallen_mv in (0, 0, 6_000, 12_000, 12_000 + second_mv // 2, 12_000 + second_mv):
        rig.held["bus_mv"] = start_mv - fallen_mv
        rig.tick()
    assert rig.sup.phases.stage == P.PROOF_ENDS
    assert ("PRECHARGE_WELDED" in rig.faults) is welded
    assert rig.memory.positive_proven is not welded


@pytest.mark.parametrize(("step_mv", "dropped"), [(-5_000, True), (5_000, False)])
def test_a_bus_that_comes_away_from_pack_upwards_is_no_contactor_that_dropped_out(step_mv, dropped):
    """The current is gone and the two disagree; but a bus that was cut off falls."""
    rig = Rig(NO_CONTACT).drive(load_a=60.0)
    pack_mv = rig.inputs.pack_mv
    rig.plant.load_a = 0.0
    rig.held.update(pack_mv=pack_mv, current_ma=0)
    for k in range(8):
        rig.held["bus_mv"] = pack_mv + step_mv * (5 + k)
        rig.tick()
    assert ("CONTACTOR_DROPPED_OUT" in rig.stored) is dropped
