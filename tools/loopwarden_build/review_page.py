"""The review as text: one page of 80 columns for reading, and the card for whoever works on the build."""

import textwrap

from loopwarden_build.page_layout import WIDTH, labelled, points, section, wait, wrap
from loopwarden_build.review import Facts
from loopwarden_build.units import show


def page(facts: Facts) -> str:
    """Set everything that `review.review` found as plain text, card last."""
    return "\n".join(
        [
            *_title(facts),
            *_voltage(facts["voltage"]),
            *_isolation(facts["isolation"]),
            *_precharge(facts["precharge"]),
            *_discharge(facts["discharge"]),
            *_ratings(facts["ratings"]),
            *_thresholds(facts["thresholds"]),
            *section("Interlock loops"),
            *labelled((loop["name"], f"{loop['kind']}, {loop['sense']}: {loop['effect']}") for loop in facts["loops"]),
            *_frames(facts["frames"]),
            *section("What nobody watches in this build"),
            *points(facts["not_watched"] or ["nothing that this program knows of"]),
            *_converter(facts["converter_cautions"]),
            *_lay_up(facts["lay_up"]),
            *section("Cautions"),
            *points(facts["cautions"]),
            "",
            card(facts["card"]),
        ]
    )


def card(facts: Facts) -> str:
    """The one-page card: where to disconnect, how long it stays live, and what discharges it."""
    lines = [
        f"{facts['name'].upper()}: {show(facts['highest_v'], 'V')} DC"
        + (", HIGH VOLTAGE" if facts["is_high_voltage"] else ", low voltage"),
        "",
        "Disconnect:",
        *(_indent(f"{number}. {step}", 3) for number, step in enumerate(facts["disconnect"], 1)),
        "",
        f"Discharge: {facts['discharge']}.",
        f"Live for up to {wait(facts['live_s'])} after the contactors have opened.",
    ]
    if facts["live_s"] < facts["live_if_discharge_fails_s"]:
        lines.append(
            f"If the discharge fails: {wait(facts['live_if_discharge_fails_s'])} to the dead level of "
            f"{show(facts['dead_level_v'], 'V')}, {wait(facts['live_if_discharge_fails_60_v_s'])} to 60 V."
        )
    lines += ["A motor that turns feeds the bus: first make sure that nothing can roll."]
    if facts["board_stays_on_s"] is not None:
        lines.append(f"The board stays on until the bus is proven dead, {wait(facts['board_stays_on_s'])} at most.")
    lines += [
        "Lamps lit mean live. Lamps dark prove nothing: measure, pole to pole and each pole to chassis, with a rated "
        "tester proved on a live source before and after.",
    ]
    if facts["gloves"]:
        lines.append(f"Insulating gloves {facts['gloves']}, leather over them, air-tested; retested within 6 months.")
    lines.append("A qualified person only. Lock the disconnect and keep the key.")
    inner = WIDTH - 4
    body = [piece for line in lines for text in line.split("\n") for piece in (wrap(text, inner) or [""])]
    edge = "+" + "-" * (WIDTH - 2) + "+"
    return "\n".join([edge, *(f"| {line:<{inner}} |" for line in body), edge])


def _title(facts: Facts) -> list[str]:
    name = f"Review of {facts['name']}"
    return [name, "=" * len(name), f"packed build {facts['digest'][:16]}..."]


def _voltage(facts: Facts) -> list[str]:
    return [
        *section("Voltage"),
        *labelled(
            [
                ("nominal, highest", f"{show(facts['nominal_v'], 'V')}, {show(facts['highest_v'], 'V')}"),
                ("class", facts["class"]),
                (
                    "dead short of the pack",
                    f"{show(facts['short_circuit_a'], 'A')} from {show(facts['highest_v'], 'V')}: the fuse must "
                    "break that",
                ),
            ]
        ),
    ]


