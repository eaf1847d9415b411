"""The review: worked examples of others, complete lists, and a page that fits a terminal."""

import json

import pytest

from loopwarden_build.review import converter_cautions, not_watched, rest_v, review
from loopwarden_build.review_page import page

BLEED_ONLY = [
    ('kind = "resistor"\nresistance = "220 ohm"\ntolerance = "10 %"\npulse_energy = "100 J"\n', 'kind = "bleed"\n'),
    ('cooling_time = "60 s"\nrated_voltage = "250 V"\nwindow = "5 s"\n', 'window = "60 s"\n'),
    ('normally_closed = false\nrelease_delay = "none"\n', ""),
]
# The 800 V example of a resistor maker's precharge calculator: 47 ohm, 1 mF.
CALCULATOR = [
    ('nominal = "380 V"', 'nominal = "740 V"'),
    ('lowest = "300 V"', 'lowest = "600 V"'),
    ('highest = "420 V"', 'highest = "800 V"'),
    ('over = "425 V"', 'over = "810 V"'),
    ('low = "315 V"', 'low = "620 V"'),
    ('under = "295 V"', 'under = "590 V"'),
    ('charge_end = "415 V"', 'charge_end = "790 V"'),
    ('full_scale = "500 V"', 'full_scale = "900 V"'),
    ('full_scale = "500 V"', 'full_scale = "900 V"'),
    ('resistance = "100 ohm"', 'resistance = "47 ohm"'),
    ('pulse_energy = "600 J"', 'pulse_energy = "2 kJ"'),
    ('pulse_energy = "400 J"', 'pulse_energy = "2 kJ"'),
    ('voltage = "500 V"', 'voltage = "1000 V"'),
    ('voltage = "600 V"', 'voltage = "1000 V"'),
    ('voltage = "500 V"', 'voltage = "1000 V"'),
]


def facts(parse, name, *edits):
    return review(parse(name, *edits), "0" * 64)


def test_precharge_of_the_resistor_makers_calculator(parse):
    """47 ohm, 1 mF, 800 V: its page prints tau 47.0 ms, 95 % in 141 ms (3 tau), 17.0 A, 13.6 kW, 320 J."""
    precharge = facts(parse, "orchard_truck", *CALCULATOR)["precharge"]
    assert precharge["rc_s"] == pytest.approx(0.047)
    assert precharge["time_s"] == pytest.approx(0.1408, abs=5e-5)
    assert precharge["peak_a"] == pytest.approx(17.0, abs=0.05)
    assert precharge["peak_w"] == pytest.approx(13_600, abs=50)
    assert precharge["energy_j"] == pytest.approx(320)


def test_closing_at_95_percent_leaves_little_to_the_contact(parse):
    """C*dV^2/2 at 5 % of 420 V and 1 mF: 0.2205 J (by hand)."""
    assert facts(parse, "orchard_truck")["precharge"]["closing_loss_j"] == pytest.approx(0.2205)


@pytest.mark.parametrize(
    ("ohm", "reserve_j", "cases"),
    [
        # A short is the dearer: full voltage for 30 ms travel, 40 ms until noticed, 40 ms release and two ticks.
        (100, 420**2 / 95 * 0.150, ((278.6, 1), (375.5, 1), (375.6, 2), (600, 4), (1000, 8))),
        # Here twice the good start is: the short would take 420^2 / 190 * 0.170 s = 157.8 J.
        (200, 1.1e-3 * 420**2, ((194.1, 1), (291, 1), (292, 2), (388.1, 3), (1000, 9))),
    ],
)
def test_starts_in_a_row_agree_with_a_resistor_that_is_heated_step_by_step(parse, ohm, reserve_j, cases):
    """Each start must find its whole reserve free and really takes C*V^2/2; counted out, not computed."""
    for energy_j, expected in cases:
        build = parse(
            "orchard_truck",
            ('resistance = "100 ohm"', f'resistance = "{ohm} ohm"'),
            ('pulse_energy = "600 J"', f'pulse_energy = "{energy_j} J"'),
        )
        heat_j, starts = 0.0, 0
        while heat_j + reserve_j <= energy_j:
            heat_j += 1.1e-3 * 420**2 / 2
            starts += 1
        assert review(build, "")["precharge"]["starts_in_a_row"] == starts == expected


