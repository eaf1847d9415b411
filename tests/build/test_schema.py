"""The JSON schema: shipped builds fit it, slips of the pen do not. Reference: the jsonschema library."""

import tomllib

import jsonschema
import pytest

from loopwarden_build.schema import build_schema

from .conftest import BUILDS, edited

SCHEMA = build_schema()


def problems(text):
    return [error.json_path for error in jsonschema.Draft202012Validator(SCHEMA).iter_errors(tomllib.loads(text))]


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_shipped_builds_fit(shipped_text):
    assert problems(shipped_text) == []


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('nominal = "380 V"', 'nominal = "380"', "$.pack.nominal"),
        ('nominal = "380 V"', 'nominal = "380 A"', "$.pack.nominal"),
        ('nominal = "380 V"', "nominal = 380", "$.pack.nominal"),
        ('nominal = "380 V"', 'nominl = "380 V"', "$.pack"),
        ("hold_relay = true", "hold_relay = 1", "$.build.hold_relay"),
        ("schema = 1", "schema = 2", "$.build.schema"),
        ('feedback = "normally_closed"', 'feedback = "nc"', "$.contactor.feedback"),
        ('kind = "hard"', 'kind = "soft"', "$.loop[0]"),
        ('["90 %", "0 ohm"]', '["90 %"]', "$.isolation"),
        ('crash = "20 ms"', 'crash = "never"', "$.inputs.crash"),
    ],
)
def test_a_slip_is_marked_where_it_stands(old, new, path):
    assert path in problems(edited((BUILDS / "orchard_truck.toml").read_text(), (old, new)))


def test_none_is_allowed_only_where_something_may_be_missing():
    cart = (BUILDS / "bench_cart.toml").read_text()
    truck = (BUILDS / "orchard_truck.toml").read_text()
    assert problems(edited(cart, ('crash = "none"', 'crash = "10 ms"'))) == []
    assert problems(edited(truck, ('capacity = "120 Ah"', 'capacity = "none"'))) == ["$.pack.capacity"]
    assert problems(edited(cart, ('reference_sense = "none"', 'reference_sense = "no"'))) == ["$.reference_sense"]


def test_every_quantity_says_its_range_and_purpose():
    nominal = SCHEMA["$defs"]["Pack"]["properties"]["nominal"]
    assert nominal["description"].startswith("12 V to 1000 V: nominal voltage")


def test_the_schema_is_always_the_same():
    assert build_schema() == SCHEMA
