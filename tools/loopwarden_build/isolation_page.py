"""The isolation measurement as a page for whoever holds the meter."""

from loopwarden_build.isolation_meter import NOT_YET, PASSES, UNSAID, Facts, known_sizes_ohm
from loopwarden_build.page_layout import WIDTH, labelled, points, section, wait, wrap
from loopwarden_build.units import show

CASES = {
    "joined": "DC and AC joined, AC side not protected (UN R100 Rev 3 5.1.3.2)",
    "joined-protected": "DC and AC joined, AC side doubly insulated or robust (UN R100 Rev 3 5.1.3.2)",
    "ac": "separate AC bus (UN R100 Rev 3 5.1.3.1)",
    "dc": "separate DC bus (UN R100 Rev 3 5.1.3.1)",
}
GLOVE_V = 750  # class 00 up to here, class 0 up to 1500 V DC (ASTM D120, IEC 60903)


def page(facts: Facts) -> str:
    """Set what `isolation_meter.judge` found as plain text, the verdict first."""
    title = "Isolation by meter, two steps (UN R100 Rev 3 Annex 5A)"
    verdict, why = facts["verdict"].upper(), facts["why"].split("\n")
    lines = [title, "=" * len(title), ""]
    if facts["verdict"] == UNSAID:
        lines += [*wrap(f"{verdict}. Treat it as not isolated until it is measured well.", WIDTH), *points(why)]
    else:
        lines += wrap(" ".join([f"{verdict}.", *why]), WIDTH)
    lines += _readings(facts)
    if facts["verdict"] == NOT_YET:
        lines += _step_two(facts)
    elif facts["worse_pole_ohm"] is not None:
        lines += _values(facts)
    return "\n".join([*lines, *_to_know(facts), *section("Cautions"), *points(_cautions(facts))])


def _readings(facts: Facts) -> list[str]:
    meter = "draws nothing" if facts["meter_ohm"] is None else show(facts["meter_ohm"], "ohm")
    assumed = "" if facts["meter_is_stated"] else " or more, assumed"
    rows = [
        ("Vb, pole to pole", show(facts["vb_v"], "V")),
        ("V1, V2 to chassis", f"{show(facts['v1_v'], 'V')} negative pole, {show(facts['v2_v'], 'V')} positive pole"),
    ]
    if facts["known_ohm"] is not None:
        rows.append(
            (
                "V' with Ro",
                f"{show(facts['with_known_v'], 'V')}; Ro of {show(facts['known_ohm'], 'ohm')}, +-"
                f"{show(facts['known_tolerance'], 'fraction')}, and the meter both from the {facts['known_at']} to "
                "chassis",
            )
        )
    rows.append(
        (
            "meter",
            f"{meter}{assumed}; error {show(facts['meter_error_part'], 'fraction')} of the reading and "
            f"{show(facts['meter_error_v'], 'V')}",
        )
    )
    return [*section("Readings"), *labelled(rows)]


def _step_two(facts: Facts) -> list[str]:
    sizes = ", ".join(show(ohm, "ohm") for ohm in known_sizes_ohm(facts["known_wanted_ohm"]))
    return [
        *section("Step two"),
        *labelled(
            [
                ("Ro goes", f"from the {facts['known_at']} to chassis, where the meter read more"),
                (
                    "its size",
                    f"{show(facts['known_wanted_ohm'], 'ohm')} ({show(facts['limit_ohm_per_v'], 'ohm/V')} times "
                    f"{show(facts['nominal_v'] or facts['working_v'], 'V')}), +-20 %: {sizes}; the formula holds for "
                    "any Ro",
                ),
                (
                    "it must stand",
                    f"{show(facts['working_v'], 'V')} and {show(facts['known_w'], 'W')}: all of it, if the "
                    f"{facts['worse_pole']} is shorted to chassis",
                ),
                ("then measure", f"V' from the {facts['known_at']} to chassis, with the same meter and range"),
                ("and add", "--ro and --with-ro to this command"),
            ]
        ),
    ]


def _values(facts: Facts) -> list[str]:
    rows = [
        ("worse pole", f"{_value(facts, 'worse_pole')}; {facts['worse_pole']}, compared with the limit"),
        ("both in parallel", _value(facts, "parallel")),
        (
            "limit",
            f"{show(facts['limit_ohm_per_v'], 'ohm/V')} = {show(facts['limit_ohm'], 'ohm')}, per volt of working "
            f"voltage ({show(facts['working_v'], 'V')}); {CASES[facts['case']]}",
        ),
    ]
    if facts["nominal_v"] is not None:
        rows.append(
            (
                "by the annex's formula",
                f"{show(facts['worse_pole_ohm_per_nominal_v'], 'ohm/V')}: it divides by the nominal "
                f"{show(facts['nominal_v'], 'V')}; the verdict is over the working voltage",
            )
        )
    return [*section("What they come to"), *labelled(rows)]


def _value(facts: Facts, name: str) -> str:
    low, high = facts[f"{name}_lowest_ohm"], facts[f"{name}_highest_ohm"]
    return (
        f"{show(facts[f'{name}_ohm'], 'ohm')} ({show(low, 'ohm')} to {show(high, 'ohm')} with all errors), "
        f"{show(facts[f'{name}_ohm_per_v'], 'ohm/V')}"
    )


def _to_know(facts: Facts) -> list[str]:
    texts = facts["notes"].split("\n") if facts["notes"] else []
    if facts["worse_pole_ohm"] is not None:
        texts.append(
            "A monitor, or an insulation tester on both poles at once, sees the parallel value: half to all of the "
            "worse pole."
        )
    if facts["verdict"] == PASSES:
        texts.append(
            "This holds for this moment, as dry and as warm as it was, and only if the chassis clip made contact: a "
            "clip on paint makes every isolation look good."
        )
    if facts["verdict"] == UNSAID:
        texts.append(
            "To prove the leads where the meter reads next to nothing: with Ro from the other pole to chassis it must "
            "read nearly Vb. An isolation too good for the meter needs an insulation tester, with the working voltage "
            "or more, at a build that is dead and disconnected."
        )
    return [*section("To know"), *points(texts)] if texts else []


def _cautions(facts: Facts) -> list[str]:
    highest_v = facts["working_v"]
    glove = "class 00" if highest_v <= GLOVE_V else "class 0"
    return [
        f"This is done live, at {show(highest_v, 'V')}: a qualified person, never alone, insulating gloves {glove} "
        "with leather over them, one hand, the other away from everything.",
        "Meter and leads rated for the voltage, proved on a known live source before and after.",
        f"Ro: rated for {show(highest_v, 'V')} and {show(facts['known_w'], 'W')} or more, in a fused and insulated "
        "lead, fitted and taken off with everything proven dead.",
        "Clip to the chassis first, on bare metal: 0.1 ohm or less to another bare place, measured dead.",
        "An isolation monitor that is connected is a leak of its own: disconnect it for the measurement.",
        "Wait until each reading stands still: with 1 uF from the poles to chassis "
        f"{wait(facts['settle_per_microfarad_s'])} with Ro, much longer without.",
    ]
