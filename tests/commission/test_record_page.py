"""The record as a file and as a page: whole or not at all, everything on it, nothing that was typed taken as HTML."""

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from loopwarden_commission.page import page
from loopwarden_commission.record import Reading, Record, StepResult, read_record, write_file

STEP = StepResult(
    "bus_channel",
    "bus voltage channel",
    "failed",
    "bus channel is 49.5 V",
    "2026-11-26T10:00:00+01:00",
    "2026-11-26T10:05:00+01:00",
    "A. Tester",
    2,
    [
        Reading("meter", 45.0, "V", by="person"),
        Reading("bus channel", 49.5, "V", 42.0, 48.0, False),
        Reading("isolation", 2.5e6, "ohm", 210e3, None, True),
    ],
    ["Tried at 45 V only."],
)
PASSED = replace(STEP, key="isolation", title="isolation", result="passed", reason="")


def record(*steps, planned=("bus_channel", "isolation", "discharge")):
    made = Record("full", "bench <cart>", "ab" * 32, "cd" * 8, "2026-11-26", [(key, key) for key in planned])
    made.cautions = ["High voltage kills."]
    made.sittings = [{"at": "2026-11-26", "by": "A. Tester", "port": "x", "program": "0.1.0", "runtime": "MicroPython"}]
    for step in steps:
        made.put(step)
    return made


class Balanced(HTMLParser):
    """Every element that is opened is closed, in order; the text is kept."""

    def __init__(self):
        super().__init__()
        self.open, self.text = [], []

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "col"):  # never closed
            self.open.append(tag)
        for name, value in attrs:
            assert name not in ("src", "href"), value  # nothing is fetched from anywhere

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def read(made):
    parser = Balanced()
    parser.feed(page(made))
    assert parser.open == []
    return " ".join(" ".join(parser.text).split())


def test_a_record_is_complete_only_when_every_planned_step_passed():
    assert not record(STEP, PASSED).complete
    assert record(STEP, PASSED).missing == ["bus_channel: failed", "discharge: not done"]
    assert record(PASSED, planned=("isolation",)).complete


def test_a_later_try_takes_the_place_of_the_earlier_and_order_is_the_plans():
    made = record(PASSED, STEP)
    assert [step.key for step in made.steps] == ["bus_channel", "isolation"]
    made.put(replace(STEP, result="passed"))
    assert [step.result for step in made.steps] == ["passed", "passed"]


def test_what_is_written_reads_back(tmp_path):
    import json

    path = tmp_path / "record.json"
    made = record(STEP, PASSED)
    write_file(path, json.dumps(made.as_data()))
    assert read_record(path).as_data() == made.as_data()
    assert [file.name for file in tmp_path.iterdir()] == ["record.json"]


def test_a_write_that_fails_leaves_the_record_of_before(tmp_path, monkeypatch):
    path = tmp_path / "record.json"
    write_file(path, "before")
    monkeypatch.setattr("os.fsync", lambda file: (_ for _ in ()).throw(OSError(28, "no space left")))
    with pytest.raises(OSError, match="no space left"):
        write_file(path, "after")
    assert path.read_text() == "before"


def test_the_page_tells_everything_and_is_closed():
    text = read(record(STEP, PASSED))
    assert "NOT COMPLETE" in text
    for words in (
        "bus voltage channel: failed",
        "by A. Tester, 2 tries",
        "bus channel 49.5 V 42 V to 48 V NOT GOOD board",
        "meter 45 V person",
        "isolation 2.5 Mohm at least 210 kohm good board",
        "Tried at 45 V only.",
        "Not done yet discharge",
        "ab" * 32,
        "cd" * 8,
        "MicroPython",
        "This record is not a certificate.",
        "Date, name, signature",
        "High voltage kills.",
    ):
        assert words in text, words
    assert "COMPLETE: all 1 steps passed" in read(record(PASSED, planned=("isolation",)))


def test_what_people_type_stays_text():
    text = page(record(replace(STEP, reason="<script>alert(1)</script>", by="<b>me</b>")))
    assert "<script>" not in text
    assert "<b>me" not in text
    assert "bench &lt;cart&gt;" in text
