"""Isolation by voltmeter in two steps, UN R100 Rev 3 Annex 5A: what the readings come to, and what they cannot say.

Decides the verdict; isolation_page.py sets it as text. With R+ and R- the leaks of the poles, Rm the meter, Ro the
known resistor, Kirchhoff's current law at the chassis gives, exactly and for any Rm (V1 >= V2; else the poles change
places):

    Vb/V1 = 1 + R+ * (1/R- + 1/Rm)          Vb/V1' = 1 + R+ * (1/R- + 1/Rm + 1/Ro)
    R+ = Ro * Vb * (1/V1' - 1/V1)           the annex's form: Rm cancels
    V1/V2 = R-/R+                           Rm cancels here as well
    R+ || R- || Rm = Ro * (V1 - V1') / V1'  what is seen from the chassis, the meter included
    R+ || R- = that * Vb / (V1 + V2)        without the meter
    V1 + V2 = Vb * Rm / (Rm + R+||R-)       so the sum tells whether meter and readings belong together
"""

import math
from dataclasses import dataclass
from typing import Any

from loopwarden_build.cross_checks import LEGAL_OHM_PER_V, LEGAL_OHM_PER_V_PROTECTED
from loopwarden_build.derived import DEAD_V_MAX
from loopwarden_build.preferred_values import values_ohm
from loopwarden_build.units import show

Facts = dict[str, Any]
Band = tuple[float, float]  # lowest and highest that a value may be

PASSES, FAILS, UNSAID, NOT_YET = "passes", "fails", "cannot be said", "not measured yet"
NEGATIVE, POSITIVE = "negative pole", "positive pole"
METER_OHM_MIN = 10e6  # UN R100 Annex 5A (seen): the voltmeter has 10 Mohm or more
METER_OHM_PART = 0.1  # guess: how far a stated meter resistance may be off
KNOWN_PART = 0.2  # UN R100 Annex 5A (seen): Ro near the required ohm, give or take 20 %
KNOWN_SENSE = 5.0  # guess: further off than this factor it is a slip of the unit or the decimal point
LIVE_PART = 0.5  # guess: of the working voltage; less does not stress the insulation
# Ohm per volt of working voltage. UN R100 Rev 3 5.1.3.1, separate buses, and 5.1.3.2, joined (seen).
LIMITS_OHM_PER_V = {
    "joined": LEGAL_OHM_PER_V,
    "joined-protected": LEGAL_OHM_PER_V_PROTECTED,
    "ac": 500.0,
    "dc": 100.0,
}


@dataclass(frozen=True)
class Meter:
    """The meter in hand.

    ohm         input resistance; math.inf for one that draws nothing
    is_stated   the person said so; else `ohm` is only the least that is assumed
    part, volts its error: part of the reading, and volts on top (its last digits)
    """

    ohm: float
    is_stated: bool
    part: float
    volts: float

    def band(self, reading_v: float) -> Band:
        """What a reading may really be; never below 0 V."""
        error_v = self.part * reading_v + self.volts
        return max(0.0, reading_v - error_v), reading_v + error_v


@dataclass(frozen=True)
class Readings:
    """Volts as read, without sign; the known resistor and the second reading at its pole are None before step two.

    v1_v            negative pole to chassis
    v2_v            positive pole to chassis
    known_was_at    the pole at which Ro and meter were; None: the person did not say
    """

    vb_v: float
    v1_v: float
    v2_v: float
    known_ohm: float | None = None
    with_known_v: float | None = None
    known_was_at: str | None = None

    @property
    def larger_v(self) -> float:
        """The larger of V1 and V2: Ro goes to its pole."""
        return max(self.v1_v, self.v2_v)

    @property
    def smaller_v(self) -> float:
        """The smaller of V1 and V2."""
        return min(self.v1_v, self.v2_v)

    @property
    def known_at(self) -> str:
        """The pole to which Ro goes."""
        return NEGATIVE if self.v1_v >= self.v2_v else POSITIVE

    @property
    def worse_pole(self) -> str:
        """The pole with the smaller leak resistance: the other one, as the larger voltage lies over the larger leak."""
        return POSITIVE if self.v1_v >= self.v2_v else NEGATIVE


