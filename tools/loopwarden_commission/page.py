"""The record as a page that prints on A4: one self-contained HTML file, nothing fetched from anywhere."""

from html import escape

from loopwarden_commission.record import FAILED, NOT_A_CERTIFICATE, PASSED, Reading, Record, StepResult

_STYLE = """
@page { size: A4; margin: 16mm 15mm 18mm 15mm; @bottom-right { content: "page " counter(page) " of " counter(pages);
  font: 8pt sans-serif; } }
body { font: 9.5pt/1.35 "DejaVu Sans", Arial, sans-serif; color: #111; max-width: 180mm; margin: 0 auto; }
h1 { font-size: 16pt; margin: 0 0 2mm 0; } h2 { font-size: 11.5pt; margin: 6mm 0 1.5mm 0; }
p { margin: 1mm 0; } ul { margin: 1mm 0 1mm 5mm; padding: 0; }
table { border-collapse: collapse; width: 100%; margin: 1mm 0; }
th, td { border-bottom: 0.3pt solid #999; padding: 0.7mm 2mm 0.7mm 0; text-align: left; vertical-align: top; }
table.readings { table-layout: fixed; } td.number, th.number { text-align: right; }
td.text { overflow-wrap: anywhere; }
col.what { width: 37%; } col.value { width: 15%; } col.allowed { width: 27%; } col.good { width: 10%; }
.verdict { font-size: 13pt; font-weight: bold; border: 1.2pt solid #111; padding: 2mm 3mm; margin: 3mm 0; }
.step { break-inside: avoid; margin: 0 0 3mm 0; border-left: 2.5pt solid #999; padding-left: 2.5mm; }
.step.passed { border-color: #2c6e2c; } .step.failed { border-color: #b00020; } .step h3 { font-size: 10pt; margin: 0; }
.result { font-weight: bold; } .bad { font-weight: bold; color: #b00020; }
.small { font-size: 8pt; color: #333; } .sign { display: inline-block; width: 80mm; margin: 12mm 6mm 0 0;
  border-top: 0.5pt solid #111; padding-top: 1mm; }
.mono { font-family: "DejaVu Sans Mono", monospace; font-size: 8pt; overflow-wrap: anywhere; }
"""

_COLUMNS = "".join(f'<col class="{name}">' for name in ("what", "value", "allowed", "good", "by"))
_HEAD = (
    f'<table class="readings"><colgroup>{_COLUMNS}</colgroup><tr><th>reading</th><th class="number">value</th>'
    '<th class="number">allowed</th><th></th><th>read by</th></tr>'
)


def page(record: Record) -> str:
    """The whole page."""
    title = f"Commissioning record: {record.build_name}"
    form = "" if record.form == "full" else " (short form, after service)"
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(title + form)}</h1>",
        *_verdict(record),
        *_what(record),
        "<h2>Steps</h2>",
        *(line for step in record.steps for line in _step(step)),
        *_not_done(record),
        "<h2>Cautions</h2>",
        _list(record.cautions),
        f"<p><b>{escape(NOT_A_CERTIFICATE)}</b></p>",
        '<p><span class="sign">Date, name, signature: who did it</span>'
        '<span class="sign">Date, name, signature: qualified person</span></p>',
        "</body></html>",
    ]
    return "\n".join(parts) + "\n"


def _verdict(record: Record) -> list[str]:
    if record.complete:
        return [f'<p class="verdict">COMPLETE: all {len(record.planned)} steps passed</p>']
    return ['<p class="verdict">NOT COMPLETE</p>', _list(record.missing)]


def _what(record: Record) -> list[str]:
    rows = [
        ("begun", _time(record.begun_at)),
        ("build digest", record.build_digest),
        ("board, birth id of its fault memory", record.birth),
    ]
    lines = ["<table>"]
    lines += [f'<tr><th>{escape(label)}</th><td class="mono">{escape(value)}</td></tr>' for label, value in rows]
    lines += ["</table>", "<table><tr><th>sitting</th><th>by</th><th>firmware</th><th>runtime</th></tr>"]
    for sitting in record.sittings:
        cells = [sitting.get(name, "") for name in ("at", "by", "program", "runtime")]
        cells[0] = _time(cells[0])
        lines.append("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>")
    return [*lines, "</table>"]


def _step(step: StepResult) -> list[str]:
    mark = step.result if step.result in (PASSED, FAILED) else "left"
    tries = f", {step.tries} tries" if step.tries > 1 else ""
    lines = [
        f'<div class="step {mark}"><h3>{escape(step.title)}: <span class="result">{escape(step.result)}</span></h3>',
        f'<p class="small">{_time(step.begun_at)} to {_time(step.ended_at)}, by {escape(step.by)}{tries}</p>',
    ]
    if step.reason:
        lines.append(f"<p>{escape(step.reason)}</p>")
    if step.readings:
        lines.append(_HEAD)
        lines += [_reading(reading) for reading in step.readings]
        lines.append("</table>")
    lines += [f'<p class="small">{escape(note)}</p>' for note in step.notes]
    return [*lines, "</div>"]


def _time(iso: str) -> str:
    return escape(iso.replace("T", " ", 1))


def _reading(reading: Reading) -> str:
    what, by = f"<td>{escape(reading.what)}</td>", f"<td>{escape(reading.by)}</td>"
    value, limits = escape(_value(reading.value, reading.unit)), escape(_limits(reading))
    if reading.good is None and not reading.unit:  # a text, with room for it
        return f'<tr>{what}<td class="text" colspan="3">{value}</td>{by}</tr>'
    verdict = "" if reading.good is None else "good" if reading.good else '<span class="bad">NOT GOOD</span>'
    numbers = f'<td class="number">{value}</td><td class="number">{limits}</td>'
    return f"<tr>{what}{numbers}<td>{verdict}</td>{by}</tr>"


def _value(value: float | str | None, unit: str) -> str:
    if value is None:
        return "no reading"
    if isinstance(value, str):
        return value
    if unit == "ohm" and abs(value) >= 1000:
        return f"{value / 1e6:.3g} Mohm" if abs(value) >= 1e6 else f"{value / 1e3:.4g} kohm"
    return f"{value:.4g} {unit}".strip()


def _limits(reading: Reading) -> str:
    low, high, unit = reading.low, reading.high, reading.unit
    if low is None and high is None:
        return ""
    if high is None:
        return f"at least {_value(low, unit)}"
    if low is None:
        return f"at most {_value(high, unit)}"
    return f"{_value(low, unit)} to {_value(high, unit)}"


def _not_done(record: Record) -> list[str]:
    done = {step.key for step in record.steps}
    left = [title for key, title in record.planned if key not in done]
    return ["<h2>Not done yet</h2>", _list(left)] if left else []


def _list(texts: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>"
