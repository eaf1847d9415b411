"""Isolation by meter: the formulas against a network solver, and everything that must never be called healthy."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from loopwarden_build.isolation_meter import (
    FAILS,
    LIMITS_OHM_PER_V,
    NEGATIVE,
    NOT_YET,
    PASSES,
    POSITIVE,
    UNSAID,
    Meter,
    Question,
    Readings,
    expected_sum_v,
    judge,
    known_sizes_ohm,
    parallel_ohm,
    parallel_with_meter_ohm,
    worse_pole_ohm,
)

IDEAL = Meter(math.inf, True, 0.0, 0.0)
HAND_HELD = Meter(10e6, False, 0.01, 0.5)
LEAK_OHM = st.floats(1e3, 1e9)
METER_OHM = st.one_of(st.just(math.inf), st.floats(1e5, 1e9))
KNOWN_OHM = st.floats(1e3, 1e7)


def network_v(plus_ohm, minus_ohm, vb_v, at_minus_ohm=(), at_plus_ohm=()):
    """Volts from chassis to negative pole and from positive pole to chassis, by nodal analysis (numpy.linalg.solve).

    at_minus_ohm, at_plus_ohm   what else lies from the negative and the positive pole to chassis
    """
    g_minus = 1 / minus_ohm + sum(1 / ohm for ohm in at_minus_ohm)
    g_plus = 1 / plus_ohm + sum(1 / ohm for ohm in at_plus_ohm)
    # Unknown: negative pole, positive pole (chassis is 0 V), current through the source.
    matrix = [[g_minus, 0, 1], [0, g_plus, -1], [-1, 1, 0]]
    minus_v, plus_v, _ = np.linalg.solve(matrix, [0, 0, vb_v])
    return -float(minus_v), float(plus_v)


def measured(plus_ohm, minus_ohm, meter_ohm, known_ohm, vb_v=400.0):
    """What a meter shows in both steps, Ro put where Annex 5A says."""
    v1_v, _ = network_v(plus_ohm, minus_ohm, vb_v, at_minus_ohm=[meter_ohm])
    _, v2_v = network_v(plus_ohm, minus_ohm, vb_v, at_plus_ohm=[meter_ohm])
    if v1_v >= v2_v:
        with_known_v, _ = network_v(plus_ohm, minus_ohm, vb_v, at_minus_ohm=[meter_ohm, known_ohm])
    else:
        _, with_known_v = network_v(plus_ohm, minus_ohm, vb_v, at_plus_ohm=[meter_ohm, known_ohm])
    return Readings(vb_v, v1_v, v2_v, known_ohm, with_known_v)


def asked(working_v=400.0, case="joined", meter=HAND_HELD, known_part=0.05, nominal_v=None):
    return Question(working_v, nominal_v, case, meter, known_part)


# Algebra, confirmed with a network solver: R+, R-, Ro, meter, Vb, V1, V2, pole of Ro, V', Ri, Rpar with the meter.
TABLE = [
    (1e6, 1e6, 200e3, math.inf, 400, 200, 200, NEGATIVE, 57.1429, 1e6, 500e3),
    (100e3, 1e9, 40e3, math.inf, 400, 399.96, 0.04, NEGATIVE, 114.2824, 100e3, 99.99e3),
    (2e6, 500e3, 150e3, math.inf, 300, 60, 240, POSITIVE, 65.4545, 500e3, 400e3),
    (250e3, 750e3, 200e3, math.inf, 400, 300, 100, NEGATIVE, 154.8387, 250e3, 187.5e3),
    (5e6, 5e6, 200e3, 10e6, 400, 160, 160, NEGATIVE, 14.5455, 5e6, 2e6),
]


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 Rev 3 Annex 5A, seen in a public copy",
    value="Ri = Ro*Vb*(1/V1' - 1/V1) with Ro at the negative pole where V1 >= V2, else the same at the "
    "positive pole with V2, V2'",
)
@pytest.mark.outside(
    subject="isolation by meter",
    source="algebra, confirmed by a network solver",
    value="worked readings: 1 M and 1 M; 100 k and 1 G; 2 M and 500 k; 250 k and 750 k: V1, V2, V', Ri, Rpar",
)
@pytest.mark.outside(
    subject="isolation by meter",
    source="algebra, confirmed by a network solver",
    value="the same with a meter of 10 Mohm at 5 M and 5 M: Ri 5.000 M, Rpar with the meter 2.0 M, without it 2.5 M",
)
@pytest.mark.parametrize(
    ("plus", "minus", "known", "meter", "vb", "v1", "v2", "pole", "with_known", "worse", "parallel"), TABLE
)
def test_worked_readings(plus, minus, known, meter, vb, v1, v2, pole, with_known, worse, parallel):
    readings = Readings(vb, v1, v2, known, with_known)
    assert readings.known_at == pole
    if plus != minus:
        assert readings.worse_pole == (POSITIVE if plus < minus else NEGATIVE)
    assert worse_pole_ohm(vb, readings.larger_v, with_known, known) == pytest.approx(worse, rel=1e-4)
    assert parallel_with_meter_ohm(readings.larger_v, with_known, known) == pytest.approx(parallel, rel=1e-4)
    assert parallel_ohm(readings, with_known, known) == pytest.approx(1 / (1 / plus + 1 / minus), rel=1e-4)
    solved = measured(plus, minus, meter, known, vb)
    assert (solved.v1_v, solved.v2_v, solved.with_known_v) == pytest.approx((v1, v2, with_known), abs=0.005)


@pytest.mark.outside(
    subject="isolation by meter",
    source="algebra, confirmed by a network solver",
    value="Ri and Rpar of the worked readings in ohm/V: 2500 and 1250, 250 and 250, 1667 and 1333, 625 and 468.75",
)
@pytest.mark.parametrize(
    ("row", "worse_per_v", "parallel_per_v"),
    [(0, 2500, 1250), (1, 250, 250), (2, 1667, 1333), (3, 625, 468.75)],
)
def test_ohm_per_volt_of_the_worked_readings(row, worse_per_v, parallel_per_v):
    """The same rows: ohm per volt with the working voltage at Vb (algebra)."""
    *_, known, _, vb, v1, v2, _, with_known, _, _ = TABLE[row]
    facts = judge(Readings(vb, v1, v2, known, with_known), asked(vb, "dc", IDEAL, 0.0))
    assert facts["worse_pole_ohm_per_v"] == pytest.approx(worse_per_v, rel=3e-4)
    assert facts["parallel_ohm_per_v"] == pytest.approx(parallel_per_v, rel=3e-4)


@pytest.mark.outside(
    subject="isolation by meter",
    source="FMVSS 305 S7.6, from memory; its readings algebra",
    value="Ri = Ro*(1 + V2/V1)*(V1 - V1')/V1' is the annex's form only where V1 + V2 = Vb; at 5 M and 5 M, 200 k and a "
    "meter of 10 Mohm it reads 4.000 M, where 5.000 M is true",
)
def test_the_other_published_form_agrees_only_with_a_meter_that_draws_nothing():
    def summed_ohm(readings):
        part = (readings.larger_v - readings.with_known_v) / readings.with_known_v
        return readings.known_ohm * (1 + readings.smaller_v / readings.larger_v) * part

    def ours_ohm(readings):
        return worse_pole_ohm(readings.vb_v, readings.larger_v, readings.with_known_v, readings.known_ohm)

    ideal, real = measured(5e6, 5e6, math.inf, 200e3), measured(5e6, 5e6, 10e6, 200e3)
    assert ours_ohm(ideal) == pytest.approx(summed_ohm(ideal))
    assert summed_ohm(real) == pytest.approx(4.0e6, rel=1e-6)
    assert ours_ohm(real) == pytest.approx(5.0e6, rel=1e-6)


@pytest.mark.outside(
    subject="isolation by meter",
    source="computed apart, nodal analysis by numpy",
    value="Ri is 1 to 2 times Rpar, exactly 2 when balanced",
)
@pytest.mark.outside(
    subject="isolation by meter",
    source="computed apart, nodal analysis by numpy",
    value="any leaks: Ri is the smaller of R+ and R-, not their parallel value; Rpar = Ro*(V - V')/V'",
)
@given(plus=LEAK_OHM, minus=LEAK_OHM, meter=METER_OHM, known=KNOWN_OHM)
def test_worse_pole_and_parallel_are_exact_whatever_the_meter_draws(plus, minus, meter, known):
    """Against the network solver; readings that a double cannot resolve are left out."""
    readings = measured(plus, minus, meter, known)
    assume(readings.larger_v > 1e-3 and readings.larger_v - readings.with_known_v > 1e-6 * readings.larger_v)
    worse = worse_pole_ohm(readings.vb_v, readings.larger_v, readings.with_known_v, known)
    assert worse == pytest.approx(min(plus, minus), rel=1e-5)
    assert readings.v1_v / readings.v2_v == pytest.approx(minus / plus, rel=1e-5)
    leak = 1 / (1 / plus + 1 / minus)
    assert parallel_ohm(readings, readings.with_known_v, known) == pytest.approx(leak, rel=1e-5)
    seen = parallel_with_meter_ohm(readings.larger_v, readings.with_known_v, known)
    assert 1 / seen == pytest.approx(1 / leak + 1 / meter, rel=1e-5)
    assert readings.v1_v + readings.v2_v == pytest.approx(expected_sum_v(400, leak, meter), rel=1e-5)
    assert 1 - 1e-5 < worse / leak < 2 + 1e-5


@given(plus=st.floats(1e4, 1e7), minus=st.floats(1e4, 1e7), meter=st.floats(10e6, 1e9), errors=st.data())
def test_the_true_value_lies_in_the_band_of_any_meter_within_its_error(plus, minus, meter, errors):
    """Every reading off by its own error, anywhere within what the meter's sheet allows."""
    part, volts = 0.005, 0.2
    true = measured(plus, minus, meter, 200e3)

    def read(volt):
        off = errors.draw(st.floats(-1, 1))
        return max(0.0, (volt + off * volts) / (1 - off * part))

    ro_off = errors.draw(st.floats(-0.05, 0.05))
    readings = Readings(read(400.0), read(true.v1_v), read(true.v2_v), 200e3 / (1 + ro_off), read(true.with_known_v))
    assume(readings.known_at == true.known_at)
    facts = judge(readings, asked(working_v=420.0, meter=Meter(10e6, False, part, volts), known_part=0.05))
    if facts["worse_pole_ohm"] is None:
        assert facts["verdict"] == UNSAID
        return
    assert facts["worse_pole_lowest_ohm"] <= min(plus, minus) * 1.001
    assert facts["worse_pole_highest_ohm"] >= min(plus, minus) * 0.999
    assert facts["parallel_lowest_ohm"] <= facts["parallel_ohm"] <= facts["parallel_highest_ohm"]
    if facts["ok"]:
        assert min(plus, minus) >= 0.999 * facts["limit_ohm"]
    if facts["verdict"] == FAILS:
        assert min(plus, minus) <= 1.001 * facts["limit_ohm"]