@dataclass(frozen=True)
class Question:
    """What the readings are judged by.

    working_v       highest working voltage: the limits are per volt of it
    nominal_v       the annex's own formula divides by it; None: that figure is not asked for
    case            a key of LIMITS_OHM_PER_V
    known_part      tolerance of Ro
    """

    working_v: float
    nominal_v: float | None
    case: str
    meter: Meter
    known_part: float

    @property
    def limit_ohm(self) -> float:
        """The limit in ohm."""
        return LIMITS_OHM_PER_V[self.case] * self.working_v

    @property
    def known_wanted_ohm(self) -> float:
        """Ro as the annex suggests it: required ohm/V times nominal voltage, or working voltage where that is all."""
        return LIMITS_OHM_PER_V[self.case] * (self.nominal_v or self.working_v)


def worse_pole_ohm(vb_v: float, larger_v: float, with_known_v: float, known_ohm: float) -> float:
    """The smaller of the two leaks, whatever the meter draws. UN R100 Annex 5A."""
    return known_ohm * vb_v * (1 / with_known_v - 1 / larger_v)


def parallel_with_meter_ohm(larger_v: float, with_known_v: float, known_ohm: float) -> float:
    """Both leaks and the meter in parallel."""
    return known_ohm * (larger_v - with_known_v) / with_known_v


def parallel_ohm(readings: Readings, with_known_v: float, known_ohm: float) -> float:
    """Both leaks in parallel, whatever the meter draws."""
    seen_ohm = parallel_with_meter_ohm(readings.larger_v, with_known_v, known_ohm)
    return seen_ohm * readings.vb_v / (readings.v1_v + readings.v2_v)


def expected_sum_v(vb_v: float, leak_ohm: float, meter_ohm: float) -> float:
    """V1 + V2 by a meter of `meter_ohm`, with both leaks in parallel `leak_ohm`."""
    return vb_v / (1 + leak_ohm / meter_ohm)


def known_sizes_ohm(wanted_ohm: float) -> list[float]:
    """E24 values that lie within the annex's 20 %."""
    return values_ohm("E24", wanted_ohm * (1 - KNOWN_PART), wanted_ohm * (1 + KNOWN_PART))


def judge(readings: Readings, question: Question) -> Facts:
    """Return everything about the readings as one flat object; `ok` is true for a pass only."""
    doubts = _doubts_of_step_one(readings, question)
    facts = _asked(readings, question)
    if readings.known_ohm is None or readings.with_known_v is None:
        why = [*doubts, *([] if doubts else ["The second step, with Ro, is still to be measured."])]
        return facts | _values(None, None, question) | _verdict(UNSAID if doubts else NOT_YET, why, [])
    known_ohm, with_known_v = readings.known_ohm, readings.with_known_v
    doubts += _doubts_of_step_two(readings, known_ohm, with_known_v, question)
    notes = _notes(readings, known_ohm, question)
    if doubts:
        return facts | _values(None, None, question) | _verdict(UNSAID, doubts, notes)
    worse, parallel = _bands(readings, known_ohm, with_known_v, question)
    sum_doubt, sum_note = _sum_words(readings, parallel, question)
    if sum_doubt:
        return facts | _values(None, None, question) | _verdict(UNSAID, [sum_doubt], notes)
    verdict, why = _compared(worse, question)
    if verdict == PASSES and _may_be_the_other_pole(readings, known_ohm, with_known_v, question):
        doubt = (
            f"Was Ro at the {readings.known_at}? V' is so low that it may have been at the other pole, and then the "
            "isolation is worse than it looks. Say so with --ro-at."
        )
        return facts | _values(None, None, question) | _verdict(UNSAID, [doubt], notes)
    worse_ohm = worse_pole_ohm(readings.vb_v, readings.larger_v, with_known_v, known_ohm)
    leak_ohm = parallel_ohm(readings, with_known_v, known_ohm)
    if leak_ohm < question.limit_ohm <= worse_ohm:
        notes.insert(
            0,
            f"Both poles in parallel are {show(leak_ohm, 'ohm')}, below the same ohm/V: a monitor or an insulation "
            "tester that sees both poles at once fails what passes here.",
        )
    facts |= _values((worse_ohm, *worse), (leak_ohm, *parallel), question)
    facts["parallel_with_meter_ohm"] = parallel_with_meter_ohm(readings.larger_v, with_known_v, known_ohm)
    facts["other_pole_ohm"] = worse_ohm * readings.larger_v / readings.smaller_v if readings.smaller_v else None
    facts["expected_sum_v"] = expected_sum_v(readings.vb_v, leak_ohm, question.meter.ohm)
    return facts | _verdict(verdict, why, [*notes, *sum_note])


