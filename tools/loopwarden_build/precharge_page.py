"""A precharge as a page for people: what it takes, whether it fits, and which resistor would do."""

from typing import Any

from loopwarden_build.page_layout import WIDTH, labelled, points, section, wait, wrap
from loopwarden_build.units import show

Facts = dict[str, Any]


def page(facts: Facts) -> str:
    """Set what `precharge_facts.precharge_facts` found as plain text, the verdict first."""
    title = "Precharge"
    lines = [title, "=" * len(title), ""]
    if facts["why"]:
        lines += [*wrap("DOES NOT FIT.", WIDTH), *points(facts["why"].split("\n"))]
    else:
        lines += wrap("FITS, by calculation: nothing was measured.", WIDTH)
    lines += [*_parts(facts)]
    if facts["resistance_ohm"] is not None:
        lines += [*_times(facts), *_resistor(facts)]
    if facts["within_s"] is not None:
        lines += _proposal(facts)
    return "\n".join([*lines, *section("Cautions"), *points(_cautions(facts))])


def _parts(facts: Facts) -> list[str]:
    rows = [
        ("highest voltage", show(facts["highest_v"], "V")),
        (
            "capacitance",
            f"{show(facts['capacitance_farad'], 'F')}, +-{show(facts['capacitance_tolerance'], 'fraction')}",
        ),
        ("load meanwhile", "none" if facts["load_ohm"] is None else show(facts["load_ohm"], "ohm")),
    ]
    if facts["resistance_ohm"] is not None:
        rows.insert(
            1,
            (
                "resistor",
                f"{show(facts['resistance_ohm'], 'ohm')}, +-{show(facts['resistance_tolerance'], 'fraction')}",
            ),
        )
    return [*section("Parts" if facts["build"] is None else f"Parts, of {facts['build']}"), *labelled(rows)]


def _times(facts: Facts) -> list[str]:
    end = f"{show(facts['end_fraction'], 'fraction')} of the source, with the load"
    ends = [] if facts["load_ohm"] is None else [("bus ends at", end)]
    slowest = "never" if facts["slowest_s"] is None else show(facts["slowest_s"], "s")
    return [
        *section("Times"),
        *labelled(
            [
                ("R*C", show(facts["rc_s"], "s")),
                (f"to {show(facts['fraction'], 'fraction')}", f"{show(facts['time_s'], 's')}, no load"),
                ("parts and load allow", f"{show(facts['fastest_s'], 's')} to {slowest}"),
                (
                    "window of the board",
                    f"{show(facts['window_from_s'], 's')} to {show(facts['window_to_s'], 's')} (half to 1.5 times "
                    "nominal): earlier is too fast, later too slow",
                ),
                *ends,
            ]
        ),
    ]


def _resistor(facts: Facts) -> list[str]:
    rows = [
        ("first moment", f"{show(facts['peak_a'], 'A')}, {show(facts['peak_w'], 'W')}"),
        ("heat of a start", f"{show(facts['energy_j'], 'J')} (C*V^2/2, whatever the resistor)"),
        (
            "left to the contact",
            f"{show(facts['closing_loss_j'], 'J')} when the main closes at {show(facts['fraction'], 'fraction')}",
        ),
        (
            "pulse energy needed",
            f"{show(facts['pulse_needed_j'], 'J')} for {_starts(facts['starts'])} from cold: room for twice a good "
            f"start, or for a short on the bus until the contactor has let go ({show(facts['reserve_j'], 'J')} kept "
            "free for each)",
        ),
        ("must stand", f"{show(facts['highest_v'], 'V')} across it"),
    ]
    if facts["budget_j"] is not None:
        pause = "" if facts["wait_s"] is None else f"; then {wait(facts['wait_s'])} for one more"
        rows.append(
            ("with its pulse energy", f"{show(facts['budget_j'], 'J')}: {_starts(facts['starts_in_a_row'])}{pause}")
        )
    return [*section("Resistor"), *labelled(rows)]


def _starts(number: int) -> str:
    return "1 start" if number == 1 else f"{number} starts in a row"


def _proposal(facts: Facts) -> list[str]:
    title = f"Largest {facts['series']} resistor for {show(facts['fraction'], 'fraction')}"
    title += f" within {show(facts['within_s'], 's')}"
    if facts["proposed_ohm"] is None:
        return [*section(title), *wrap("None.", WIDTH, "  ")]
    return [
        *section(title),
        *labelled(
            [
                ("resistor", f"{show(facts['proposed_ohm'], 'ohm')} (IEC 60063)"),
                (
                    "longest time",
                    f"{show(facts['proposed_slowest_s'], 's')} with tolerances and load, and inside the board's window",
                ),
                ("first moment", f"{show(facts['proposed_peak_a'], 'A')}, {show(facts['proposed_peak_w'], 'W')}"),
                (
                    "pulse energy needed",
                    f"{show(facts['proposed_pulse_needed_j'], 'J')} or more for {_starts(facts['starts'])}",
                ),
                ("must stand", f"{show(facts['highest_v'], 'V')} or more across it"),
            ]
        ),
    ]


def _cautions(facts: Facts) -> list[str]:
    texts = [
        "The end of a precharge is measured at the bus, never taken from time alone (Formula SAE 2026 EV.5.6.2).",
        "A pulse rating holds for one pulse from cold, on the sheet's mounting: read its curve for the times above.",
        "Heat goes with the square of the voltage: a resistor that served 120 V meets 11 times as much at 400 V.",
    ]
    if facts["load_ohm"] is not None and facts["highest_v"] ** 2 / facts["load_ohm"] > 1:
        texts.append(
            f"The load draws {show(facts['highest_v'] ** 2 / facts['load_ohm'], 'W')} at full voltage: what can be "
            "kept off during precharge should be."
        )
    return texts