@given(plus=st.floats(1e3, 1e9), minus=st.floats(1e3, 1e9), meter=st.floats(10e6, 1e9))
def test_ro_at_the_wrong_pole_never_passes_what_is_below_the_limit(plus, minus, meter):
    """Ro and meter at the pole that reads less: the annex's form then gives the larger leak."""
    right = measured(plus, minus, meter, 200e3)
    if right.known_at == NEGATIVE:
        _, with_known_v = network_v(plus, minus, 400.0, at_plus_ohm=[meter, 200e3])
    else:
        with_known_v, _ = network_v(plus, minus, 400.0, at_minus_ohm=[meter, 200e3])
    facts = judge(Readings(400.0, right.v1_v, right.v2_v, 200e3, with_known_v), asked())
    if facts["ok"]:
        assert min(plus, minus) >= 200e3


@pytest.mark.outside(
    subject="isolation limits",
    source="UN R100 Rev 3, 5.1.3.1, seen in a public copy",
    value="separate buses: 100 (DC) and 500 (AC) ohm per volt of working voltage",
)
def test_the_limits_are_those_of_un_r100():
    """UN R100 Rev 3, 5.1.3.1 (separate buses) and 5.1.3.2 (joined), seen: ohm per volt of working voltage."""
    assert LIMITS_OHM_PER_V == {"joined": 500, "joined-protected": 100, "ac": 500, "dc": 100}