@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="1.05 kohm, 1.1 mF, 420 V: 60 V after 2.248 s, 50 V after 2.458 s, 57 V after 2.307 s; bleed of "
    "47 kohm to 60 V 100.6 s",
)
def test_discharge_times_with_every_part_at_its_slow_end(parse):
    """t = R*C*ln(V0/V) with 1.05 kohm and 1.1 mF from 420 V (by hand): 2.248 s, 2.458 s, 2.307 s."""
    discharge = facts(parse, "orchard_truck")["discharge"]
    assert discharge["active_s"]["60_v"] == pytest.approx(2.2476, abs=5e-4)
    assert discharge["active_s"]["50_v"] == pytest.approx(2.4582, abs=5e-4)
    assert discharge["active_s"]["dead"] == pytest.approx(2.3068, abs=5e-4)
    assert discharge["bleed_s"]["60_v"] == pytest.approx(100.6, abs=0.05)


@pytest.mark.outside(
    subject="voltage class",
    source="UN R100, definitions, and Formula SAE 2026 V1.0 T.9.1.1, both seen in public copies; ISO 6469-3 "
    "class B alike, from memory",
    value="high voltage is above 60 V DC: 60.0 V itself is low voltage",
)
def test_a_class_is_high_only_above_60_volts(parse):
    """UN R100, definitions, and Formula SAE 2026 T.9.1.1: 60 V itself is low voltage."""
    edits = [
        ('nominal = "96 V"', 'nominal = "48 V"'),
        ('lowest = "84 V"', 'lowest = "42 V"'),
        ('low = "86 V"', 'low = "43 V"'),
        ('under = "79 V"', 'under = "39.5 V"'),
        ('charge_end = "112 V"', 'charge_end = "56 V"'),
        ('over = "117 V"', 'over = "62 V"'),
        ('proof_max = "30 s"', 'proof_max = "60 s"'),
    ]
    at_60 = facts(parse, "bench_cart", *edits, ('highest = "116 V"', 'highest = "60 V"'))
    assert at_60["voltage"]["is_high_voltage"] is False
    assert at_60["voltage"]["class"].startswith("low voltage")
    assert at_60["card"]["gloves"] is None
    above = facts(parse, "bench_cart", *edits, ('highest = "116 V"', 'highest = "60.1 V"'))
    assert above["voltage"]["class"].startswith("high voltage: above 60 V")
    assert above["card"]["gloves"] == "class 00 (750 V DC)"


@pytest.mark.outside(
    subject="cautions",
    source="ASTM D120 / IEC 60903, seen in pages on them",
    value="gloves of class 00 up to 750 V DC, of class 0 up to 1500 V DC",
)
@pytest.mark.parametrize(
    ("highest", "gloves"), [(750, "class 00 (750 V DC)"), (751, "class 0 (1500 V DC)"), (1000, "class 0 (1500 V DC)")]
)
def test_the_card_asks_for_gloves_of_the_class_for_the_highest_voltage(parse, highest, gloves):
    truck = parse("orchard_truck")
    pack = truck.pack.model_copy(update={"highest": highest})
    assert review(truck.model_copy(update={"pack": pack}), "")["card"]["gloves"] == gloves


def test_margins_of_the_ratings(parse):
    rows = {row["part"]: row for row in facts(parse, "orchard_truck")["ratings"]}
    assert (rows["pack fuse"]["margin_v_percent"], rows["pack fuse"]["margin_a_percent"]) == (19, 17)
    assert rows["charge inlet"]["needs_a"] == 120
    assert rows["bus capacitor"]["margin_a_percent"] is None
    assert set(rows) >= {"main contactors", "precharge resistor", "discharge resistor"}


def test_only_hard_loops_cut_the_drive_at_speed(parse):
    effects = {loop["kind"]: loop["effect"] for loop in facts(parse, "orchard_truck")["loops"]}
    assert effects["hard"] == "this connector, opened at speed, cuts the drive"
    assert all("cuts the drive" not in effect for kind, effect in effects.items() if kind != "hard")


@pytest.mark.parametrize(
    ("edit", "watched_no_more"),
    [
        (('kind = "permit_charge"', 'kind = "watched"'), "single cells: "),
        (('crash = "20 ms"', 'crash = "none"'), "a crash: "),
        (('charger_done = "fitted"', 'charger_done = "none"'), "the charger's own end: "),
        (('coolant_feedback = "fitted"', 'coolant_feedback = "none"'), "whether the coolant moves: "),
        (('coil_feedback = "fitted"', 'coil_feedback = "none"'), "the coil drivers"),
        (('lamp_feedback = "fitted"', 'lamp_feedback = "none"'), "the lamps: "),
        (('covered_by = ["pack middle"]', "covered_by = []"), "pack zones without a second sensor: pack front"),
        (('feedback = "normally_closed"', 'feedback = "normally_open"'), "contactor contacts while open: "),
        (('side = "pack"', 'side = "bus"'), "isolation of the pack side while the contactors are open"),
        (("active_while_plugged = true", "active_while_plugged = false"), "isolation while plugged in: "),
        (('kind = "duty"', 'kind = "enable_only"'), "the limits: "),
        (('proof = "live_zero"', 'proof = "none"'), "the pack channel's wire: "),
        (("[build]\n", "[can]\nfirst_id = 0x5C0\n\n[build]\n"), "whoever goes by the frames that it is to send"),
    ],
)
def test_what_is_taken_away_is_listed_as_not_watched(parse, edit, watched_no_more):
    assert not any(text.startswith(watched_no_more) for text in not_watched(parse("orchard_truck")))
    assert any(text.startswith(watched_no_more) for text in not_watched(parse("orchard_truck", edit)))