def _compared(worse: Band, question: Question) -> tuple[str, list[str]]:
    limit_ohm = question.limit_ohm
    span = f"{show(worse[0], 'ohm')} to {show(worse[1], 'ohm')}"
    if worse[0] >= limit_ohm:
        return PASSES, [f"The worse pole has {span}, errors included; the limit is {show(limit_ohm, 'ohm')}."]
    if worse[1] < limit_ohm:
        return FAILS, [f"The worse pole has {span}, errors included; the limit is {show(limit_ohm, 'ohm')}."]
    return UNSAID, [
        f"The worse pole has {span}, errors included, and the limit of {show(limit_ohm, 'ohm')} lies between: a better "
        "meter, or a closer Ro, has to decide."
    ]


def _bands(readings: Readings, known_ohm: float, with_known_v: float, question: Question) -> tuple[Band, Band]:
    """Worse pole and parallel value with every error at its worst, as if none of them had a cause in common."""
    meter = question.meter
    vb, larger, smaller = meter.band(readings.vb_v), meter.band(readings.larger_v), meter.band(readings.smaller_v)
    second = meter.band(with_known_v)
    known = known_ohm * (1 - question.known_part), known_ohm * (1 + question.known_part)
    worse = (
        max(0.0, worse_pole_ohm(vb[0], larger[0], second[1], known[0])),
        worse_pole_ohm(vb[1], larger[1], second[0], known[1]),
    )
    # R+ || R- = R+ / (1 + R+/R-), and R+/R- is the smaller reading over the larger one.
    return worse, (worse[0] / (1 + smaller[1] / larger[0]), worse[1] / (1 + smaller[0] / larger[1]))


def _doubts_of_step_one(readings: Readings, question: Question) -> list[str]:
    meter, vb_v, sum_v = question.meter, readings.vb_v, readings.v1_v + readings.v2_v
    if vb_v <= DEAD_V_MAX:
        return [
            f"Vb of {show(vb_v, 'V')} is not above {show(DEAD_V_MAX, 'V')}: not measured live, and so low no leak can "
            "be judged."
        ]
    doubts = []
    if vb_v < LIVE_PART * question.working_v:
        doubts.append(
            f"Vb of {show(vb_v, 'V')} is less than half of the working voltage: not measured live, the insulation was "
            "not under its voltage."
        )
    if meter.band(readings.larger_v)[0] <= 0:
        doubts.append(
            "V1 and V2 are both below what this meter can tell from 0 V: the isolation is too good for it, or a lead "
            "makes no contact. These readings cannot say which of the two."
        )
    elif sum_v - meter.part * sum_v - 2 * meter.volts > meter.band(vb_v)[1]:
        doubts.append(
            f"V1 + V2 = {show(sum_v, 'V')} is more than Vb = {show(vb_v, 'V')}, which no leak can give: a reading is "
            "wrong, or the voltage moved in between."
        )
    elif sum_v < vb_v / 2:
        share = meter.ohm * (vb_v / sum_v - 1)
        far = f" (about {show(share, 'ohm')})" if math.isfinite(share) else ""
        doubts.append(
            f"V1 + V2 = {show(sum_v, 'V')} is far below Vb = {show(vb_v, 'V')}: the meter itself is the largest leak. "
            f"The isolation may be that good{far}; a bad contact to the chassis reads the same."
        )
    return doubts


