"""Temperatures through the build's own tables, against the equations' published values."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.convert.zones import Zones
from loopwarden.signals import OK, OPEN, RANGE, SHORT, STALE
from loopwarden_build.model import NtcZone, Pt1000Zone
from loopwarden_build.sensor_curves import FROM_DEGC, POINTS, STEP_K, zone_rails, zone_table

from .builds import build


def ntc(beta: str = "3950 K", pull_up: str = "10 kohm") -> NtcZone:
    return NtcZone(
        name="z",
        where="pack",
        sensor="ntc",
        r25="10 kohm",
        beta=beta,
        pull_up=pull_up,
        covered_by=[],  # type: ignore[arg-type]
    )


def pt1000() -> Pt1000Zone:
    return Pt1000Zone(name="z", where="motor", sensor="pt1000", pull_up="2.2 kohm", covered_by=[])  # type: ignore[arg-type]


def zones(zone: NtcZone | Pt1000Zone) -> Zones:
    low, high = zone_rails(zone)
    return Zones(
        SimpleNamespace(
            convert_zone_points=POINTS,
            convert_zone_counts16=zone_table(zone),
            convert_zone_start=[0],
            convert_zone_from_dc=round(10 * FROM_DEGC),
            convert_zone_step_dc=round(10 * STEP_K),
            convert_zone_low_counts=[low],
            convert_zone_high_counts=[high],
        )
    )


def counts16(ohm: float, pull_up: float) -> int:
    return round(16 * 4095 * ohm / (ohm + pull_up))


# degC and ohm. NTC: R25 exp(B (1/T - 1/T25)), algebra; Pt1000: IEC 60751, tables.
NTC_3950 = [(0.0, 33_620.6), (25.0, 10_000.0), (50.0, 3588.2), (85.0, 1086.7)]
NTC_3435 = [(0.0, 28_704.3), (50.0, 4101.2), (85.0, 1451.3)]
PT1000 = [(0.0, 1000.0), (25.0, 1097.347), (100.0, 1385.055)]


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra",
    value="NTC R = R25*exp(B*(1/T - 1/T25)), 10 kohm, B 3950: 33 620.6 ohm at 0 degC, 3588.2 at 50, 1086.7 at 85",
)
@pytest.mark.parametrize(("degc", "ohm"), NTC_3950)
def test_an_ntc_of_b_3950(degc: float, ohm: float) -> None:
    assert zones(ntc()).dc(0, counts16(ohm, 10e3)) == pytest.approx(10 * degc, abs=2)


@pytest.mark.outside(
    subject="temperature sensors",
    source="algebra",
    value="the same, B 3435: 28 704.3 ohm at 0 degC, 4101.2 at 50, 1451.3 at 85",
)
@pytest.mark.parametrize(("degc", "ohm"), NTC_3435)
def test_an_ntc_of_b_3435(degc: float, ohm: float) -> None:
    assert zones(ntc("3435 K")).dc(0, counts16(ohm, 10e3)) == pytest.approx(10 * degc, abs=2)


@pytest.mark.outside(
    subject="temperature sensors",
    source="IEC 60751, seen in published tables",
    value="of these on the board: 0, 25 and 100 degC within 0.2 K",
)
@pytest.mark.parametrize(("degc", "ohm"), PT1000)
def test_a_platinum_sensor(degc: float, ohm: float) -> None:
    assert zones(pt1000()).dc(0, counts16(ohm, 2200.0)) == pytest.approx(10 * degc, abs=2)


@pytest.mark.outside(
    subject="temperature sensors",
    source='public tables of "3950" and "3435" parts, seen in public copies',
    value="the 3950 table on the board: within 0.8 K at 0 and 50 degC",
)
@pytest.mark.parametrize(("degc", "published_ohm"), [(0.0, 32_590.0), (50.0, 3601.0)])
def test_published_tables_differ_from_the_equation_by_less_than_a_kelvin(degc: float, published_ohm: float) -> None:
    """Public "3950" table: about 3 % from the B equation at 0 degC, 0.6 K."""
    assert zones(ntc()).dc(0, counts16(published_ohm, 10e3)) == pytest.approx(10 * degc, abs=8)


class Inputs:
    def __init__(self) -> None:
        self.zone_dc: list[int | None] = [0]
        self.zone_state = [OK]


@pytest.mark.parametrize("zone", [ntc(), pt1000()], ids=["ntc", "pt1000"])
@pytest.mark.parametrize(
    ("counts", "states"),
    [(None, {STALE}), (0, {SHORT}), (16 * 8, {SHORT}), (16 * 4094, {OPEN}), (65_520, {OPEN})],
)
def test_a_broken_or_shorted_sensor_is_no_temperature(zone: NtcZone, counts: int | None, states: set[int]) -> None:
    inputs = Inputs()
    made = zones(zone)
    made.bind(inputs)
    made.step([counts])
    assert inputs.zone_dc[0] is None
    assert inputs.zone_state[0] in states


@pytest.mark.parametrize("zone", [ntc(), pt1000()], ids=["ntc", "pt1000"])
def test_between_table_and_rail_is_out_of_range(zone: NtcZone) -> None:
    made = zones(zone)
    low, high = zone_rails(zone)
    ends = sorted((made.table[0], made.table[-1]))
    for counts in (low * 16, high * 16, ends[0] - 1, ends[1] + 1):
        inputs = Inputs()
        made.bind(inputs)
        made.step([counts])
        assert (inputs.zone_dc[0], inputs.zone_state[0]) == (None, RANGE)
    for counts in ends:
        inputs = Inputs()
        made.bind(inputs)
        made.step([counts])
        assert inputs.zone_state[0] == OK


@given(st.integers(0, 65_519))
@pytest.mark.parametrize("zone", [ntc(), pt1000()], ids=["ntc", "pt1000"])
def test_along_the_curve_nothing_turns_back(zone: NtcZone, counts: int) -> None:
    """More resistance is never warmer with an NTC and never colder with platinum."""
    made = zones(zone)
    first, second = made.dc(0, counts), made.dc(0, counts + 1)
    if first is not None and second is not None:
        assert second <= first if zone.sensor == "ntc" else second >= first


def test_each_zone_has_its_turn_and_keeps_its_value_between() -> None:
    made = Zones(build())
    assert made.count == len(build().zone_where)
    inputs = SimpleNamespace(zone_dc=[None] * made.count, zone_state=[STALE] * made.count)
    made.bind(inputs)
    healthy = [made.table[start + made.last // 2] for start in made.start]
    for turn in range(made.count):
        assert inputs.zone_state[turn] == STALE
        assert made.step(healthy) == (turn + 1) % made.count
        assert inputs.zone_state[turn] == OK
    made.step([None] * made.count)
    assert inputs.zone_state[0] == STALE
    assert all(state == OK for state in inputs.zone_state[1:])
