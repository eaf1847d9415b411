"""The isolation monitor's output to ohms: along the data sheet's points, and no number where it cannot be one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.convert.isolation import DUTY, FREQUENCY, LINE, Isolation
from loopwarden.convert.raw import Raw
from loopwarden.signals import DEVICE, OK, RANGE, STALE

from .builds import changed

# R = a / (d - b) - c with the made-up constants a 800 kohm, b 0.10, c 1000 kohm (algebra): duty in 1/100 percent.
POINTS = [(3000, 3_000_000), (5000, 1_000_000), (7000, 333_333), (9000, 0)]
PERIOD_US = 100_000


def duty() -> Isolation:
    return Isolation(
        changed(
            convert_iso_output=DUTY,
            convert_iso_points=[x for x, _ in POINTS],
            convert_iso_ohm=[ohm for _, ohm in POINTS],
            convert_iso_fault_low=9400,
            convert_iso_fault_high=9700,
            convert_iso_stale_ms=300,
        )
    )


def frequency() -> Isolation:
    return Isolation(
        changed(
            convert_iso_output=FREQUENCY,
            convert_iso_points=[1000, 2000, 5000],  # 10, 20, 50 Hz
            convert_iso_ohm=[50_000, 400_000, 50_000_000],
            convert_iso_fault_low=500,
            convert_iso_fault_high=600,
            convert_iso_stale_ms=600,
        )
    )


def read(made: Isolation, high_us: int, low_us: int, fresh: int = 1, dt_ms: int = 20) -> tuple[int | None, int]:
    raw = Raw()
    raw.isolation_fresh, raw.isolation_high_us, raw.isolation_low_us = fresh, high_us, low_us
    made.step(raw, dt_ms)
    return made.ohm, made.state


@pytest.mark.outside(
    subject="isolation monitor",
    source="algebra",
    value="duty R = a/(d - b) - c; a 800 kohm, b 0.10, c 1000 kohm: d 0.90 is 0, 0.70 is 333.3 k, 0.50 is "
    "1 M, 0.30 is 3 M",
)
@pytest.mark.parametrize(("part", "ohm"), [(0.90, 0), (0.70, 333_333), (0.50, 1_000_000), (0.30, 3_000_000)])
def test_the_points_of_the_sheet(part: float, ohm: int) -> None:
    high_us = round(part * PERIOD_US)
    assert read(duty(), high_us, PERIOD_US - high_us) == (pytest.approx(ohm, abs=1000), OK)


@pytest.mark.outside(
    subject="isolation monitor",
    source="algebra",
    value="the same form: a duty of 0.10 and less is off scale",
)
@pytest.mark.parametrize("part", [0.10, 0.09, 0.02])
def test_where_the_form_has_no_resistance_there_is_no_number(part: float) -> None:
    high_us = round(part * PERIOD_US)
    assert read(duty(), high_us, PERIOD_US - high_us) == (None, RANGE)


@pytest.mark.outside(
    subject="isolation monitor",
    source="algebra, by derivative",
    value="the same form: its slope is -a/(d - b)^2 ohm per duty",
)
@pytest.mark.parametrize("part", [0.25, 0.40, 0.60, 0.85])
def test_with_a_point_for_each_percent_the_reading_has_the_slope_of_the_form(part: float) -> None:
    hundredths = range(20, 91)
    made = Isolation(
        changed(
            convert_iso_output=DUTY,
            convert_iso_points=[100 * d for d in hundredths],
            convert_iso_ohm=[round(800e3 / (d / 100 - 0.10) - 1000e3) for d in hundredths],
            convert_iso_fault_low=9400,
            convert_iso_fault_high=9700,
            convert_iso_stale_ms=300,
        )
    )
    (below, _), (above, _) = (
        read(made, round(x * PERIOD_US), round((1 - x) * PERIOD_US)) for x in (part - 0.01, part + 0.01)
    )
    assert below is not None
    assert above is not None
    assert (above - below) / 0.02 == pytest.approx(-800e3 / (part - 0.10) ** 2, rel=0.01)


def test_between_two_points_the_value_is_on_the_line() -> None:
    ohm, state = read(duty(), 60_000, 40_000)
    assert (ohm, state) == (pytest.approx((1_000_000 + 333_333) / 2, rel=1e-3), OK)


@pytest.mark.parametrize(
    ("high_us", "low_us", "expected"),
    [
        (95_000, 5_000, DEVICE),
        (92_000, 8_000, RANGE),  # beyond the table, no fault band
        (25_000, 75_000, RANGE),
        (0, 0, RANGE),
        (50_000, 10_000, RANGE),  # the period of no such monitor
        (90_000, 60_000, RANGE),
    ],
)
def test_what_no_healthy_monitor_gives(high_us: int, low_us: int, expected: int) -> None:
    assert read(duty(), high_us, low_us) == (None, expected)


def test_just_beyond_an_end_the_end_holds() -> None:
    assert read(duty(), 29_300, 70_700) == (3_000_000, OK)
    assert read(duty(), 90_700, 9_300) == (0, OK)


def test_silence_goes_stale_with_its_age() -> None:
    made = duty()
    assert read(made, 50_000, 50_000)[1] == OK
    for _ in range(15):
        assert read(made, 50_000, 50_000, fresh=0)[1] == OK
    assert made.age_ms == 300
    assert read(made, 50_000, 50_000, fresh=0) == (None, STALE)
    for _ in range(5000):
        read(made, 50_000, 50_000, fresh=0)
    assert made.age_ms == 60_000, "a longer silence is no different"
    assert read(made, 50_000, 50_000)[1] == OK


def test_before_the_first_edge_there_is_no_reading() -> None:
    assert read(duty(), 50_000, 50_000, fresh=0) == (None, STALE)


@pytest.mark.parametrize(
    ("hz", "ohm", "state"),
    [
        (10.0, 50_000, OK),
        (15.0, 225_000, OK),
        (50.0, 50_000_000, OK),
        (5.5, None, DEVICE),
        (7.0, None, RANGE),
        (60.0, None, RANGE),
    ],
)
def test_a_frequency(hz: float, ohm: int | None, state: int) -> None:
    high_us = round(5e5 / hz)
    found, found_state = read(frequency(), high_us, high_us)
    assert found_state == state
    assert found == (None if ohm is None else pytest.approx(ohm, rel=2e-3))


@pytest.mark.parametrize("level", [0, 1])
def test_a_line_reads_bad_when_it_is_dead(level: int) -> None:
    made = Isolation(changed(convert_iso_output=LINE, convert_iso_good_ohm=210_000, convert_iso_bad_ohm=0))
    raw = Raw()
    raw.isolation_level = level
    made.step(raw, 20)
    assert (made.ohm, made.state, made.age_ms) == (210_000 * level, OK, 0)


@given(st.integers(0, 4_000_000), st.integers(0, 4_000_000))
def test_any_edge_times_give_a_number_of_the_table_or_none(high_us: int, low_us: int) -> None:
    for made in (duty(), frequency()):
        ohm, state = read(made, high_us, low_us)
        assert (ohm is None) == (state != OK)
        assert ohm is None or 0 <= ohm <= 50_000_000


@given(st.integers(29_000, 90_000))
def test_a_longer_high_time_never_reads_better(high_us: int) -> None:
    made = duty()
    first, second = read(made, high_us, PERIOD_US - high_us)[0], read(made, high_us + 10, PERIOD_US - high_us - 10)[0]
    assert first is not None
    assert second is not None
    assert second <= first
