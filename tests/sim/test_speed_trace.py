"""The published speed trace arrived whole."""

import csv
from importlib.resources import files

import pytest


@pytest.fixture(scope="module")
def trace():
    """List of (t_s, speed_kmh), as the file has them."""
    lines = (files("loopwarden_sim") / "data" / "wltc_class3b.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [(int(row["t_s"]), float(row["speed_kmh"])) for row in rows]


@pytest.mark.outside(
    subject="drive cycle",
    source="UN GTR 15, Annex 1, seen in a public package's data",
    value="class 3b: 1801 samples, 0 to 1800 s",
)
def test_one_sample_a_second_from_0_to_1800(trace):
    """UN GTR 15, Annex 1: class 3 lasts 1800 s."""
    assert [t_s for t_s, _ in trace] == list(range(1801))


@pytest.mark.outside(
    subject="drive cycle",
    source="UN GTR 15, Annex 1, seen in a public package's data",
    value="class 3b: 23 266 m, 131.3 km/h at 1724 s",
)
def test_length_and_highest_speed_are_the_published_ones(trace):
    """UN GTR 15, Annex 1, class 3b: 23 266 m, 131.3 km/h."""
    assert round(sum(speed_kmh for _, speed_kmh in trace) / 3.6) == 23_266
    assert max((speed_kmh, t_s) for t_s, speed_kmh in trace) == (131.3, 1724)


@pytest.mark.outside(
    subject="drive cycle",
    source="published phase tables of class 3b, from memory",
    value="low 3095 m, medium 4756 m, high 7162 m, extra high 8254 m",
)
@pytest.mark.parametrize(
    ("phase", "first_s", "last_s", "length_m"),
    [
        ("low", 0, 589, 3_095),
        ("medium", 590, 1022, 4_756),
        ("high", 1023, 1477, 7_162),
        ("extra high", 1478, 1800, 8_254),
    ],
)
def test_each_phase_has_its_published_length(trace, phase, first_s, last_s, length_m):
    """Lengths as the published phase tables of class 3b give them (from memory; their sum is 23 267 by rounding)."""
    assert round(sum(speed_kmh for _, speed_kmh in trace[first_s : last_s + 1]) / 3.6) == length_m, phase


def test_each_phase_begins_and_ends_at_rest(trace):
    """A phase can be driven alone."""
    assert [trace[t_s][1] for t_s in (0, 589, 590, 1022, 1023, 1477, 1478, 1800)] == [0.0] * 8
