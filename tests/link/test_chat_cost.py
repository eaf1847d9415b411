"""What a chat costs a live tick, under the 32-bit build: instructions of each call of work, and heap left behind."""

import json
from pathlib import Path

import pytest
from policy.stories import told

import loopwarden
from loopwarden.policy import fault_table as T
from micropython_runs.runners import run_wasm

FIRMWARE = Path(loopwarden.__file__).parents[1]
GUEST = Path(__file__).parent / "guest"
REPLAY = Path(__file__).parents[1] / "policy" / "guest"
QUICK = ("status", "faults", "inputs", "limits", "starts", "storage", "version", "build", "help", "")
REFUSED = ("clear all", "clear P1A08", "acknowledge crash", "service", "time 1767225600", "nonsense")
DEAR = ("faults isolation fault", "why phase", "why start", "why drive limit", "why stop lamp", "why isolation fault")
MOST = 250_000  # of one call: two and a half milliseconds
MEAN = 80_000
SEND, READ = 62_000, 120_000
AN_ANSWER, A_LINE = 700, 100  # bytes of heap that a quick answer leaves behind: of the request, of each 60 bytes
DEARLY = 6_000  # a dear one


def cost(story, at, requests=QUICK + REFUSED + DEAR):
    """Live in that story at that tick."""
    build, ticks, _ = told(story)
    files = {"build.json": build, "ticks.bin": ticks, "at.txt": "\n".join([str(at), *requests]).encode()}
    script = (GUEST / "chat_cost.py").read_text(encoding="utf-8")
    return json.loads(run_wasm(script, path=[FIRMWARE, REPLAY], files=files).stdout)


@pytest.mark.parametrize(
    ("story", "at", "phase", "active"), [("day", 1_200, 3, 0), ("sick", 2_600, 4, 5), ("blind", 1_400, 6, 10)]
)
def test_a_chat_while_live_costs_little(story, at, phase, active):
    """With nothing wrong; winding down with five faults; everything unreadable."""
    answer = cost(story, at)
    assert answer["phase"] == phase
    assert answer["active"] >= active
    for name, told_ in answer["told"].items():
        assert told_["most"] <= MOST, (name, told_)
        assert told_["mean"] <= MEAN, (name, told_)
        assert told_["kinds"]["send"] <= SEND, (name, told_)
        assert told_["kinds"]["read"] <= READ, (name, told_)
        most = DEARLY if name.removeprefix("@") in DEAR else AN_ANSWER + A_LINE * (told_["bytes"] // 60)
        assert told_["heap"] <= most, (name, told_)


def test_when_memory_is_short_asking_costs_next_to_none():
    """In this story 1,000 bytes are said to be left."""
    answer = cost("all bad", 1_150)
    assert max(told_["heap"] for told_ in answer["told"].values()) <= 128


@pytest.mark.parametrize(("story", "at"), [("sick", 2_600), ("emergency", 1_100)])
def test_every_fault_can_be_asked_while_live(story, at):
    """Active or not, no part of any answer takes longer than two and a half milliseconds."""
    names = ["why " + row[T.NAME] for row in T.TABLE]
    for name, told_ in cost(story, at, names)["told"].items():
        assert told_["most"] <= MOST, (name, told_)
        assert told_["heap"] <= DEARLY, (name, told_)


def test_typing_takes_nothing_from_the_heap_once_it_is_scarce():
    """S15: the floor below which nothing is answered in a drive is no floor if an echo takes from below it."""
    script = (GUEST / "typed_heap.py").read_text(encoding="utf-8")
    told = json.loads(run_wasm(script, path=[FIRMWARE, GUEST]).stdout)
    assert told == {"line": 0, "deleted": 0, "returns": 0, "noise": 0}