@pytest.mark.outside(
    subject="isolation limits",
    source="algebra, confirmed by a network solver",
    value="250 k and 750 k at 400 V pass 500 ohm/V as the worse pole and fail it in parallel; which of the "
    "two is meant is said",
)
def test_the_same_leak_passes_as_the_worse_pole_and_would_fail_in_parallel():
    """250 kohm and 750 kohm at 400 V: 625 ohm/V passes, 468.75 ohm/V would not (algebra, network solver)."""
    facts = judge(measured(250e3, 750e3, math.inf, 200e3), asked())
    assert (facts["verdict"], facts["ok"], facts["compared"]) == (PASSES, True, "the worse pole")
    assert facts["notes"].startswith("Both poles in parallel are 187.5 kohm, below the same ohm/V")


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 Rev 3 Annex 5A, seen in a public copy",
    value="the annex divides Ri by the nominal voltage; the limit is per volt of working voltage",
)
def test_the_limit_is_over_the_working_voltage_and_the_annex_divides_by_the_nominal():
    """UN R100 Rev 3 Annex 5A divides by nominal voltage (seen); the limit is per volt of working voltage (seen)."""
    facts = judge(measured(190e3, 190e3, 10e6, 180e3, 360.0), asked(420.0, nominal_v=360.0))
    assert facts["worse_pole_ohm_per_nominal_v"] == pytest.approx(190e3 / 360)  # 528: it would have passed
    assert facts["worse_pole_ohm_per_v"] == pytest.approx(190e3 / 420)  # 452
    assert facts["known_wanted_ohm"] == 500 * 360
    assert facts["limit_ohm"] == 500 * 420
    assert not facts["ok"]


