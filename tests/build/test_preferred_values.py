"""Preferred numbers, against how IEC 60063 makes them."""

import pytest

from loopwarden_build.preferred_values import SERIES, values_ohm


@pytest.mark.outside(
    subject="units and parts",
    source="IEC 60063, from memory",
    value="E12: 10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82",
)
@pytest.mark.outside(
    subject="units and parts",
    source="IEC 60063, from memory",
    value="E24: steps of 10^(1/24) in two digits",
)
def test_e24_is_near_the_twenty_fourth_root_of_ten_and_e12_is_every_second():
    """IEC 60063: steps of 10^(1/24), two digits; older values (27 to 47, 82) are off by one or so (from memory)."""
    for step, number in enumerate(SERIES["E24"]):
        assert abs(number - 10 * 10 ** (step / 24)) < 1.5
    assert SERIES["E12"] == (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)  # from memory


def test_values_of_a_span_include_its_ends_and_nothing_beyond():
    assert values_ohm("E12", 82, 150) == [82, 100, 120, 150]
    assert values_ohm("E24", 0.1, 91e6)[0] == 0.1
    assert values_ohm("E24", 0.1, 91e6)[-1] == 91e6
    assert values_ohm("E12", 83, 99) == []
