"""A proof as a page that prints on A4: one self-contained HTML file, nothing fetched. Colour repeats what marks say."""

from collections.abc import Iterable, Sequence
from html import escape

from loopwarden_prove.proof import Proof, case_text
from loopwarden_prove.report_text import NOT_SHOWN, file_note, places_of, several, share, tried, trouble_text, verdict
from loopwarden_prove.tally import Count, Reaction

_STYLE = """
@page { size: A4; margin: 14mm 12mm 16mm 12mm; @bottom-right { content: "page " counter(page) " of " counter(pages);
  font: 8pt sans-serif; } }
body { font: 9.5pt/1.35 "DejaVu Sans", Arial, sans-serif; color: #111; background: #fff; max-width: 186mm;
  margin: 0 auto; }
h1 { font-size: 16pt; margin: 0 0 2mm 0; } h2 { font-size: 11.5pt; margin: 6mm 0 1.5mm 0; break-after: avoid; }
p { margin: 1mm 0; } ul { margin: 1mm 0 1mm 5mm; padding: 0; }
table { border-collapse: collapse; width: 100%; margin: 1mm 0; } thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { border-bottom: 0.3pt solid #999; padding: 0.6mm 2mm 0.6mm 0; text-align: left; vertical-align: top; }
th.number, td.number { text-align: right; } td.text { overflow-wrap: anywhere; }
.verdict { font-size: 12pt; font-weight: bold; border: 1.2pt solid #111; padding: 2mm 3mm; margin: 3mm 0; }
.verdict.found { border: 3pt double #8a1020; }
.mono { font-family: "DejaVu Sans Mono", monospace; font-size: 8pt; overflow-wrap: anywhere; }
.small { font-size: 8pt; color: #333; }
table.cover { font-size: 7.5pt; table-layout: fixed; } table.cover col.subject { width: 34mm; }
p.legend { break-after: avoid; }
table.cover th.phase { border-left: 0.3pt solid #999; padding: 0; height: 27mm; vertical-align: bottom; }
table.cover th.phase span { writing-mode: vertical-rl; transform: rotate(180deg); white-space: nowrap; }
table.cover tr.sum td { font-weight: bold; white-space: normal; }
table.cover td.cell { text-align: center; border-left: 0.3pt solid #ccc; padding: 0.6mm 0; white-space: nowrap;
  font-size: 6.4pt; }
td.all { background: #e3e9f2; } td.none { background: #fff; color: #555; } td.never { color: #777; }
.bar { display: inline-block; width: 26mm; height: 2.4mm; border: 0.4pt solid #333; vertical-align: middle; }
.bar span { display: block; height: 100%; background: #44618c; }
.late { font-weight: bold; }
.trouble { break-inside: avoid; border-left: 2.5pt solid #8a1020; padding-left: 2.5mm; margin: 0 0 3mm 0; }
.trouble h3 { font-size: 10pt; margin: 0; }
"""
_CASES_SHOWN = 12
_UNSETTLED_SHOWN = 30


def report_page(proof: Proof, folder: str) -> str:
    """The whole page. folder: where the scenario files lie, as a command line would name it."""
    title = f"Proof by attack: {proof.build_name}"
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(title)}</h1>",
        f'<p class="verdict{" found" if proof.troubles else ""}">{escape(verdict(proof))}</p>',
        "<h2>What this does not show</h2>",
        _list(NOT_SHOWN),
        *_what(proof),
        *_troubles(proof, folder),
        *_reactions(proof),
        *_promises(proof),
        *_coverage(proof),
        *_unsettled(proof),
        "</body></html>",
    ]
    return "\n".join(parts) + "\n"


def _what(proof: Proof) -> list[str]:
    asked, tally = proof.asked, proof.tally
    pairs = "as many pairs as the time allows" if asked.pairs is None else several(asked.pairs, "pair")
    singles = "a sample of the" if asked.quick else "all"
    budget = "" if asked.budget_s is None else f"; at most {asked.budget_s / 60:g} min"
    rows = [
        ("build file", proof.build_file),
        ("its digest, as packed", proof.build_digest),
        ("firmware", f"{proof.version}, {proof.firmware_digest}"),
        ("with simulator and attacks", proof.program_digest),
        ("asked for", f"{singles} single faults, {pairs}{budget}; seed {asked.seed}"),
        ("run", f"{proof.begun_at:%Y-%m-%d %H:%M}, {proof.took_s:.0f} s, {proof.where}; {proof.ended}"),
        ("single faults", share(tally.singles)),
        ("pairs of faults", str(tally.doubles)),
        ("attacks that came up", tried(list(tally.attacks.values()))),
        ("moments that were attacked", tried(list(tally.moments.values()))),
        ("simulated", f"{tally.ticks * proof.tick_ms / 3.6e6:.1f} h of the drive's own time"),
    ]
    lines = ["<h2>What was run</h2>", "<table>"]
    lines += [f'<tr><th>{escape(label)}</th><td class="mono">{escape(value)}</td></tr>' for label, value in rows]
    return [*lines, "</table>"]