@pytest.mark.parametrize(
    ("case", "verdict"), [("joined", FAILS), ("ac", FAILS), ("joined-protected", PASSES), ("dc", PASSES)]
)
def test_the_circuit_decides_which_limit_holds(case, verdict):
    """200 ohm/V at 400 V: above 100, below 500."""
    facts = judge(measured(80e3, 80e3, 10e6, 80e3), asked(case=case))
    assert facts["verdict"] == verdict


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 Rev 3 Annex 5A, seen in a public copy",
    value="Ro near the required ohm/V times the voltage, +-20 %",
)
def test_before_step_two_there_is_no_verdict_but_a_place_and_a_size_for_ro():
    """Annex 5A: Ro at the pole that reads more, near 500 ohm/V times 400 V, +-20 % (seen)."""
    facts = judge(Readings(400, 90, 270), asked())
    assert (facts["verdict"], facts["ok"], facts["known_at"]) == (NOT_YET, False, POSITIVE)
    assert (facts["known_lowest_ohm"], facts["known_wanted_ohm"], facts["known_highest_ohm"]) == (160e3, 200e3, 240e3)
    assert known_sizes_ohm(200e3) == [160e3, 180e3, 200e3, 220e3, 240e3]
    assert facts["known_w"] == pytest.approx(400**2 / 200e3)  # the other pole shorted to chassis: V^2/R


