"""The page as text: in one file, nothing fetched, everything in words as well, nothing foreign taken for markup."""

import base64
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from loopwarden_report import palette
from loopwarden_report.board_page import Answers, Told, board_page
from loopwarden_report.history import Cycle, Gap
from loopwarden_report.page import drive_page, plot_html
from loopwarden_report.trends import Expected, trends
from report.conftest import SCENARIOS, driven


class Reader(HTMLParser):
    """Elements of a page that matter here."""

    def __init__(self, page):
        super().__init__()
        self.ids, self.links, self.fetched, self.plots, self.scripts, self.tags = [], [], [], [], {}, []
        self._script = None
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        values = dict(attributes)
        self.tags.append((tag, values))
        self.ids += [values["id"]] if "id" in values else []
        self.links += [values["href"]] if tag == "a" else []
        self.fetched += [values[name] for name in ("src", "srcset", "data", "poster") if name in values]
        self.fetched += [values["href"]] if tag in ("link", "base") else []
        self.plots += [values] if "plot" in values.get("class", "").split() else []
        self._script = values.get("id", "") if tag == "script" else None

    def handle_data(self, data):
        if self._script is None:
            self.text += data
        else:
            self.scripts[self._script] = self.scripts.get(self._script, "") + data

    def handle_endtag(self, tag):
        self._script = None if tag == "script" else self._script


@pytest.fixture(scope="module")
def page(welded):
    return drive_page(welded[0].history)


@pytest.fixture(scope="module")
def reader(page):
    return Reader(page)