def _troubles(proof: Proof, folder: str) -> list[str]:
    lines = ["<h2>What was found</h2>"]
    if not proof.troubles:
        return [*lines, "<p>No promise was broken, every reaction that was due came in time, nothing failed.</p>"]
    for place, trouble in enumerate(proof.troubles):
        plainest = trouble.sightings[0]
        file = (proof.files or {}).get(place)
        numbers = [str(sighting.case.number) for sighting in trouble.sightings]
        more = f" and {len(numbers) - _CASES_SHOWN} more" if len(numbers) > _CASES_SHOWN else ""
        lines += [
            f'<div class="trouble"><h3>{place + 1}. {escape(trouble_text(trouble))}</h3>',
            f"<p>{escape(plainest.seen)}{escape(_after(plainest.after_ms))}</p>",
            f'<p class="small">{escape(case_text(plainest.case, proof.tick_ms))}</p>',
        ]
        if len(numbers) > 1:
            lines.append(f'<p class="small">cases {", ".join(numbers[:_CASES_SHOWN])}{more}</p>')
        if file is not None:
            command = f"loopwarden simulate {folder}/{file.name}"
            lines.append(f'<p><span class="mono">{escape(command)}</span> ({escape(file_note(file))})</p>')
        lines.append("</div>")
    return lines


def _after(after_ms: int) -> str:
    return f", {after_ms} ms after the strike" if after_ms >= 0 else ""


def _reactions(proof: Proof) -> list[str]:
    lines = ["<h2>Reactions: from the fault to the row of the fault table</h2>"]
    reactions = sorted(proof.tally.reactions.values(), key=lambda one: one.row)
    if not reactions:
        return [*lines, "<p>None was due in what was run.</p>"]
    head = ("row", "due", "in time", "slowest", "allowed", "of what is allowed")
    numbers = (False, True, True, True, True, False)
    lines += ["<table>", _head(zip(head, numbers, strict=True))]
    lines += [_reaction(one) for one in reactions]
    return [
        *lines,
        "</table>",
        '<p class="small">Due: cases in which an attack must raise this row there. The slowest is the one that came '
        "nearest to what is allowed in its own case, or went farthest beyond it.</p>",
    ]


def _reaction(one: Reaction) -> str:
    cells = [("", escape(one.row)), ("number", str(one.due))]
    short = one.due - one.came
    cells.append(("number late" if short else "number", f"{one.came}{f' ({short} MISSING)' if short else ''}"))
    if one.worst_ms < 0:
        cells += [("number late", "never came"), ("number", f"{one.bound_ms} ms"), ("", "")]
    else:
        percent = round(100 * one.worst_ms / one.bound_ms)
        late = " LATE" if one.worst_ms > one.bound_ms else ""
        bar = f'<span class="bar"><span style="width: {min(percent, 100)}%"></span></span> {percent} %{late}'
        cells += [("number", f"{one.worst_ms} ms"), ("number", f"{one.bound_ms} ms"), ("late" if late else "", bar)]
    return "<tr>" + "".join(f'<td class="{kind}">{text}</td>' for kind, text in cells) + "</tr>"


def _promises(proof: Proof) -> list[str]:
    rows = [
        f'<tr><td>{promise}</td><td class="number">{proof.tally.exercised[promise]}</td></tr>'
        for promise in proof.tally.exercised
    ]
    half = -(-len(rows) // 2)
    head = _head([("promise", False), ("how often it was put to the test", True)])
    return [
        "<h2>Promises</h2>",
        '<table><tr><td style="border: 0">',
        *("<table>", head, *rows[:half], '</table></td><td style="border: 0">'),
        *("<table>", head, *rows[half:], "</table></td></tr></table>"),
    ]


def _coverage(proof: Proof) -> list[str]:
    tally = proof.tally
    places = places_of(tally)
    columns = '<col class="subject">' + "<col>" * len(places)
    titles = [f"{phase} {'moving' if moving else 'standing'}" for phase, moving in places]
    head = "".join(f'<th class="phase"><span>{escape(title)}</span></th>' for title in titles)
    lines = [
        "<h2>Single faults by phase: cases run of those possible</h2>",
        '<p class="legend">&#9632; all of them &#160; &#9703; some &#160; &#9633; none &#160; - &#160; no such case: '
        "the stories do not pass there. Marks and numbers say the same as the shade.</p>",
        f'<table class="cover"><colgroup>{columns}</colgroup><thead><tr><th>what is struck</th>{head}</tr></thead>',
    ]
    for subject in dict.fromkeys(tally.subject_of.values()):
        cells = "".join(_cell(tally.cells.get((subject, place))) for place in places)
        lines.append(f"<tr><td>{escape(subject)}</td>{cells}</tr>")
    sums = "".join(f'<td class="cell">{share(tally.places[place])}</td>' for place in places)
    return [*lines, f'<tr class="sum"><th>all</th>{sums}</tr>', "</table>"]


def _cell(count: Count | None) -> str:
    if count is None or not count.possible:
        return '<td class="cell never">-</td>'
    if count.run == count.possible:
        return f'<td class="cell all">&#9632; {count.run}</td>'
    if count.run:
        return f'<td class="cell some">&#9703; {count.run}/{count.possible}</td>'
    return f'<td class="cell none">&#9633; 0/{count.possible}</td>'


def _unsettled(proof: Proof) -> list[str]:
    found = proof.tally.unsettled
    if not found:
        return ["<h2>Cases that did not settle</h2>", "<p>None: each came to rest within its longest time.</p>"]
    texts = [f"{case_text(one.case, proof.tick_ms)}: still {one.ended}" for one in found[:_UNSETTLED_SHOWN]]
    if len(found) > _UNSETTLED_SHOWN:
        texts.append(f"and {len(found) - _UNSETTLED_SHOWN} more; the JSON report has them all")
    return [f"<h2>Cases that did not settle: {len(found)}</h2>", _list(texts)]


def _head(columns: Iterable[tuple[str, bool]]) -> str:
    cells = "".join(f'<th class="{"number" if number else "text"}">{escape(text)}</th>' for text, number in columns)
    return f"<thead><tr>{cells}</tr></thead>"


def _list(texts: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>"