@pytest.mark.outside(
    subject="isolation by meter",
    source="algebra",
    value="settling: tau = Cy times R+, R- and Ro in parallel; 1 uF, 1 M, 1 M, 200 k: 1 % left after 658 ms",
)
def test_settling_of_one_microfarad_with_a_megohm_at_each_pole():
    """Cy 1 uF, 1 M, 1 M, Ro 200 k: 1 % of the step is left after 658 ms (algebra); what is said is no shorter."""
    facts = judge(measured(1e6, 1e6, 10e6, 200e3), asked())
    exact_s = math.log(100) * 1e-6 / (1e-6 + 1e-6 + 5e-6)
    assert exact_s == pytest.approx(0.658, abs=5e-4)
    assert exact_s <= facts["settle_per_microfarad_s"] <= 1.5 * exact_s


@pytest.mark.parametrize("at", [(1e3, 1e9), (1e9, 1e3), (1e3, 1e3)])
def test_a_hard_leak_fails_or_is_not_said_to_be_well(at):
    assert judge(measured(*at, 10e6, 200e3), asked())["verdict"] in (FAILS, UNSAID)


GOOD = Readings(400, 190.476, 190.476, 200e3, 56.3380)  # 1 Mohm and 1 Mohm by a 10 Mohm meter (network solver)


def test_the_good_readings_that_the_next_test_spoils_pass():
    assert measured(1e6, 1e6, 10e6, 200e3).with_known_v == pytest.approx(GOOD.with_known_v, abs=1e-3)
    assert judge(GOOD, asked())["verdict"] == PASSES


@pytest.mark.parametrize(
    ("readings", "question", "said"),
    [
        (Readings(400, 190, 190, 200e3, 190), asked(), "Ro changed nothing"),
        (Readings(400, 190, 190, 200e3, 195), asked(), "Ro changed nothing"),
        (Readings(400, 390, 190, 200e3, 54), asked(), "more than Vb"),
        (Readings(400, 130, 130, 200e3, 60), asked(), "the meter draws more than was said"),
        (Readings(400, 90, 90, 200e3, 10), asked(), "far below Vb"),
        (Readings(60, 28, 28, 50e3, 8), asked(100.0), "Vb of 60 V is not above 60 V"),
        (Readings(12, 6, 6, 200e3, 2), asked(), "not measured live"),
        (Readings(0, 0, 0, 200e3, 0), asked(), "not measured live"),
        (Readings(190, 90, 90, 200e3, 26), asked(), "less than half of the working voltage"),
        (Readings(400, 190, 190, 200e3, 0), asked(), "V' = 0 V is below what this meter can tell"),
        (Readings(400, 190, 190, 200e3, 0.4), asked(), "below what this meter can tell from 0 V"),
        (Readings(400, 0, 0, 200e3, 0), asked(), "a lead makes no contact"),
        (Readings(400, 0.3, 0.4, 200e3, 0.1), asked(), "a lead makes no contact"),
        (Readings(400, 190, 190, 200, 0.6), asked(), "slip of the unit"),
        (Readings(400, 190, 190, 200e6, 54), asked(), "slip of the unit"),
        (Readings(400, 190.5, 190.5, 2e6, 54.4), asked(), "slip of the unit"),
        (Readings(400, 396, 4, 200e3, 3.17), asked(), "Say so with --ro-at"),
        (Readings(400, 396, 4, 200e3, 3.17, POSITIVE), asked(), "Measure again with Ro there"),
        (Readings(400, 200, 200, 200e3, 57), asked(meter=Meter(10e6, True, 0.01, 0.5)), "this meter has more ohm"),
        (Readings(400, 190.5, 190.5, 200e3, 54.4), asked(meter=Meter(math.inf, True, 0.01, 0.5)), "draws more than"),
    ],
)
def test_what_is_never_called_healthy(readings, question, said):
    facts = judge(readings, question)
    assert (facts["verdict"], facts["ok"]) == (UNSAID, False)
    assert said in facts["why"]
    assert facts["worse_pole_ohm"] is None  # and no number to be taken for one
    assert facts["parallel_ohm"] is None


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 on megohmmeters, seen in a copy of the clause",
    value="insulation is judged at half of the working voltage or more",
)
@pytest.mark.parametrize(("vb", "judged"), [(199, False), (200, True)])
def test_below_half_of_the_working_voltage_nothing_is_judged(vb, judged):
    facts = judge(measured(1e6, 1e6, 10e6, 200e3, vb), asked(400.0))
    assert (facts["verdict"] == PASSES) is judged


