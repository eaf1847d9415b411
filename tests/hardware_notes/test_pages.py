"""The pages for people at the bench: links resolve, promises and commands are named, figures hold, none is long."""

import math
import re
from pathlib import Path

import pytest

from loopwarden_build import derived
from loopwarden_build.load import read_build

ROOT = Path(__file__).resolve().parents[2]
NOTES = ROOT / "hardware_notes"
WRITTEN = (
    "README",
    "circuits",
    "parts",
    "enclosures",
    "cautions",
    "lay_up",
    "bring_up",
    "without_a_program",
    "what_a_supervisor_should_do",
    "only_simulated",
    "can_inputs",
)
# What the tool does today, and what is written of it elsewhere.
COMMANDS = {"check", "review", "watch", "isolation", "pins", "install", "commission"}
ON_A_CIRCUIT = ("S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S10", "S11", "S12", "S15")


def text_of(name):
    return (NOTES / f"{name}.md").read_text(encoding="utf-8")


def anchors(text):
    """Headings as links name them: lower case, spaces as hyphens, no punctuation."""
    return {
        re.sub(r"[^\w\- ]", "", line.lstrip("#").strip().lower()).replace(" ", "-")
        for line in text.splitlines()
        if line.startswith("#")
    }


def sections(text):
    """Heading of the second level to what stands below it, without pictures, as one line."""
    found = {}
    for part in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        head, body = part.split("\n", 1)
        found[head] = " ".join(re.sub(r"!\[.*\]\(.*\)", "", body).split())
    return found


@pytest.mark.parametrize("name", WRITTEN)
def test_every_link_leads_somewhere(name):
    for path, anchor in re.findall(r"\]\(([^)#]*)(?:#([^)]*))?\)", text_of(name)):
        target = NOTES / path if path else NOTES / f"{name}.md"
        assert target.is_file(), f"{name}.md: {path}"
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), f"{name}.md: {path}#{anchor}"


def test_the_index_names_every_page():
    linked = set(re.findall(r"\]\((\w+)\.md", text_of("README")))
    assert linked == {file.stem for file in NOTES.glob("*.md")} - {"README"}


def test_every_promise_that_hangs_on_a_circuit_is_named_beside_one():
    """All but the three that memory, words and arithmetic keep."""
    page = text_of("circuits")
    for promise in ON_A_CIRCUIT:
        assert re.search(rf"\b{promise}\b", page), promise


@pytest.mark.parametrize("name", WRITTEN)
def test_only_commands_that_exist_or_are_announced_are_named(name):
    named = set(re.findall(r"`loopwarden (\w+)", text_of(name)))
    assert named <= COMMANDS


def test_the_commands_that_a_page_needs_are_named():
    assert "`loopwarden pins BUILD`" in text_of("circuits")
    for page in ("circuits", "bring_up", "lay_up"):
        assert "`loopwarden isolation`" in text_of(page)
    assert "`loopwarden install BUILD --port PORT`" in text_of("bring_up")
    assert "`loopwarden commission BUILD --port PORT`" in text_of("bring_up")


@pytest.mark.parametrize("name", WRITTEN)
def test_no_page_is_long(name):
    """A thousand words are two printed pages, bring-up and index one; under a picture six lines of 120, as asked."""
    most = {"circuits": 2300, "bring_up": 560, "README": 400}.get(name, 1000)
    assert len(re.sub(r"\]\([^)]*\)", "]", text_of(name)).split()) <= most
    if name == "circuits":
        for head, body in sections(text_of(name)).items():
            if head != "Rules that hold in every picture":
                assert 240 <= len(body) <= 6.4 * 120, f"{head}: {len(body) / 120:.1f} lines"


def test_bring_up_goes_in_the_safe_order():
    steps = re.findall(r"^- \[ \] \*\*(\d+) (.*?)\*\*", text_of("bring_up"), flags=re.MULTILINE)
    assert [int(number) for number, _ in steps] == list(range(1, 12))
    words = (
        "Cautions",
        "Low-voltage supply",
        "loop",
        "zone",
        "Emergency stop",
        "Lamps",
        "Coils without high voltage",
        "Low-voltage source at the bus",
        "Isolation",
        "Discharge",
        "Only then high voltage",
    )
    for (_, head), word in zip(steps, words, strict=True):
        assert word in head
    assert "Hold time" in text_of("bring_up")


