"""The isolation test's numbers, against algebra done apart and the regulation's own formula."""

import math

import pytest

from loopwarden_build.load import read_build
from loopwarden_commission import predict

from .virtual_bench import CART, TRUCK

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)  # IEC 60063, from memory


@pytest.mark.outside(
    subject="units and parts",
    source="IEC 60063, from memory",
    value="E12: 10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82",
)
@pytest.mark.parametrize("path", [TRUCK, CART])
def test_the_resistors_are_on_either_side_of_the_limit_and_can_be_bought(path):
    build = read_build(path)
    limit = {"bench cart": 600 * 116, "orchard utility truck": 500 * 420}[build.build.name]  # ohm/V times highest
    assert predict.fault_ohm(build) == limit
    for ohm in (predict.bad_ohm(build), predict.good_ohm(build)):
        assert round(ohm / 10 ** math.floor(math.log10(ohm)) * 10) in E12
    # UN R100, from memory: the known resistor is about the limit times the working voltage, plus or minus 20 %.
    assert 0.7 * limit <= predict.bad_ohm(build) <= 0.9 * limit
    assert 1.3 * limit <= predict.good_ohm(build) <= 1.7 * limit


def test_two_resistances_to_chassis_read_as_one():
    """Two equal ones: half. Product over sum."""
    assert predict.with_resistor_ohm(200e3, 200e3) == pytest.approx(100e3)
    assert predict.with_resistor_ohm(600e3, 300e3) == pytest.approx(600e3 * 300e3 / 900e3)


def nodal(negative_ohm, positive_ohm, vb, meter_ohm, known_ohm=math.inf):
    """Amounts of the voltages from either pole to chassis with the meter, and the resistor, across the negative one."""
    below = 1 / negative_ohm + 1 / meter_ohm + 1 / known_ohm
    above = 1 / positive_ohm
    return vb * above / (above + below)


@pytest.mark.outside(
    subject="isolation by meter",
    source="computed apart, nodal analysis by numpy",
    value="any leaks: Ri is the smaller of R+ and R-, not their parallel value; Rpar = Ro*(V - V')/V'",
)
@pytest.mark.parametrize(("negative", "positive"), [(1e6, 1e6), (2e6, 0.5e6), (8e6, 3e5)])
@pytest.mark.parametrize("meter", [1e7, 1e6, 1e12])
def test_the_meter_method_finds_what_is_there(negative, positive, meter):
    """A network solved apart, the meter always where it measures."""
    vb, known = 45.0, 150e3
    v1 = nodal(negative, positive, vb, meter)
    v1_with = nodal(negative, positive, vb, meter, known)
    parallel = negative * positive / (negative + positive)
    assert predict.parallel_ohm(v1, v1_with, known, meter) == pytest.approx(parallel, rel=1e-9)


@pytest.mark.outside(
    subject="isolation by meter",
    source="UN R100 Rev 3 Annex 5A, seen in a public copy",
    value="Ri = Ro*Vb*(1/V1' - 1/V1) with Ro at the negative pole where V1 >= V2, else the same at the "
    "positive pole with V2, V2'",
)
def test_the_regulations_formula_is_kept():
    """R = Ro * Vb * (1/V1' - 1/V1), for a meter that takes nothing."""
    vb, v1, v1_with, known = 400.0, 230.0, 60.0, 180e3
    parallel = predict.parallel_ohm(v1, v1_with, known, 1e15)
    assert predict.worse_pole_ohm(parallel, vb, v1) == pytest.approx(known * vb * (1 / v1_with - 1 / v1), rel=1e-6)


@pytest.mark.parametrize("v1_with", [0.0, 22.5, 30.0, -1.0])
def test_voltages_that_no_resistance_gives_are_refused(v1_with):
    with pytest.raises(ValueError, match="must be less than"):
        predict.parallel_ohm(22.5, v1_with, 1e5, 1e7)
