"""The committed pictures are those that the code draws, can be read in print, and are shown."""

import functools
import re
import subprocess
import sys
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import pytest

from loopwarden_circuits import pictures
from loopwarden_circuits.pictures import FOLDER, PICTURES

ROOT = Path(__file__).resolve().parents[2]
NOTES = ROOT / "hardware_notes"
draw = functools.cache(pictures.draw)
SVG = "{http://www.w3.org/2000/svg}"


def texts(root):
    """Boxes of all lines of text: left, top, right, bottom, the text. A letter is taken as 0.55 of its size wide."""
    found = []
    for text in root.iter(f"{SVG}text"):
        size, y = float(text.get("font-size")), float(text.get("y"))
        for span in text.iter(f"{SVG}tspan"):
            y += float(span.get("dy"))
            words = "".join(span.itertext())
            wide = 0.55 * size * len(words)
            left = float(span.get("x")) - {"start": 0, "middle": wide / 2, "end": wide}[text.get("text-anchor")]
            found.append((left, y - 0.72 * size, left + wide, y + 0.2 * size, words))
    return found


@pytest.mark.parametrize("name", PICTURES)
def test_the_picture_in_the_checkout_is_the_one_that_the_code_draws(name):
    """After a change: python -m loopwarden_circuits."""
    assert (FOLDER / f"{name}.svg").read_bytes() == draw(name).encode()


def test_the_command_draws_them_all_and_the_same_in_a_process_of_its_own(tmp_path):
    """Run against a copy of the layout, so that the checkout stays untouched; another process has another hash seed."""
    for part in ("tools/loopwarden_circuits", "host_sim/builds"):
        (tmp_path / part).mkdir(parents=True)
        for file in (ROOT / part).glob("*.*"):
            if file.is_file():
                (tmp_path / part / file.name).write_bytes(file.read_bytes())
    (tmp_path / "hardware_notes").mkdir()
    subprocess.run([sys.executable, "-m", "loopwarden_circuits"], cwd=tmp_path / "tools", check=True)
    drawn = {file.name: file.read_bytes() for file in (tmp_path / "hardware_notes" / "circuits").iterdir()}
    assert drawn == {file.name: file.read_bytes() for file in FOLDER.iterdir()}


def test_no_file_lies_among_the_pictures_that_nobody_draws():
    assert sorted(file.name for file in FOLDER.iterdir()) == sorted(f"{name}.svg" for name in PICTURES)


@pytest.mark.parametrize("name", PICTURES)
def test_it_is_black_on_white_without_a_date(name):
    svg = draw(name)
    root = ElementTree.fromstring(svg)
    colours = set(re.findall(r"(?:stroke|fill|background-color):(\w+)", svg))
    colours |= {element.get("fill") for element in root.iter() if element.get("fill")}
    assert colours <= {"black", "white", "none"}
    first = root.find(f"{SVG}rect")
    box = root.get("viewBox").split()
    assert [first.get(key) for key in ("x", "y", "width", "height", "fill")] == [*box, "white"], "white under all"
    assert root.find(f"{SVG}title").text == PICTURES[name][0]
    assert not re.search(r"\b20\d\d-\d\d", svg)


@pytest.mark.parametrize("name", PICTURES)
def test_no_text_is_cut_off_or_lies_on_another(name):
    root = ElementTree.fromstring(draw(name))
    left, top, width, height = map(float, root.get("viewBox").split())
    boxes = texts(root)
    assert len(boxes) > 10
    for x0, y0, x1, y1, words in boxes:
        assert left <= x0, words
        assert x1 <= left + width, words
        assert top <= y0, words
        assert y1 <= top + height, words
    for a, b in combinations(boxes, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, f"{a[4]!r} lies on {b[4]!r}"


@pytest.mark.outside(
    subject="units and parts",
    source="ISO 3098, from memory",
    value="lettering of a drawing 1.8 mm high or more",
)
def test_they_are_no_wider_than_a_page_can_print():
    """900 px on 180 mm leave letters of 9 px 1.8 mm high, the least that drawings are lettered with (ISO 3098: 1.8)."""
    for name in PICTURES:
        assert float(ElementTree.fromstring(draw(name)).get("viewBox").split()[2]) <= 900, name


def test_every_picture_is_shown_under_its_title_and_every_shown_one_is_there():
    shown = {}
    for page in NOTES.glob("*.md"):
        for title, path in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
            shown[path] = title
    assert shown == {f"circuits/{name}.svg": title for name, (title, _) in PICTURES.items()}