def test_it_fetches_nothing_and_forbids_itself_to(reader, page):
    assert reader.fetched == []
    assert all(link.startswith("#") for link in reader.links)
    policies = [
        values["content"] for tag, values in reader.tags if values.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policies
    assert policies[0].startswith("default-src 'none'")
    assert "http" not in policies[0]
    assert not re.search(r"@import|url\(", page.partition("</style>")[0])


def test_the_plotting_library_is_in_it_once(page):
    assert page.count("* plotly.js v") == 1


def test_every_link_leads_somewhere_and_no_name_is_given_twice(reader):
    assert len(set(reader.ids)) == len(reader.ids)
    assert {link[1:] for link in reader.links} <= set(reader.ids)


def test_every_plot_takes_the_focus_and_is_told_in_words(reader):
    assert len(reader.plots) >= 14
    for plot in reader.plots:
        assert plot["tabindex"] == "0"
        assert {plot["aria-labelledby"], plot["aria-describedby"]} <= set(reader.ids)


def test_cautions_come_before_anything_else(reader):
    assert "A simulation: no board, no high voltage" in reader.text
    assert reader.text.index("Prove it dead with a tested meter") < reader.text.index("Contents")
    assert "Local codes" in reader.text
    assert "qualified person" in reader.text


def test_a_code_stands_in_the_table_with_its_why_and_on_the_plots(welded, reader):
    for number, one in enumerate(welded[0].history.occurrences, 1):
        assert one.why in reader.text
        figure = json.loads(reader.scripts["voltages-data"])
        (codes,) = [trace for trace in figure["data"] if trace["name"] == "codes, by number"]
        assert codes["x"][number - 1] == one.t_ms / 1000
        assert one.code in codes["hovertext"][number - 1]


def test_each_phase_is_a_row_of_the_table(welded, reader):
    phases = [answer.text for answer in welded[0].history.answers if answer.subject == "phase"]
    assert len(phases) > 8
    assert all(text in reader.text for text in phases)


def values(spec):
    kinds = {"f4": "<f4", "f8": "<f8"}
    return np.frombuffer(base64.b64decode(spec["bdata"]), kinds[spec["dtype"]])


def test_what_is_drawn_is_what_was_read(welded, reader):
    history = welded[0].history
    figure = json.loads(reader.scripts["voltages-data"])
    bus = next(trace for trace in figure["data"] if trace["name"] == "bus")
    x, y = values(bus["x"]), values(bus["y"])
    places = np.searchsorted(history.t_s, x + 1e-4) - 1
    read = history.volts("bus_mv")[places]
    known = np.isfinite(y)
    assert known.sum() > 1000
    assert np.abs(y[known] - read[known]).max() < 0.01
    assert np.nanmax(y) == pytest.approx(np.nanmax(history.volts("bus_mv")), abs=0.01)
    assert np.nanmin(y) == pytest.approx(np.nanmin(history.volts("bus_mv")), abs=0.01)


def test_no_two_lines_of_a_plot_look_alike_without_colour(reader):
    drawn = 0
    for name, script in reader.scripts.items():
        if not name.endswith("-data"):
            continue
        lines = [trace for trace in json.loads(script)["data"] if trace["type"] == "scatter" and "line" in trace]
        looks = [(trace["line"]["dash"], trace["marker"]["symbol"]) for trace in lines]
        assert len(set(looks)) == len(looks), name
        drawn += len(lines)
    assert drawn > 15


def test_the_colours_are_those_of_okabe_and_ito():
    """M. Okabe and K. Ito, Color Universal Design, 2008 (from memory): eight that any colour vision tells apart."""
    assert palette.PALETTE == ("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")


def test_what_is_missing_is_said_first_and_shaded(welded):
    history = replace(welded[0].history, gaps=[Gap(5000, 6000, "<b>damaged</b>")], remarks=["a <remark>"])
    text = drive_page(history)
    found = Reader(text)
    assert "Nothing is known from 5.00 s to 6.00 s: <b>damaged</b>" in found.text
    assert "a <remark>" in found.text
    assert found.text.index("a <remark>") < found.text.index("Contents")
    shapes = json.loads(found.scripts["isolation-data"])["layout"]["shapes"]
    assert [shape for shape in shapes if (shape.get("x0"), shape.get("x1")) == (5.0, 6.0)]


def test_a_drive_without_a_tick_is_a_page_that_says_so(welded):
    history = welded[0].history
    empty = replace(history, ticks=history.ticks[:0], occurrences=[], answers=[], cycles=[])
    assert "No tick was taken down" in Reader(drive_page(empty)).text


def test_a_single_tick_is_a_page(welded):
    history = welded[0].history
    page = drive_page(replace(history, ticks=history.ticks[:1], occurrences=[], answers=[], cycles=[]))
    assert len(Reader(page).plots) >= 10


def test_markup_in_a_title_is_text(welded):
    title = "</script><script>alert(1)</script>"
    page = drive_page(replace(welded[0].history, title=title))
    assert title not in page
    assert title in Reader(page).text


FAULT = {"code": "P0A0A-13", "name": "LOOP_OPEN", "count": 2, "active": 0, "present": 0, "lock": 1}
STRIP = [
    {
        "before_ms": before_ms,
        "bus_dv": 3982,
        "pack_dv": None,
        "current_da": -5,
        "speed_cm_s": 344,
        "drive_limit_permille": 1000,
        "phase": 3,
        "isolation_kohm": 210,
    }
    for before_ms in (1000, 500, 0)
]


def answers(**changes):
    told = Told([{"which": "first", "bus_mv": 398_000, "phase": 3}], STRIP, "It <i>means</i>.", ["Look & see."])
    found = Answers(
        port="/dev/<port>",
        asked_at="2026-01-02 03:04",
        first_line="bus 3.1 V measured; prove it dead with a tested meter",
        status={"phase": "off", "cycle": 41, "active": []},
        faults=[FAULT],
        details={"P0A0A-13": told},
        starts=[{"cycle": 40, "precharge_ms": 470}, {"cycle": 41, "precharge_ms": 480, "lowest_ohm": 210_000}],
        storage={"ready": 1, "pack_mv": 380_000, "text": "as far as it can tell"},
        build={"name": "cart"},
    )
    return replace(found, **changes)


def test_a_boards_page_has_codes_frames_strip_and_starts():
    found = Reader(board_page(answers(), Expected(working_v=420, fault_ohm_per_v=500)))
    for text in (
        "prove it dead with a tested meter",
        "past, LOCK",
        "398.0 V",
        "It <i>means</i>.",
        "Look & see.",
        "live",
    ):
        assert text in found.text
    assert {"strip-voltages", "strip-isolation", "trend-precharge", "trend-isolation"} <= set(found.ids)
    isolation = json.loads(found.scripts["strip-isolation-data"])["data"][0]
    assert values(isolation["y"]).tolist() == [500, 500, 500]
    pack = json.loads(found.scripts["strip-voltages-data"])["data"][0]
    assert np.isnan(values(pack["y"])).all()


@pytest.mark.parametrize("odd", [None, "text", 1.5, True, [1], {"a": 1}, -1, 10**12])
def test_whatever_a_board_answers_it_is_a_page(odd):
    fault = dict.fromkeys(FAULT, odd)
    strip = [dict.fromkeys(STRIP[0], odd)]
    told = Told([{"which": odd, "bus_mv": odd, "phase": odd, "t_ms": odd}], strip, str(odd), [str(odd)])
    found = answers(
        status=dict.fromkeys(("phase", "cycle", "active", "isolation_ohm_per_v", "pack_mv"), odd),
        faults=[fault],
        details={str(odd): told, "": told},
        starts=[{"cycle": 1, "precharge_ms": 400}, dict.fromkeys(("cycle", "precharge_ms", "lowest_ohm", "rows"), odd)],
        storage=dict.fromkeys(("ready", "pack_mv", "charge_permille", "text"), odd),
        build={"name": odd},
    )
    page = board_page(found, Expected(working_v=420))
    assert "trend-isolation" in Reader(page).ids


def test_a_board_that_told_nothing_is_a_page():
    found = Reader(board_page(answers(faults=[], details={}, starts=[], storage={}, build={}), Expected()))
    assert "No start is on record" in found.text
    assert found.plots == []


def test_numbers_that_json_has_not_are_missing():
    for plot in trends([Cycle(1, precharge_ms=400)], Expected(working_v=1)):
        assert not re.search("NaN|Infinity", plot_html(plot))


@pytest.mark.parametrize("name", ["cart_drives_without_speed_and_current", "cart_isolation_line_goes_bad"])
def test_a_build_with_little_fitted_has_a_page_of_what_it_has(name):
    history = driven(SCENARIOS / f"{name}.toml").history
    assert (history.build.current_sense, history.build.motion) == (None, None)
    found = Reader(drive_page(history))
    assert {"isolation", "voltages", "granted", "states"} <= set(found.ids)
    assert not {"current", "speed"} & set(found.ids)
    assert "good/bad line: its two levels stand for good and bad" in found.text
