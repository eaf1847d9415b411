"""Temperature sensors: the equations against published values, the table against the equations."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden_build import sensor_curves
from loopwarden_build.model import NtcZone, Pt1000Zone

NTC = NtcZone(
    name="n", where="pack", sensor="ntc", r25="10 kohm", beta="3950 K", pull_up="10 kohm", covered_by=[]
)  # as a file gives it
PT1000 = Pt1000Zone(name="p", where="motor", sensor="pt1000", pull_up="2.2 kohm", covered_by=[])


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra",
    value="NTC R = R25*exp(B*(1/T - 1/T25)), 10 kohm, B 3950: 33 620.6 ohm at 0 degC, 3588.2 at 50, 1086.7 at 85",
)
@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra",
    value="the same, B 3435: 28 704.3 ohm at 0 degC, 4101.2 at 50, 1451.3 at 85",
)
@pytest.mark.parametrize(
    ("beta", "degc", "ohm"),
    [
        (3950, 0, 33620.6),
        (3950, 50, 3588.2),
        (3950, 85, 1086.7),
        (3435, 0, 28704.3),
        (3435, 50, 4101.2),
        (3435, 85, 1451.3),
        (3435, 25, 10000.0),
    ],
)
def test_ntc_follows_its_equation(beta, degc, ohm):
    """R25 * exp(B * (1/T - 1/T25)), worked out by hand for 10 kohm."""
    assert sensor_curves.ntc_ohm(degc, 10e3, beta) == pytest.approx(ohm, abs=0.05)


@pytest.mark.outside(
    subject="temperature sensors",
    source='public tables of "3950" and "3435" parts, seen in public copies',
    value="3950: 32 590 ohm at 0 degC, 3601 at 50, 2489 at 60; 3435: 27 280 at 0, 4160 at 50, 1451 at 85: "
    "within 1.2 K of the equation",
)
@pytest.mark.parametrize(
    ("beta", "degc", "table_ohm"),
    [(3950, 0, 32590), (3950, 50, 3601), (3950, 60, 2489), (3435, 0, 27280), (3435, 50, 4160), (3435, 85, 1451)],
)
def test_ntc_comes_close_to_published_tables(beta, degc, table_ohm):
    """Public tables of "3950" and "3435" parts differ from the B equation, by up to 5 % or 1.2 K at 0 degC."""
    assert sensor_curves.ntc_ohm(degc + 1.2, 10e3, beta) < table_ohm < sensor_curves.ntc_ohm(degc - 1, 10e3, beta)


@pytest.mark.outside(
    subject="temperature sensors",
    source="IEC 60751, seen in published tables",
    value="Pt1000: 803.063 ohm at -50 degC, 1000 at 0, 1097.347 at 25, 1385.055 at 100, 1758.560 at 200",
)
@pytest.mark.parametrize(("degc", "ohm"), [(-50, 803.063), (0, 1000), (25, 1097.347), (100, 1385.055), (200, 1758.560)])
def test_pt1000_follows_iec_60751(degc, ohm):
    """Values of published IEC 60751 tables, times ten for a Pt1000."""
    assert sensor_curves.pt1000_ohm(degc) == pytest.approx(ohm, abs=0.001)


@pytest.mark.outside(
    subject="temperature sensors",
    source="computed apart, numpy's interp",
    value="straight between the points of the table: within 0.34 K of the equation",
)
@pytest.mark.parametrize("zone", [NTC, PT1000], ids=["ntc", "pt1000"])
def test_the_table_and_a_straight_line_between_its_points_stay_within_a_third_of_a_kelvin(zone):
    """Reference: numpy.interp along the table, the equation at a hundred places in between."""
    at = np.linspace(-40, 140, 1001)
    table = np.array(sensor_curves.zone_table(zone)) / sensor_curves.FINE
    points = sensor_curves.FROM_DEGC + sensor_curves.STEP_K * np.arange(sensor_curves.POINTS)
    order = np.argsort(table)
    read = np.interp([sensor_curves.zone_counts(zone, t) for t in at], table[order], points[order])
    assert np.max(np.abs(read - at)) < 0.34


@given(degc=st.floats(-40, 150))
def test_a_healthy_sensor_never_reaches_a_rail(degc):
    for zone in (NTC, PT1000):
        low, high = sensor_curves.zone_rails(zone)
        assert low < sensor_curves.zone_counts(zone, degc) < high


def test_broken_and_shorted_sensors_lie_beyond_the_rails():
    for zone in (NTC, PT1000):
        low, high = sensor_curves.zone_rails(zone)
        assert low > 0  # a short reads 0
        assert high < sensor_curves.COUNTS_MAX  # the pull-up of a broken wire reads full scale


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra, by derivative",
    value="25 degC, 10 kohm on 10 kohm: 4095/4*B/T^2 counts per kelvin",
)
def test_degrees_per_count_is_the_slope_of_the_divider():
    """At 25 degC, 10 kohm on 10 kohm, the divider moves by 4095/4 * B/T^2 counts per kelvin (derivative)."""
    assert 1 / sensor_curves.degc_per_count(NTC, 25) == pytest.approx(4095 / 4 * 3950 / 298.15**2, rel=1e-3)
