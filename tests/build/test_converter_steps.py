"""Thresholds stay off the codes at which the chip's own converter steps.

RP2040: erratum E11 of its data sheet, steps at codes 512, 1536, 2560, 3584. RP2350: steps at multiples of 512 in
published measurements, from memory.
"""

import pytest

from loopwarden_build import converter_steps, sensor_curves

PLAN = ("[pins]", "[pins]")


@pytest.mark.outside(
    subject="board and runtime",
    source="RP2040 erratum E11, from memory; RP2350 by published measurements, from memory",
    value="the chip's own converter steps at codes 512, 1536, 2560 and 3584",
)
@pytest.mark.parametrize("chip", ["rp2040", "rp2350"])
@pytest.mark.parametrize("step", [512, 1536, 2560, 3584])
@pytest.mark.parametrize("off", [-14, 0, 14])
def test_a_threshold_on_a_step_is_refused_with_the_step(refusal, chip, step, off):
    """The channel is scaled so that the pack's highest voltage, 117 V of 130 V, comes to lie there."""
    full = round(400 + (step + off - 400) * 130 / 117)
    scale = ("full_counts = 3900\n", f"full_counts = {full}\n")  # the pack's channel is the first
    code, lines = refusal("bench_cart", PLAN, scale, ('chip = "rp2040"', f'chip = "{chip}"'))
    assert code == 1
    words = f"within 16 of {step}, where the {chip.upper()}'s own converter has a step"
    assert any("pins.pack_voltage" in line and "highest voltage lies at" in line and words in line for line in lines)


def test_between_the_steps_of_the_one_chip_lie_those_of_the_other():
    for chip, many in (("rp2040", 4), ("rp2350", 7)):
        assert len(converter_steps.STEPS[chip]) == many
    assert set(converter_steps.STEPS["rp2040"]) < set(converter_steps.STEPS["rp2350"])


def test_every_threshold_is_looked_at_on_both_sides_of_a_step(parse):
    """Sixteen counts: the step itself and some noise. A count further away is fine."""
    build = parse("bench_cart", PLAN)
    found = list(converter_steps.thresholds(build))
    assert {t.signal for t in found} >= {"pack_voltage", "bus_voltage", "supply", "zone 1"}
    for threshold in found:
        nearest = min(abs(threshold.counts - step) for step in converter_steps.STEPS["rp2040"])
        assert nearest > converter_steps.MARGIN_COUNTS


def test_an_external_converter_has_no_such_steps(parse):
    """The truck measures through external converters: a threshold that would be refused on a pin is fine there."""
    pins = {"zone 1": "GP28"}
    build = parse("orchard_truck", PLAN)
    zone = build.zone[0]
    degc = next(t / 10 for t in range(0, 800) if abs(sensor_curves.zone_counts(zone, t / 10) - 1536) <= 16)
    limits = build.limits.model_copy(update={"pack": build.limits.pack.model_copy(update={"hot": degc})})
    moved = build.model_copy(update={"limits": limits})
    assert not list(converter_steps.on_a_step(moved))
    on_pin = moved.model_copy(update={"pins": {**moved.pins, **pins}})
    assert [(t.signal, step) for t, step in converter_steps.on_a_step(on_pin)] == [("zone 1", 1536)]