def _doubts_of_step_two(readings: Readings, known_ohm: float, with_known_v: float, question: Question) -> list[str]:
    doubts = []
    wanted_ohm = question.known_wanted_ohm
    if not wanted_ohm / KNOWN_SENSE <= known_ohm <= wanted_ohm * KNOWN_SENSE:
        doubts.append(
            f"Ro of {show(known_ohm, 'ohm')} is out of all proportion to the {show(wanted_ohm, 'ohm')} that this "
            "limit asks for: a slip of the unit?"
        )
    if readings.known_was_at not in (None, readings.known_at):
        doubts.append(
            f"Ro was at the {readings.known_was_at}, but the meter read more at the {readings.known_at}: there the "
            "formula would give the better pole. Measure again with Ro there."
        )
    if question.meter.band(with_known_v)[0] <= 0:
        doubts.append(
            f"V' = {show(with_known_v, 'V')} is below what this meter can tell from 0 V: the isolation is too good for "
            "it, Ro is far too small, or a lead makes no contact."
        )
    elif with_known_v >= readings.larger_v:
        doubts.append(
            f"V' = {show(with_known_v, 'V')} is not below V = {show(readings.larger_v, 'V')}: Ro changed nothing. "
            f"A leak from the {readings.worse_pole} that is far below Ro reads like that, and so does Ro without "
            "contact. Take it for a short."
        )
    return doubts


def _may_be_the_other_pole(readings: Readings, known_ohm: float, with_known_v: float, question: Question) -> bool:
    """Whether Ro and meter may have been at the pole that reads less, and the limit would not be met then.

    False where the person said which pole it was.
    Ro lowers the reading of its own pole, so that takes V' below the smaller one. The annex's form then gives the
    larger leak, and the smaller one is less by the ratio of the readings.
    """
    meter = question.meter
    smaller, larger, second = (meter.band(v) for v in (readings.smaller_v, readings.larger_v, with_known_v))
    if readings.known_was_at is not None or second[0] >= smaller[1]:
        return False
    if smaller[0] <= 0:
        return True
    known_low_ohm = known_ohm * (1 - question.known_part)
    better_ohm = worse_pole_ohm(meter.band(readings.vb_v)[0], smaller[0], second[1], known_low_ohm)
    return better_ohm * smaller[0] / larger[1] < question.limit_ohm


def _sum_words(readings: Readings, parallel: Band, question: Question) -> tuple[str, list[str]]:
    """Whether V1 + V2 is what this meter would read over this isolation: a doubt, or else notes."""
    meter, sum_v = question.meter, readings.v1_v + readings.v2_v
    vb = meter.band(readings.vb_v)
    error_v = meter.part * sum_v + 2 * meter.volts
    spread = METER_OHM_PART if meter.is_stated else 0.0
    least_v = expected_sum_v(vb[0], parallel[1], meter.ohm * (1 - spread))
    most_v = expected_sum_v(vb[1], parallel[0], meter.ohm * (1 + spread))
    seen = (
        f"V1 + V2 = {show(sum_v, 'V')}; a meter of {show(meter.ohm, 'ohm') if math.isfinite(meter.ohm) else 'no load'}"
    )
    seen += " over this isolation reads"
    if sum_v + error_v < least_v:
        return (
            f"{seen} {show(least_v, 'V')} or more: the meter draws more than was said, or a reading is wrong, or the "
            "voltage moved in between."
        ), []
    if sum_v - error_v > most_v:
        text = (
            f"{seen} {show(most_v, 'V')} at most: this meter has more ohm, or a reading is wrong, or Ro was at the "
            "other pole."
        )
        return (text, []) if meter.is_stated else ("", [text])
    return "", []


