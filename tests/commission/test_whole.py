"""A whole commissioning over the virtual board's port: the truck and the cart, from the cautions to the first start."""

import pytest

from .virtual_bench import CART, TRUCK, sitting, virtual


@pytest.mark.parametrize("path", [TRUCK, CART], ids=["truck", "cart"])
def test_a_sound_build_passes_every_step(path, tmp_path):
    with virtual(path, tmp_path / "flash.img") as (bench, port, _):
        record, person, ended = sitting(
            bench, port, answers=[("every connector", "lid, disconnect"), ("High voltage now", "now")]
        )
        told = [(one.key, one.result, one.reason) for one in record.steps if one.result != "passed"]
        assert (told, ended) == ([], None), (bench.problem, person.said[-6:])
        assert record.complete


def test_a_board_that_falls_silent_while_live_is_taken_as_live(tmp_path):
    """Its supply is pulled: nothing says that it was proven dead."""
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        instead = [("^Touch nothing", ["power off"])]
        answers = [("High voltage now", "now"), ("What now", "stop")]
        record, person, _ = sitting(bench, port, ["first_start"], instead=instead, answers=answers)
        assert "stopped answering while live; take the drive as LIVE" in record.steps[0].reason
        assert not [text for text in person.said if "supply go" in text]