@pytest.mark.parametrize("leak_ohm", [190e3, 200e3, 215e3])
def test_a_band_across_the_limit_cannot_be_said(leak_ohm):
    """The limit is 200 kohm; meter and Ro allow about 12 %."""
    facts = judge(measured(leak_ohm, leak_ohm, 10e6, 200e3), asked())
    assert facts["verdict"] == UNSAID
    assert facts["worse_pole_lowest_ohm"] < 200e3 <= facts["worse_pole_highest_ohm"]
    assert "lies between" in facts["why"]


def test_a_better_meter_decides_what_a_poor_one_cannot():
    readings = measured(215e3, 215e3, 10e6, 200e3)
    assert judge(readings, asked(meter=Meter(10e6, False, 0.0005, 0.05), known_part=0.01))["verdict"] == PASSES


def test_step_one_alone_already_says_what_cannot_be_right():
    for readings, said in (
        (Readings(400, 0, 0.2), "a lead makes no contact"),
        (Readings(400, 300, 300), "more than Vb"),
        (Readings(400, 60, 60), "far below Vb"),
        (Readings(48, 24, 24), "not measured live"),
    ):
        facts = judge(readings, asked())
        assert (facts["verdict"], facts["ok"]) == (UNSAID, False)
        assert said in facts["why"]


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 Rev 3 Annex 5A, seen in a public copy",
    value="voltmeter of 10 Mohm or more",
)
def test_a_meter_below_ten_megohm_and_an_odd_ro_are_told_and_do_no_harm():
    """Annex 5A: 10 Mohm or more (seen). The form cancels the meter, so the value stays right."""
    facts = judge(measured(500e3, 600e3, 1e6, 330e3), asked(meter=Meter(1e6, True, 0.01, 0.5)))
    assert facts["verdict"] == PASSES
    assert facts["worse_pole_ohm"] == pytest.approx(500e3)
    assert "asks for a meter of 10 Mohm or more, this one has 1 Mohm" in facts["notes"]
    assert "more than 20 % off" in facts["notes"]


@given(
    vb=st.floats(0, 2000),
    v1=st.floats(0, 2000),
    v2=st.floats(0, 2000),
    with_known=st.floats(0, 2000),
    known=st.floats(100, 1e8),
    case=st.sampled_from(sorted(LIMITS_OHM_PER_V)),
    part=st.floats(0, 0.1),
    volts=st.floats(0, 20),
)
def test_any_readings_get_an_answer_and_a_pass_stands_on_its_lowest_value(
    vb, v1, v2, with_known, known, case, part, volts
):
    facts = judge(Readings(vb, v1, v2, known, with_known), asked(800.0, case, Meter(10e6, False, part, volts)))
    assert facts["ok"] == (facts["verdict"] == PASSES)
    assert facts["why"]
    assert all(not isinstance(value, float) or math.isfinite(value) for value in facts.values())
    if facts["ok"]:
        assert facts["worse_pole_lowest_ohm"] >= facts["limit_ohm"]
        assert vb > 60
        assert with_known < max(v1, v2)
