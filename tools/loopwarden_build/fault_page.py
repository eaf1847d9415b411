"""The published reaction matrix, made from the fault table and its texts: `python -m loopwarden_build.fault_page`.

It rewrites hardware_notes/faults.md of this checkout; tests/build/test_fault_page.py fails while the two differ.
"""

from pathlib import Path
from typing import Any

from loopwarden import words
from loopwarden.policy import fault_table as T

PAGE = Path(__file__).parents[2] / "hardware_notes" / "faults.md"

REACTIONS = {
    T.NONE: "-",
    T.NOTE: "note",
    T.CAUTION: "caution",
    T.LIMIT: "limit",
    T.REFUSE: "refuse",
    T.WIND: "wind down",
    T.FAST: "wind down, fast",
    T.DOWN: "open",
    T.CUT: "open at once",
}
ENDS = {
    T.HEALS: "heals",
    T.KEYED: "key",
    T.LOCK: "lock",
    T.ACKED: "acknowledged",
    T.KEY_ACKED: "acknowledged, key",
}
LAMPS = {T.DEFAULT: "", T.CAUTION_LAMP: "caution", T.STOP_LAMP: "stop"}

_HEAD = """\
# Faults and what they do

Made from `firmware/loopwarden/policy/fault_table.py` and `fault_texts.txt` by `python -m loopwarden_build.fault_page`.
Do not edit it: change the table or the texts and make it anew.

These are the defaults of bench and learning equipment. The parts' data sheets, local codes and a qualified person rule
over every one of them. Voltages, temperatures and times are settings of the build; those named here suit a 400 V class
build.

## How to read the matrix

- **code**: SAE J2012 number and failure type byte. P1A.. are our own, from a maker's range. A row without a code is a
  state that is shown and not stored.
- **set time**: how long the condition must last. 0 means at once, or that the monitor has counted already, as the text
  under the row's name says. Real time counts, bad time up and good time down at a quarter of the speed, so a reading
  that flickers cannot hide; an unknown reading freezes the count. `debounce` in the build file changes it.
- **before start**: off, checking, precharging, discharging, locked out. In precharging "refuse" is an abort: all
  contactors off, then discharge. **standing**, **moving**: live and winding down. Unknown speed counts as moving.
- **Reactions**, mild to hard: note, caution, limit, refuse, wind down, wind down fast, open, open at once. The hardest
  active one counts. *Wind down* moving: both limits fall along the ramp to a crawl, then to nothing, and the contactors
  open once it stands; *fast*: the short ramp and no crawl. *Open*: limits to nothing, inverter off, then the contactors
  one pole at a time. *Open at once*: everything off in the same tick.
- **limits**: caps in percent of rated power while the row is active and its reaction is limit or harder. D is the drive
  limit, C the charge limit (braking and charger). Other rows fall along a ramp of their own, named below the row.
- **ends**: *heals* by itself, stays stored. *key*: at the next key-on with the condition gone. *lock*: survives power
  cycles until it is cleared at the vehicle with the bus proven dead. *acknowledged*: asked for over a link and
  confirmed with the wired button. *acknowledged, key*: button first, then the next key-on.
- **lamp**: caution and limit light the caution lamp; refuse, wind down and open the stop lamp. Only exceptions are
  shown.
- **\\***: the default is common practice, with no single source behind it.

## The matrix

| id | fault | code | set time | before start | standing | moving | limits | ends | lamp |
|---|---|---|---|---|---|---|---|---|---|
"""

_MIDDLE = """
## What each one means, and what to check

Checks: likeliest cause first. "Prove it dead" is the whole procedure: open the disconnect, lock and tag it, wait the
time on the card, then measure pole to pole and each pole to chassis with a rated tester that was tried on a live source
before and after. "Shown" is the sentence that answers "why"; names in braces are filled in with the reading or the
build's value.
"""


def page() -> str:
    """Return the page as Markdown."""
    rows = "\n".join(_matrix_row(row) for row in T.TABLE)
    return _HEAD + rows + "\n" + _MIDDLE + "\n" + "\n".join(_section(row) for row in T.TABLE)


def lines_of(row_id: int) -> dict[str, list[str]]:
    """The texts of one row by their kind: means, reads, ramp, basis, check."""
    found: dict[str, list[str]] = {}
    for kind, text in words.text_lines(row_id):
        found.setdefault(kind, []).append(text)
    return found


def _matrix_row(row: tuple[Any, ...]) -> str:
    practice = any(text.startswith("common practice") for text in lines_of(row[T.ID]).get("basis", []))
    cells = (
        str(row[T.ID]),
        f"[{row[T.NAME]}](#{str(row[T.NAME]).lower()})" + (" \\*" if practice else ""),
        words.code_text(row[T.CODE], row[T.FTB]),
        f"{row[T.SET_MS]} ms" if row[T.SET_MS] else "0",
        *(REACTIONS[row[column]] for column in (T.OFF, T.STANDING, T.MOVING)),
        _caps(row),
        ENDS[row[T.ENDS]],
        LAMPS[row[T.LAMP]],
    )
    return "| " + " | ".join(cells) + " |"


def _caps(row: tuple[Any, ...]) -> str:
    caps = (("D", row[T.DRIVE]), ("C", row[T.CHARGE]))
    return ", ".join(f"{side} {words.percent(cap)}" for side, cap in caps if cap != T.FULL)


def _section(row: tuple[Any, ...]) -> str:
    texts = lines_of(row[T.ID])
    lines = [f"### {row[T.NAME]}", "", *texts["means"], ""]
    lines += [f"Shown: `{text}`.\n" for text in texts["reads"]]
    lines += [f"Limiter: {text}.\n" for text in texts.get("ramp", [])]
    lines += [f"Basis: {text}.\n" for text in texts.get("basis", [])]
    lines += [f"{number}. {text}" for number, text in enumerate(texts["check"], 1)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
