"""The whole policy on the memory in flash: drives, faults and power cycles, beside the memory in RAM."""

import pytest
from policy.rig import Rig, device_build
from policy.stories import STORIES

from loopwarden import signals as S
from loopwarden.memory import codes as K
from loopwarden.memory import drive_log as D
from loopwarden.memory.flash import FlashMemory

from .desk_flash import DeskFlash, powered
from .test_flash import commissioned, counts

TOLD = ("day", "emergency", "hot", "negative welded", "charge")


def ready_to_drive(folder):
    """Commissioned, and its positive pole proven; not powered up yet."""
    memory, world = commissioned(folder)
    memory.clear(76)
    memory.prove_positive()
    for _ in range(60):
        world.tick(memory)
    return FlashMemory(DeskFlash(folder), str(folder))


@pytest.mark.parametrize("name", TOLD)
def test_the_same_drive_leaves_the_same_codes_in_flash_as_in_ram(tmp_path, name):
    build_name, edits, story = STORIES[name]
    in_ram = Rig(device_build(build_name, **edits))
    story(in_ram)
    memory = ready_to_drive(tmp_path)
    in_flash = Rig(device_build(build_name, **edits), memory=memory)
    story(in_flash)
    expected = {code["row"]: code["count"] for code in in_ram.memory.codes()}
    assert counts(memory) == expected
    assert (in_flash.t_ms, in_flash.phase) == (in_ram.t_ms, in_ram.phase)
    again = powered(tmp_path)
    assert counts(again) == expected
    assert sorted(again.locked) == sorted(in_ram.memory.locked)
    assert again.positive_proven == in_ram.memory.positive_proven


def test_a_restart_while_live_is_told_whatever_the_reset(tmp_path):
    memory = ready_to_drive(tmp_path)
    rig = Rig(memory=memory)
    rig.drive()
    again = Rig(memory=FlashMemory(DeskFlash(tmp_path), str(tmp_path)))
    again.run(200)
    assert "RESTARTED_WHILE_LIVE" in again.faults
    assert not again.memory.positive_proven
    again.run(200)
    assert 70 in powered(tmp_path).locked


def cold_rig(**more):
    """A truck after a winter night: every zone at -15 degC."""
    rig = Rig(**more)
    rig.zones_dc = [-150] * len(rig.zones_dc)
    return rig


def test_a_frame_knows_no_temperature_before_every_zone_was_looked_at_once():
    """S10: a monitor that has not been round yet has measured nothing."""
    rig = cold_rig().run(60)
    seen = []
    for _ in range(60):
        record = K.new_record(7)
        K.write_frame(record, K.FIRST, rig.sup, 7)
        frame = K.frame_at(record, K.FIRST)
        seen.append((frame["hottest_dc"], frame["coldest_dc"]))
        rig.tick()
    assert seen[0] == (None, None)
    assert seen[-1] == (-150, -150)
    assert set(seen) == {(None, None), (-150, -150)}


def test_a_summary_line_has_no_number_where_nothing_was_measured(tmp_path):
    """S10: a cold pack is no pack at 0 degC, and an inverter that nobody could read has no temperature."""
    memory = ready_to_drive(tmp_path)
    rig = cold_rig(memory=memory)
    line = memory.log.line
    places = (D.HOTTEST_DC, D.INVERTER_DC, D.MOTOR_DC, D.LOWEST_OHM)
    assert [D.value(line, place) for place in places] == [None] * 4
    rig.held = {"zone_state": [0, 0, 0, S.OPEN, 0] + [S.STALE] * 5}
    rig.run(3_000)
    assert [D.value(line, place) for place in places[:3]] == [-150, None, -150]