@pytest.mark.outside(
    subject="cautions",
    source="NFPA 70E 120.5, seen in summaries",
    value="the tester is proved on a live source before and after measuring",
)
def test_the_prove_dead_steps_try_the_tester_before_and_after():
    """NFPA 70E 120.5, as its summaries tell: tester proved on a live source before and after the measurement."""
    page = " ".join(text_of("cautions").split())
    first, measured, again = (
        page.index(words) for words in ("Prove it on a live source", "Measure each pole", "live source again")
    )
    assert first < measured < again


@pytest.mark.outside(
    subject="precharge",
    source="algebra; the ratio common practice",
    value="the parts page's own figures: 0.20 J and 0.80 J, 141 ms, 17.0 A, 13.6 kW, 320 J, 4.17 s, 98 s; "
    "400 V takes eleven times the energy of 120 V",
)
@pytest.mark.parametrize(
    ("name", "printed"),
    [
        # Left to the contact at 95 and 90 % of 400 V on 1 mF: C*dV^2/2.
        ("parts", f"{1e-3 * 20**2 / 2:.2f} J stay"),
        ("parts", f"at 90 %, {1e-3 * 40**2 / 2:.2f} J"),
        # The resistor maker's example: 47 ohm, 1 mF, 800 V.
        (
            "parts",
            f"95 % after {47 * math.log(20):.0f} ms, {800 / 47:.1f} A, {800**2 / 47e3:.1f} kW, {800**2 / 2e3:.0f} J",
        ),
        # 2.2 kohm, 1 mF, 400 V to 60 V.
        ("parts", f"60 V after {2.2 * math.log(400 / 60):.2f} s, {400**2 / 2e3:.0f} J, {400**2 / 2200:.1f} W"),
        # 100 kohm, 470 uF, 400 V to 50 V.
        ("parts", f"takes {100e3 * 470e-6 * math.log(8):.0f} s from 400 V to 50 V"),
        ("parts", {11: "eleven"}[round((400 / 120) ** 2)] + " times"),
    ],
)
def test_worked_figures_are_right(name, printed, page):
    assert printed in page(f"{name}.md")


@pytest.mark.outside(
    subject="storage",
    source="battery reference pages, seen in public copies; the refill common practice",
    value="about 40 % charge to lie; at 10 % bring it to 30 %",
)
def test_figures_that_the_code_has_as_well_agree(page):
    source = (ROOT / "firmware" / "loopwarden" / "board" / "outputs.py").read_text(encoding="utf-8")
    zero, span = round(0.1 * 65535), round(0.8 * 65535)
    assert "_DUTY_HZ = const(1000)" in source
    assert f"_ZERO, _SPAN = const({zero}), const({span})" in source
    assert "1 kHz, 10 % means zero, 90 % all" in page("circuits.md")
    assert derived.STORE_CHARGE == 0.40
    assert "Charge to about 40 %" in page("lay_up.md")
    assert (derived.REFILL_FROM, derived.REFILL_TO) == (0.10, 0.30)
    assert "At 10 % charge bring it to 30 %" in page("lay_up.md")
    main = (ROOT / "firmware" / "main.py").read_text(encoding="utf-8")
    assert "WDT(timeout=2000)" in main
    assert "reset after about 2 s" in page("only_simulated.md")
    truck = read_build(ROOT / "host_sim" / "builds" / "orchard_truck.toml")
    assert truck.build.tick == 0.020
    assert "A tick of 40 ms or more leaves no room" in page("circuits.md")


def test_the_pages_say_that_nothing_ran_on_a_board():
    for name in ("README", "circuits", "bring_up", "only_simulated"):
        assert re.search(r"[Nn]othing (here|of it|of this project)", text_of(name)), name
