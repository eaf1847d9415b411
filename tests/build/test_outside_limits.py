"""What a build may say, and what the shipped ones do say, against rule books and the trade's habits."""

import pytest


@pytest.mark.outside(
    subject="precharge",
    source="Formula SAE 2026 V1.0 EV.5.6.1, seen in a public copy",
    value="the bus is at 90 % or more before the second main contactor closes",
)
def test_no_build_may_close_the_second_main_below_ninety_per_cent(parse, refusal):
    below = ('fraction = "95 %"', 'fraction = "89 %"')
    code, lines = refusal("orchard_truck", below)
    assert code == 2
    assert any('precharge.fraction = "89 %"' in line for line in lines), lines
    assert parse("orchard_truck", ('fraction = "95 %"', 'fraction = "90 %"')).precharge.fraction == 0.90


@pytest.mark.outside(
    subject="precharge",
    source="Formula Student rules EV 5.7.1, year not stated, seen in a public copy",
    value="95 % or more of the measured pack voltage",
)
@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_the_shipped_builds_charge_to_ninety_five_per_cent(parse, name):
    assert parse(name).precharge.fraction >= 0.95


@pytest.mark.outside(
    subject="temperatures",
    source="Formula SAE 2026 V1.0 EV.7.5.2, seen in a public copy",
    value="the pack's limit is the lower of the cell's sheet and 60 degC, the sensor's error included",
)
@pytest.mark.parametrize(
    ("cell_max", "trip", "fits"),
    [("60 degC", 58, True), ("60 degC", 59, False), ("70 degC", 59, False), ("57 degC", 56, False)],
)
def test_the_packs_trip_is_the_lower_of_sheet_and_sixty_less_the_sensors_error(parse, refusal, cell_max, trip, fits):
    """The truck's sensors are off by 2 K at most."""
    edits = ('trip = "55 degC"', f'trip = "{trip} degC"'), ('cell_max = "60 degC"', f'cell_max = "{cell_max}"')
    if fits:
        assert parse("orchard_truck", *edits).limits.pack.trip == trip
    else:
        code, lines = refusal("orchard_truck", *edits)
        assert code == 1
        assert any(f'limits.pack.trip = "{trip} degC"' in line for line in lines), lines


@pytest.mark.outside(
    subject="temperatures",
    source="common practice",
    value="no charging below 0 degC; above 50 degC full cooling, a few degrees higher less power, shut down at 55",
)
@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_the_shipped_packs_are_kept_within_the_usual_temperatures(parse, name):
    """A build may be more careful: the cart cools and limits 5 and 2 degrees earlier."""
    pack = parse(name).limits.pack
    assert pack.cold >= 0
    assert pack.warm <= 50
    assert pack.warm < pack.hot <= 53
    assert pack.trip == 55


@pytest.mark.outside(
    subject="contactors",
    source="from memory, no sheet seen",
    value="large DC contactors pull in or drop out in 10 to 30 ms",
)
@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_the_shipped_builds_expect_no_faster_contactor_than_there_is(parse, name):
    """A setting, as parts differ; release with what lies over the coil."""
    contactor = parse(name).contactor
    assert 0.010 <= contactor.close_time <= 0.030
    assert contactor.release_time >= 0.030
