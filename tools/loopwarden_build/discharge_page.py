"""A discharge as a page for people: how long it stays live, what it takes, and which resistor would do."""

from loopwarden_build.discharge_facts import Facts
from loopwarden_build.page_layout import WIDTH, labelled, points, section, wait, wrap
from loopwarden_build.units import show

CAUTIONS = (
    "A resistor is no proof: the bus is dead when it was measured dead, pole to pole and each pole to chassis, with a "
    "rated tester proved on a live source before and after.",
    "A motor that turns feeds the bus. First make sure that nothing can roll.",
    "Capacitors recover a few per cent within a minute after a discharge: measure again.",
    "The discharge must work without this board: closed by the open shutdown circuit, no fuse, no PTC (Formula SAE "
    "2026 EV.5.6.3, EV.5.6.4).",
)


def page(facts: Facts) -> str:
    """Set what `discharge_facts.discharge_facts` found as plain text, the verdict first."""
    title = "Discharge"
    lines = [title, "=" * len(title), ""]
    if facts["why"]:
        lines += ["DOES NOT FIT.", *points(facts["why"].split("\n"))]
    elif facts["within_s"] is not None and facts["resistance_ohm"] is not None:
        lines += wrap(
            f"FITS: {show(facts['to_v'], 'V')} within {show(facts['within_s'], 's')}, by calculation: nothing was "
            "measured.",
            WIDTH,
        )
    else:
        lines += wrap("By calculation: nothing was measured.", WIDTH)
    lines += _parts(facts)
    if facts["resistance_ohm"] is not None:
        lines += [*_times(facts), *_resistor(facts)]
    if facts["bleed_ohm"] is not None:
        lines += _bleed(facts)
    if facts["largest_ohm"] is not None:
        lines += _proposal(facts)
    return "\n".join([*lines, *section("Cautions"), *points(CAUTIONS)])


def _parts(facts: Facts) -> list[str]:
    rows = [
        ("highest voltage", show(facts["highest_v"], "V")),
        (
            "capacitance",
            f"{show(facts['capacitance_farad'], 'F')}, +-{show(facts['capacitance_tolerance'], 'fraction')}; holds "
            f"{show(facts['energy_j'], 'J')}, {show(facts['energy_highest_j'], 'J')} at most",
        ),
        ("dead level", f"{show(facts['dead_level_v'], 'V')}"),
    ]
    if facts["resistance_ohm"] is not None:
        ohm, tolerance = show(facts["resistance_ohm"], "ohm"), show(facts["resistance_tolerance"], "fraction")
        rows.insert(1, ("resistor", f"{ohm}, +-{tolerance}"))
    return [*section("Parts" if facts["build"] is None else f"Parts, of {facts['build']}"), *labelled(rows)]


def _levels(facts: Facts) -> list[tuple[str, str]]:
    """Names of the levels among the facts, and what people call them."""
    named = [("60_v", "60 V"), ("50_v", "50 V"), ("dead", "the dead level")]
    if facts["to_v"] not in (60.0, 50.0, facts["dead_level_v"]):
        named.append(("level", show(facts["to_v"], "V")))
    return named


def _times(facts: Facts) -> list[str]:
    rows = [("R*C", show(facts["rc_s"], "s"))]
    rows += [
        (f"to {text}", f"{wait(facts[f'{name}_s'])}, {wait(facts[f'{name}_slowest_s'])} with the slowest parts")
        for name, text in _levels(facts)
    ]
    return [*section("Times from the highest voltage"), *labelled(rows)]


def _resistor(facts: Facts) -> list[str]:
    rows = [
        ("first moment", f"{show(facts['peak_a'], 'A')}, {show(facts['peak_w'], 'W')}"),
        ("pulse energy needed", f"{show(facts['energy_highest_j'], 'J')} for one discharge"),
        ("must stand", f"{show(facts['highest_v'], 'V')} across it"),
        ("onto a welded contact", _full_voltage(facts)),
    ]
    return [*section("Resistor"), *labelled(rows)]


def _full_voltage(facts: Facts) -> str:
    text = (
        f"{show(facts['peak_w'], 'W')} all the time: {show(facts['full_voltage_j'], 'J')} in "
        f"{show(facts['full_voltage_s'], 's')}, which Formula SAE 2026 EV.5.6.3 wants it to stand"
    )
    if facts["stands_full_voltage"] is None:
        return text
    held = "enough" if facts["stands_full_voltage"] else "NOT enough: something must take it off in time"
    return f"{text}; its {show(facts['pulse_energy_j'], 'J')} are {held}"


def _bleed(facts: Facts) -> list[str]:
    rows = [("resistance", f"{show(facts['bleed_ohm'], 'ohm')}, {show(facts['bleed_w'], 'W')} all the time")]
    rows += [(f"to {text}", wait(facts[f"bleed_{name}_slowest_s"])) for name, text in _levels(facts)]
    return [*section("Bleed alone: how long it stays live if the discharge fails"), *labelled(rows)]


def _proposal(facts: Facts) -> list[str]:
    title = f"Largest {facts['series']} resistor for {show(facts['to_v'], 'V')} within {show(facts['within_s'], 's')}"
    limit = ("any up to", f"{show(facts['largest_ohm'], 'ohm')} nominal, tolerances included")
    if facts["proposed_ohm"] is None:
        return [*section(title), *labelled([limit]), *wrap("No value of the series is small enough.", WIDTH, "  ")]
    return [
        *section(title),
        *labelled(
            [
                limit,
                ("resistor", f"{show(facts['proposed_ohm'], 'ohm')} (IEC 60063)"),
                ("longest time", show(facts["proposed_slowest_s"], "s")),
                ("first moment", f"{show(facts['proposed_peak_a'], 'A')}, {show(facts['proposed_peak_w'], 'W')}"),
                ("pulse energy needed", f"{show(facts['proposed_pulse_needed_j'], 'J')} or more for one discharge"),
                (
                    "onto a welded contact",
                    f"{show(facts['proposed_full_voltage_j'], 'J')} in {show(facts['full_voltage_s'], 's')}",
                ),
                ("must stand", f"{show(facts['highest_v'], 'V')} or more across it"),
            ]
        ),
    ]