def _isolation(facts: Facts) -> list[str]:
    rows = [
        (
            limit["name"],
            f"{show(limit['ohm_per_v'], 'ohm/V')} = {show(limit['ohm'], 'ohm')}, {limit['measures']}",
        )
        for limit in facts["limits"]
    ]
    legal = f"{show(facts['legal_minimum_ohm_per_v'], 'ohm/V')} = {show(facts['legal_minimum_ohm'], 'ohm')}"
    if facts["measures"] == "both poles in parallel":
        relation = (
            "It reads both poles in parallel: half to all of what the meter method finds at the worse pole, so it"
        )
        relation += " is the stricter of the two."
    else:
        relation = "It reads the worse pole, as the meter method does; both poles in parallel may be half of that."
    return [
        *section("Isolation"),
        *labelled(
            [
                ("monitor", f"{facts['output'].replace('can', 'CAN')} output, on the {facts['side']} side"),
                *rows,
                ("legal minimum", f"{legal}, {facts['legal_measures']} (UN R100, meter method)"),
                *(
                    [
                        (
                            "charge inlet",
                            f"{show(facts['inlet_minimum_ohm'], 'ohm')} or more to chassis (UN R100 5.1.3.4)",
                        )
                    ]
                    if facts["inlet_minimum_ohm"]
                    else []
                ),
                ("over", f"{facts['working_v']} V, the highest working voltage"),
                (
                    "check of the monitor",
                    f"{show(facts['check_resistor_ohm'], 'ohm')} from one pole to chassis must raise "
                    f"{'the warning' if facts['output'] != 'line' else 'the fault'}; "
                    f"{show(facts['trip_resistor_ohm'], 'ohm')} must end the drive within 30 s (Formula SAE 2026 "
                    "IN.10.1.2); each through a fused, rated lead",
                ),
            ]
        ),
        *wrap(relation, WIDTH, "  "),
    ]


def _frames(rows: list[Facts]) -> list[str]:
    if not rows:
        return []
    texts = []
    for row in rows:
        kind = "29 bits" if row["is_extended"] else "11 bits"
        counted = f"counted by {row['counter']}" if row["counter"] else "not counted"
        texts.append(
            (
                row["reading"],
                f"{row['signal']} of {row['message']} (0x{row['identifier']:X}, {kind}, {row['length']} bytes): "
                f"{row['from']:g} to {row['to']:g} {row['unit']} in steps of {row['step']:g}, {counted}; lost after "
                f"{show(row['lost_s'], 's')} without a good frame",
            )
        )
    return [*section("Readings from CAN frames"), *labelled(texts)]


def _precharge(facts: Facts) -> list[str]:
    low_s, high_s = facts["window_s"]
    starts = facts["starts_in_a_row"]
    pause = "" if facts["wait_s"] is None else f", then {wait(facts['wait_s'])} for one more"
    return [
        *section("Precharge"),
        *labelled(
            [
                (
                    "R, C, R*C",
                    f"{show(facts['resistance_ohm'], 'ohm')}, {show(facts['capacitance_farad'], 'F')}, "
                    f"{show(facts['rc_s'], 's')}",
                ),
                (
                    f"time to {show(facts['fraction'], 'fraction')}",
                    f"{show(facts['time_s'], 's')}; window {show(low_s, 's')} to {show(high_s, 's')}; parts allow "
                    f"{show(facts['fastest_s'], 's')} to {show(facts['slowest_s'], 's')}",
                ),
                ("bus ends at", f"{show(facts['end_with_bleed'], 'fraction')} of the pack, with the bleed as a load"),
                ("peak", f"{show(facts['peak_a'], 'A')}, {show(facts['peak_w'], 'W')}"),
                (
                    "energy of a start",
                    f"{show(facts['energy_j'], 'J')}; kept free for one {show(facts['reserve_j'], 'J')} of "
                    f"{show(facts['budget_j'], 'J')}",
                ),
                ("starts in a row", f"{starts} from cold{pause}"),
                ("left to the contact", f"{show(facts['closing_loss_j'], 'J')} when the positive main closes"),
            ]
        ),
    ]


