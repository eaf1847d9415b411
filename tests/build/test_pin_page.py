"""The page to wire from: every signal at its pin, once.

Header of the board: its data sheet's pinout (GP0 is pin 1, GND 3, 8, 13, 18, 23, 28, 38, RUN 30, GP28 34, VBUS 40).
"""

import re

import pytest

from loopwarden_build.pin_page import HEADER, facts, page


def test_the_header_is_the_boards():
    assert len(HEADER) == 40
    assert sorted(n for n, name in HEADER.items() if name == "GND") == [3, 8, 13, 18, 23, 28, 38]
    assert {1: "GP0", 20: "GP15", 21: "GP16", 30: "RUN", 31: "GP26", 33: "AGND", 34: "GP28", 40: "VBUS"}.items() <= (
        HEADER.items()
    )
    gpios = sorted(int(name[2:]) for name in HEADER.values() if name.startswith("GP"))
    assert gpios == [*range(23), 26, 27, 28]


@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_every_signal_stands_where_the_plan_puts_it(parse, name):
    build = parse(name)
    text = page(build)
    assert all(len(line) <= 79 for line in text.splitlines())
    for signal, place in build.pins.items():
        if place == "none":
            assert re.search(rf"Not wired: .*{signal}", text)
        elif place.startswith("GP") and place != "GP29":
            pattern = rf"(\b{re.escape(signal)} +{place} +\d+ \|)|(\| \d+ +{place} +{re.escape(signal)}$)"
            assert re.search(pattern, text, re.MULTILINE), (signal, place)
        elif place != "GP29":
            assert re.search(rf"^ +{place.split()[1]}  {re.escape(signal)}$", text, re.MULTILINE), (signal, place)


def test_what_must_stay_open_says_so(parse):
    assert re.search(r"leave open +GP15 20", page(parse("bench_cart")))


def test_the_plan_as_data_names_pin_direction_and_resistor(parse):
    rows = {row["signal"]: row for row in facts(parse("orchard_truck"))["pins"]}
    assert rows["positive"] == {
        "signal": "positive",
        "place": "GP0",
        "header_pin": 1,
        "direction": "out",
        "meaning": "high: coil on, behind the heartbeat gate",
        "resistor_ohm": 10_000,
        "resistor_to": "ground",
    }
    assert rows["aux_positive"]["meaning"] == "high: main contact open"  # a broken wire is no proof
    assert (rows["key"]["header_pin"], rows["key"]["resistor_ohm"], rows["key"]["direction"]) == (None, 4700, "in")
    assert (rows["zone 1"]["direction"], rows["zone 1"]["resistor_ohm"]) == ("analogue", None)
    assert rows["register_enable"]["resistor_to"] == "3.3 V"