def test_the_cart_lists_all_that_it_does_without(parse):
    texts = not_watched(parse("bench_cart"))
    for missing in ("single cells", "speed", "pack current", "contactor contacts", "a crash", "a charge plug"):
        assert any(text.startswith(missing) for text in texts), missing
    for missing in ("the converter itself", "the inverter's", "the motor's", "isolation above the fault level"):
        assert any(text.startswith(missing) for text in texts), missing


def test_a_bleed_is_no_active_discharge_and_the_card_prints_the_wait(parse):
    """10 kohm * 2.64 mF * ln(116/15.8) = 52.6 s (by hand)."""
    bleeding = facts(parse, "bench_cart", *BLEED_ONLY)
    assert bleeding["discharge"]["active_s"] is None
    assert bleeding["card"]["live_s"] == pytest.approx(52.63, abs=0.01)
    text = page(bleeding)
    assert "NO active discharge, only a passive bleed" in text
    assert "Live for up to 52.6 s after the contactors have opened." in text


def test_shipped_builds_have_no_threshold_at_a_converter_step(parse):
    assert converter_cautions(parse("orchard_truck")) == []
    assert converter_cautions(parse("bench_cart")) == []


@pytest.mark.parametrize(
    ("edit", "caution"),
    [
        # 2560 counts are (2560 - 400) / 7 per volt = 308.6 V; RP2040 erratum E11.
        (
            ('low = "315 V"', 'low = "309 V"'),
            "pack.low lies at count 2563, within 16 of 2560, where the converter jumps",
        ),
        (('failing = "8 V"', 'failing = "7.7 V"'), "supply.failing lies at count 1540, within 16 of 1536"),
        (
            ('error = "3 V"', 'error = "2 V"'),
            "voltage_sense.pack.error is 2 V, but the converter's jumps alone are 2.286 V",
        ),
        (
            ('["66 %", "428.6 kohm"],\n    ["60 %", "600 kohm"],\n', ""),
            "isolation.table has no point between 333.3 kohm and 1 Mohm, where isolation.warn lies",
        ),
    ],
)
def test_what_the_converter_is_not_good_enough_for_is_said(parse, edit, caution):
    assert any(text.startswith(caution) for text in converter_cautions(parse("orchard_truck", edit)))


def test_lay_up_reads_the_builds_own_charge_table(parse):
    truck = parse("orchard_truck")
    assert rest_v(truck, 0.40) == 363
    assert rest_v(truck, 0.35) == pytest.approx(360)  # half way from 357 V to 363 V
    assert (rest_v(truck, 0), rest_v(truck, 1)) == (300, 420)
    lay_up = facts(parse, "orchard_truck")["lay_up"]
    assert lay_up["store_rest_v"] == 363
    assert (lay_up["refill_from_rest_v"], lay_up["refill_to_rest_v"]) == (336, 357)
    assert lay_up["refill_ah"] == pytest.approx(24)


def test_recoverable_capacity_is_that_of_battery_reference_pages(parse):
    """40 % charge, one year: 98, 96, 85, 75 % at 0, 25, 40, 60 degC."""
    table = facts(parse, "orchard_truck")["lay_up"]["recoverable_percent_after_a_year"]
    assert table == {"0": 98, "25": 96, "40": 85, "60": 75}


@pytest.mark.parametrize(
    ("name", "edits"),
    [("orchard_truck", []), ("bench_cart", []), ("bench_cart", BLEED_ONLY), ("orchard_truck", CALCULATOR)],
)
def test_the_page_fits_a_terminal_and_the_facts_are_plain_json(parse, name, edits):
    found = facts(parse, name, *edits)
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    lines = page(found).splitlines()
    assert max(map(len, lines)) <= 80
    assert all(line.isascii() for line in lines)
    for section in ("Isolation", "Precharge", "Ratings", "Thresholds", "Interlock loops", "Laying it up", "Cautions"):
        assert section in lines
    assert any(line.startswith("  - Bench and learning equipment: not certified") for line in lines)
    card = [line for line in lines if line.startswith(("|", "+"))]
    assert {len(line) for line in card} == {80}
    assert "| Disconnect:" in page(found)
