"""A temperature sensor as a page for people: one reading, or a table, each beside what the board would read."""

from loopwarden_build.page_layout import labelled, points, section
from loopwarden_build.thermistor import Facts
from loopwarden_build.units import show

NTC_CAUTION = (
    "Published tables of parts with the same B differ from this equation, by about 3 % of the resistance (0.6 K) at 0 "
    "degC and more below: where it matters, compare with the part's own table."
)
CAUTIONS = (
    "The board's figures are its own code, with a converter that has no error and no noise. Nothing was measured.",
    "A long wire or a bad contact adds ohm: an NTC then reads colder than it is, a Pt1000 hotter.",
)


def page(facts: Facts, rows: list[Facts]) -> str:
    """Set a sensor and its readings; without `rows` the one reading is in `facts`."""
    title = "Pt1000 in its divider" if facts["sensor"] == "pt1000" else "NTC in its divider"
    lines = [title, "=" * len(title), *_sensor(facts)]
    lines += _table(rows) if rows else _reading(facts)
    cautions = (NTC_CAUTION, *CAUTIONS) if facts["sensor"] == "ntc" else CAUTIONS
    return "\n".join([*lines, *section("Cautions"), *points(cautions)])


def _sensor(facts: Facts) -> list[str]:
    if facts["sensor"] == "ntc":
        what = f"{show(facts['r25_ohm'], 'ohm')} at 25 degC, B {facts['beta_k']:g} K: R25*exp(B*(1/T - 1/T25))"
    else:
        what = "IEC 60751: A 3.9083e-3, B -5.775e-7, C -4.183e-12"
    name = [] if facts["zone"] is None else [("zone", f"{facts['zone']}, of {facts['build']}")]
    return [
        *section("Sensor"),
        *labelled(
            [
                *name,
                ("sensor", what),
                ("divider", f"sensor to ground, {show(facts['pull_up_ohm'], 'ohm')} to the converter's reference"),
                (
                    "shorted",
                    f"below {facts['short_below_counts']} counts ({show(facts['short_below_ohm'], 'ohm')})",
                ),
                ("open", f"above {facts['open_above_counts']} counts ({show(facts['open_above_ohm'], 'ohm')})"),
                (
                    "the board's table",
                    f"-40 to 150 degC, straight from point to point: {facts['board_off_max_k']:.2f} K off the "
                    f"equation at most (at {facts['board_off_max_degc']:g} degC); from its ends to the rails: out of "
                    "range",
                ),
            ]
        ),
    ]


def _reading(facts: Facts) -> list[str]:
    exact = "outside the equation" if facts["exact_degc"] is None else f"{facts['exact_degc']:.2f} degC"
    rows = [
        ("resistance", "no end" if facts["ohm"] is None else show(facts["ohm"], "ohm")),
        ("converter", f"{facts['counts']:.1f} of 4095 counts"),
        ("exact equation", exact),
        ("the board would read", _board(facts)),
    ]
    if facts["k_per_count"] is not None:
        rows.append(("one count is", f"{facts['k_per_count']:.2g} K there"))
    return [*section("Reading"), *labelled(rows)]


def _board(facts: Facts) -> str:
    if facts["board_degc"] is None:
        return f"no temperature: {facts['board_state']}"
    if facts["board_off_k"] is None:
        return f"{facts['board_degc']:.1f} degC"
    return f"{facts['board_degc']:.1f} degC, {_signed(facts['board_off_k'])} K off the equation"


def _signed(kelvin: float) -> str:
    return f"{round(kelvin, 2) + 0:+.2f}"  # + 0: no -0.00


def _table(rows: list[Facts]) -> list[str]:
    lines = [f"  {'degC':>7}{'resistance':>15}{'counts':>10}{'board reads':>16}{'off':>10}{'K per count':>14}"]
    for row in rows:
        board, off = row["board_state"], "-"
        if row["board_degc"] is not None:
            board, off = f"{row['board_degc']:.1f} degC", f"{_signed(row['board_off_k'])} K"
        lines.append(
            f"  {row['degc']:>7g}{show(row['ohm'], 'ohm'):>15}{row['counts']:>10.1f}{board:>16}{off:>10}"
            f"{row['k_per_count']:>14.2g}"
        )
    return [*section("Table"), *lines]
