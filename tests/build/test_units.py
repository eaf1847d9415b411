"""Quantities as people write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import centi, hour, kilo, kmh, mega, micro, milli, minute, nano

from loopwarden_build.units import UNITS, UnitError, parse, show

_PREFIXES = {"": 1, "n": nano, "u": micro, "m": milli, "c": centi, "k": kilo, "M": mega}
_NAMED = {"min": minute, "h": hour, "km/h": kmh}


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("380 V", "V", 380.0),
        ("47 ohm", "ohm", 47.0),
        ("3.3 kohm", "ohm", 3300.0),
        ("1000 uF", "F", 1e-3),
        ("55 degC", "degC", 55.0),
        ("-25degC", "degC", -25.0),
        ("500 ohm/V", "ohm/V", 500.0),
        ("20 ms", "s", 0.02),
        ("95 %", "fraction", 0.95),
        ("12 K", "K", 12.0),
        ("40 W", "W", 40.0),
        ("400 J", "J", 400.0),
        ("120 Ah", "Ah", 120.0),
        ("25 %/s", "fraction/s", 0.25),
        ("160 km/h", "m/s", 160 / 3.6),
        ("1e3 V", "V", 1000.0),
        (".5 V", "V", 0.5),
    ],
)
def test_a_value_reads_as_written(text, unit, value):
    assert parse(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("380", "has no unit; write V, mV or kV after the number"),
        ("380 A", 'has the unit "A"; needs V, mV or kV'),
        ("380 v", 'has the unit "v"; needs V, mV or kV'),
        ("nan V", "is not a finite number"),
        ("-inf V", "is not a finite number"),
        ("1e999 V", "is not a finite number"),
        ("V", "does not begin with a number; write a number and V, mV or kV"),
        ("3,3 V", 'has the unit ",3 V"; needs V, mV or kV'),
        ("", "does not begin with a number; write a number and V, mV or kV"),
        (380, 'must be text with a unit, such as "380 V"'),
        (True, 'must be text with a unit, such as "12 V"'),
        (float("nan"), 'must be text with a unit, such as "12 V"'),
        (["380 V"], 'must be text with a unit, such as "12 V"'),
    ],
)
def test_what_is_no_quantity_says_why(text, message):
    with pytest.raises(UnitError) as refused:
        parse(text, "V")
    assert str(refused.value) == message


@pytest.mark.outside(
    subject="units and parts",
    source="computed apart, scipy.constants",
    value="prefixes and units of the SI",
)
@pytest.mark.parametrize("base", [base for base in UNITS if base not in ("fraction", "fraction/s", "degC", "K")])
def test_every_unit_has_its_size_in_the_si(base):
    """Source: the prefixes and units of scipy.constants; a name is a prefix before the base unit, or listed there."""
    for name, size in UNITS[base].items():
        expected = _NAMED[name] if name in _NAMED else _PREFIXES[name.removesuffix(base)]
        assert size == pytest.approx(expected, rel=1e-12), name


@given(st.sampled_from(sorted(UNITS)), st.floats(min_value=1e-6, max_value=1e9))
def test_what_is_shown_reads_back_to_four_digits(unit, value):
    assert parse(show(value, unit), unit) == pytest.approx(value, rel=5.1e-4, abs=0)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0, "V", "0 V"),
        (420_000.0, "ohm", "420 kohm"),
        (0.1408, "s", "140.8 ms"),
        (103.0, "s", "103 s"),
        (1800.0, "s", "30 min"),
        (1000.0, "ohm/V", "1000 ohm/V"),
        (-25.0, "degC", "-25 degC"),
        (0.95, "fraction", "95 %"),
    ],
)
def test_shown_values_read_well(value, unit, text):
    assert show(value, unit) == text
