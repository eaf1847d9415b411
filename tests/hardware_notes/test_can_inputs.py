"""What the page about CAN inputs tells people to write into a build file is written into one, and checked."""

import re
from pathlib import Path

import pytest

from can_truck import DBC, can_truck, can_truck_text
from loopwarden_build.can_signals import STEP_MM_S_PER_MS, STILL_MM_S
from loopwarden_build.load import read_build

PAGE = (Path(__file__).resolve().parents[2] / "hardware_notes" / "can_inputs.md").read_text(encoding="utf-8")


def blocks() -> list[str]:
    """The indented pieces of the page, without their indent; a blank line within one stays."""
    found = re.findall(r"(?:^(?: {4}.*)?\n)+", PAGE, flags=re.MULTILINE)
    texts = [re.sub(r"^ {4}", "", block, flags=re.MULTILINE).strip("\n") + "\n" for block in found]
    return [text for text in texts if text.strip()]


def test_the_page_has_a_monitor_a_speed_and_the_file():
    monitor, motion, dbc = blocks()
    assert monitor.startswith('output = "can"')
    assert motion.startswith("[motion]")
    assert dbc.strip() == DBC.read_text(encoding="utf-8").strip()


def test_what_the_page_says_makes_a_build(tmp_path):
    monitor, motion, dbc = blocks()
    (tmp_path / "truck.toml").write_text(can_truck_text(monitor, motion), encoding="utf-8")
    (tmp_path / "frames.dbc").write_text(dbc, encoding="utf-8")
    assert read_build(tmp_path / "truck.toml") == can_truck(dbc=dbc)


@pytest.mark.parametrize("at", [0, 1])
def test_each_of_them_alone_makes_a_build(at):
    monitor, motion, _ = blocks()
    build = can_truck(monitor if at == 0 else None, motion if at == 1 else None)
    assert (build.isolation.output == "can", build.motion is not None and build.motion.output == "can") == (
        at == 0,
        at == 1,
    )


def test_the_figures_are_those_of_the_code():
    """A tenth of a km/h is 27.8 mm/s; a tick of 20 ms at 5 mm/s a ms is 100 mm/s, 0.36 km/h."""
    assert round(0.1 / 3.6 * 1000) == STILL_MM_S
    assert "0.1 km/h (guess)" in PAGE
    assert pytest.approx(0.36) == STEP_MM_S_PER_MS * 20 * 3.6 / 1000
    assert "0.36 km/h with a tick of 20 ms" in PAGE