def _notes(readings: Readings, known_ohm: float, question: Question) -> list[str]:
    notes = []
    wanted_ohm = question.known_wanted_ohm
    if abs(known_ohm - wanted_ohm) > KNOWN_PART * wanted_ohm * (1 + 1e-9):
        notes.append(
            f"Ro of {show(known_ohm, 'ohm')} is more than 20 % off the {show(wanted_ohm, 'ohm')} that the annex "
            "suggests; the formula holds for any Ro."
        )
    if question.meter.ohm < METER_OHM_MIN:
        notes.append(
            f"The annex asks for a meter of {show(METER_OHM_MIN, 'ohm')} or more, this one has "
            f"{show(question.meter.ohm, 'ohm')}. The formula cancels it; a regulation's test wants the better meter."
        )
    return notes


def _asked(readings: Readings, question: Question) -> Facts:
    meter = question.meter
    known_ohm = question.known_wanted_ohm if readings.known_ohm is None else readings.known_ohm
    return {
        "vb_v": readings.vb_v,
        "v1_v": readings.v1_v,
        "v2_v": readings.v2_v,
        "sum_v": readings.v1_v + readings.v2_v,
        "known_at": readings.known_at,
        "known_ohm": readings.known_ohm,
        "with_known_v": readings.with_known_v,
        "known_wanted_ohm": question.known_wanted_ohm,
        "known_lowest_ohm": question.known_wanted_ohm * (1 - KNOWN_PART),
        "known_highest_ohm": question.known_wanted_ohm * (1 + KNOWN_PART),
        "known_w": question.working_v**2 / known_ohm,
        "known_tolerance": question.known_part,
        "settle_per_microfarad_s": math.log(100) * known_ohm * 1e-6,  # at most: 1 % of the step left, leaks ignored
        "meter_ohm": meter.ohm if math.isfinite(meter.ohm) else None,
        "meter_is_stated": meter.is_stated,
        "meter_error_part": meter.part,
        "meter_error_v": meter.volts,
        "working_v": question.working_v,
        "nominal_v": question.nominal_v,
        "case": question.case,
        "limit_ohm_per_v": LIMITS_OHM_PER_V[question.case],
        "limit_ohm": question.limit_ohm,
        "compared": "the worse pole",
        "worse_pole": readings.worse_pole,
        "parallel_with_meter_ohm": None,
        "other_pole_ohm": None,
        "expected_sum_v": None,
    }


def _values(
    worse: tuple[float, float, float] | None, parallel: tuple[float, float, float] | None, question: Question
) -> Facts:
    """Both values with lowest and highest; nothing at all where the readings do not allow one."""
    facts: Facts = {}
    for name, value in (("worse_pole", worse), ("parallel", parallel)):
        ohm, low, high = value or (None, None, None)
        facts |= {
            f"{name}_ohm": ohm,
            f"{name}_lowest_ohm": low,
            f"{name}_highest_ohm": high,
            f"{name}_ohm_per_v": None if ohm is None else ohm / question.working_v,
        }
    nominal_v = question.nominal_v
    facts["worse_pole_ohm_per_nominal_v"] = None if worse is None or nominal_v is None else worse[0] / nominal_v
    return facts


def _verdict(verdict: str, why: list[str], notes: list[str]) -> Facts:
    # A sentence a line, so that the object stays flat.
    return {"verdict": verdict, "ok": verdict == PASSES, "why": "\n".join(why), "notes": "\n".join(notes)}