def _discharge(facts: Facts) -> list[str]:
    rows = [
        (
            "dead level",
            f"{show(facts['dead_level_v'], 'V')} read; a discharge goes on to {show(facts['stop_level_v'], 'V')}",
        )
    ]
    if facts["active_s"] is None:
        rows.append(("active discharge", "none: the lamps and the console count on the measurement alone"))
    else:
        rows += [
            (
                facts["kind"],
                f"{show(facts['resistance_ohm'], 'ohm')}; the window of {show(facts['window_s'], 's')} allows "
                f"{show(facts['largest_ohm'], 'ohm')} at most",
            ),
            ("time to 60 V", wait(facts["active_s"]["60_v"])),
            ("time to 50 V", wait(facts["active_s"]["50_v"])),
            ("time to the dead level", wait(facts["active_s"]["dead"])),
            (
                "power, energy",
                f"{show(facts['peak_w'], 'W')} at first, {show(facts['energy_j'], 'J')}; emergency "
                f"{show(facts['emergency_j'], 'J')} of {show(facts['budget_j'], 'J')}",
            ),
            ("weld proof", f"{wait(facts['proof_s'])} pulse at each opening"),
        ]
    rows += [
        ("bleed alone", f"{show(facts['bleed_ohm'], 'ohm')}, {show(facts['bleed_w'], 'W')} all the time"),
        (
            "  60 V, 50 V, dead",
            ", ".join(wait(facts["bleed_s"][level]) for level in ("60_v", "50_v", "dead"))
            + (": how long it stays live" if facts["active_s"] is None else " if the discharge fails"),
        ),
    ]
    return [*section("Discharge, longest times from the highest voltage"), *labelled(rows)]


def _ratings(rows: list[Facts]) -> list[str]:
    lines = [f"  {'part':<28}{'needs':>9}{'rated':>9}{'spare':>7}{'needs':>9}{'rated':>9}{'spare':>7}"]
    for row in rows:
        currents = f"{'-':>9}{'-':>9}{'-':>7}"
        if row["needs_a"] is not None and row["rated_a"] is not None:
            currents = f"{show(row['needs_a'], 'A'):>9}{show(row['rated_a'], 'A'):>9}{row['margin_a_percent']:>5} %"
        lines.append(
            f"  {textwrap.shorten(row['part'], 27, placeholder='...'):<28}{show(row['needs_v'], 'V'):>9}"
            f"{show(row['rated_v'], 'V'):>9}{row['margin_v_percent']:>5} %{currents}"
        )
    return [*section("Ratings"), *lines]


def _thresholds(rows: list[Facts]) -> list[str]:
    return [
        *section("Thresholds"),
        *(f"  {row['name']:<26}{show(row['value'], row['unit']):>10}   {row['effect']}" for row in rows),
    ]


def _converter(texts: list[str]) -> list[str]:
    return [*section("Cautions of the board's converter"), *points(texts)] if texts else []


def _lay_up(facts: Facts) -> list[str]:
    recoverable = ", ".join(
        f"{percent} % at {degc} degC" for degc, percent in facts["recoverable_percent_after_a_year"].items()
    )
    low, high = facts["range_degc"]
    return [
        *section("Laying it up"),
        *points(
            [
                f"Store at {show(facts['store_charge'], 'fraction')} charge: {show(facts['store_rest_v'], 'V')} at "
                "rest, about "
                f"{facts['store_degc']} degC.",
                f"Recoverable after a year at 40 %: {recoverable} (battery reference pages).",
                "For more than a month take off the 12 V supply and open the high-voltage disconnect; keep it dry, "
                f"{low} to {high} degC (common practice).",
                f"At {show(facts['refill_from'], 'fraction')} ({show(facts['refill_from_rest_v'], 'V')} at rest) "
                "bring it to "
                f"{show(facts['refill_to'], 'fraction')} ({show(facts['refill_to_rest_v'], 'V')}, "
                f"{show(facts['refill_ah'], 'Ah')}) (common practice).",
                "Before the first start: isolation with a meter, every loop opened once, the stop button, one "
                "discharge "
                "watched to the end.",
            ]
        ),
    ]


def _indent(text: str, columns: int) -> str:
    return "\n".join(textwrap.wrap(text, WIDTH - 4, subsequent_indent=" " * columns))
