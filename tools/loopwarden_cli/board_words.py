"""What a board answered, in words and tables of 80 columns. Decides nothing but what is said first."""

import textwrap
from collections.abc import Collection, Iterable, Sequence

from loopwarden import words
from loopwarden.policy import fault_table as T
from loopwarden.policy import phases as P
from loopwarden_link.lines import Object

COLUMNS = 80
UNKNOWN = "not known"
_BY_ID = {row[T.ID]: row for row in T.TABLE}
_LABEL = 16


def shown(name: str, value: object) -> str:
    """A value in the unit its name ends with."""
    if not isinstance(value, int):
        return UNKNOWN if value is None else clean(str(value))
    if name.endswith("mm_s"):
        return f"{value * 0.0036:.1f} km/h"
    if name.endswith("cm_s"):
        return f"{value * 0.036:.1f} km/h"
    if name.endswith("dv"):
        return f"{value / 10:.1f} V"
    if name.endswith("da"):
        return f"{value / 10:.1f} A"
    if name.endswith("kohm"):
        return str(words.ohms(value * 1000))
    if name == "phase":
        return str(P.NAMES[value]) if 0 <= value < len(P.NAMES) else str(value)
    return str(words.quantity(name, value))


def clean(text: str) -> str:
    """Text that came over the line, safe to print on a terminal."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most COLUMNS; `first` begins the first one, `rest` (else as many blanks) the others."""
    rest = " " * len(first) if rest is None else rest
    lines = textwrap.wrap(
        clean(text),
        COLUMNS,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,  # names of ports, codes
    )
    return lines or [first.rstrip()]


def fields(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """Labels and values, aligned."""
    lines: list[str] = []
    for label, value in pairs:
        lines += wrapped(value, f"  {label:<{_LABEL}}")
    return lines


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], left: Collection[int]) -> list[str]:
    """Aligned columns: those in `left` to the left, the others to the right."""
    cells = [[clean(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(len(row[k]) for row in cells) for k in range(len(heads))]
    lines = []
    for row in cells:
        padded = [f"{cell:<{widths[k]}}" if k in left else f"{cell:>{widths[k]}}" for k, cell in enumerate(row)]
        lines.append(("  " + "  ".join(padded)).rstrip())
    return lines


def hv_line(status: Object) -> str:
    """What everybody has to read first: is it live. Dead is only what was measured, and even that is no permission."""
    bus_mv, dead_mv = status.get("bus_mv"), status.get("dead_mv")
    if not isinstance(bus_mv, int) or not isinstance(dead_mv, int):
        return "bus voltage NOT KNOWN: take it as LIVE"
    bus = f"bus {round(bus_mv / 100) / 10:.1f} V"
    if abs(bus_mv) >= dead_mv:
        return f"{bus}: LIVE"
    if any(status.get(name) != 0 for name in ("positive", "negative", "precharge")):
        return f"{bus}, but contactors are commanded: take it as LIVE"
    if status.get("mark") != "dead" or status.get("lamp_hv") != 0:
        return f"{bus}, but not proven dead by the board: take it as LIVE"
    return f"{bus} measured; prove it dead with a tested meter"


def head(status: Object, warnings: Sequence[str]) -> list[str]:
    """The first lines of every page."""
    lines = [hv_line(status)]
    for warning in warnings:
        lines += wrapped(f"WARNING: {warning}", rest="  ")
    return [*lines, ""]


def fault_name(row: int) -> str:
    """Code and name of a row of the table, as this version knows it."""
    known = _BY_ID.get(row)
    if known is None:
        return f"row {row}, not in this version's table"
    return f"{words.code_text(known[T.CODE], known[T.FTB])}  {words.fault_name(row)}".replace("none  ", "no code  ")


def first_check(row: int) -> str:
    """The first thing to look at, "" for a row this version does not know."""
    return str(words.fault_text(row)[1][0]) if row in _BY_ID else ""


def active_lines(rows: Sequence[int]) -> list[str]:
    """Active faults, each with its first check."""
    lines = []
    for row in rows:
        lines += wrapped(fault_name(row), "  ")
        if check := first_check(row):
            lines += wrapped(check, "      First check: ", "      ")
    return lines


def stopped(status: Object) -> str:
    """What to say of a board that does not tell which faults are active."""
    ends = shown("", status.get("restarts"))
    return (
        f"Active faults not known: the board decides nothing any more, after {ends} ends of its program in a row. Take"
        " its power away and give it back, then look at its codes."
    )


def status_fields(status: Object) -> list[str]:
    """The readings and outputs, aligned."""

    def of(name: str) -> str:
        return shown(name, status.get(name))

    def lit(prefix: str, names: Sequence[str], nothing: str) -> str:
        values = [status.get(prefix + name) for name in names]
        if None in values:
            return UNKNOWN
        return ", ".join(name for name, value in zip(names, values, strict=True) if value) or nothing

    if "clock_ms" not in status:
        return fields((("Phase", of("phase")), ("Program", f"restarts {of('restarts')}")))
    per_v = status.get("isolation_ohm_per_v")
    since = f"power cycle {of('cycle')}, up for {of('clock_ms')}"
    return fields(
        (
            ("Phase", f"{of('phase')} ({since}, key {'on' if status.get('key') else 'off'})"),
            ("Bus, pack", f"{of('bus_mv')}, {of('pack_mv')}"),
            ("Current, speed", f"{of('current_ma')}, {of('speed_mm_s')}"),
            ("Isolation", of("isolation_ohm") + (f" ({per_v} ohm/V)" if per_v is not None else "")),
            ("Temperatures", f"hottest {of('hottest_dc')}, coldest {of('coldest_dc')}"),
            ("Limits", f"drive {of('drive_limit_permille')}, charge {of('charge_limit_permille')}"),
            ("Contactors", lit("", ("positive", "negative", "precharge", "discharge"), "none") + " commanded"),
            ("Lamps", lit("lamp_", ("ready", "caution", "stop", "hv"), "none") + " lit"),
            ("Program", f"heap free {of('heap_free')} bytes, late {of('late_ms')}, restarts {of('restarts')}"),
        )
    )
