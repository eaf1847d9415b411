"""The compiled program is kept for the next time, and what is kept is never trusted unseen."""

import json
import shutil

import pytest

from loopwarden_install import made_before
from loopwarden_install.made_before import keep, key_of, load

FILES = {"boot.py": b"pass\n", "loopwarden/kept.mpy": bytes(range(256))}


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))


def test_what_is_kept_comes_back():
    assert load("k") is None
    keep("k", FILES)
    assert load("k") == FILES
    assert load("other") is None


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[: len(text) // 2],
        lambda text: text.replace("boot.py", "main.py"),
        lambda text: json.dumps({**json.loads(text), "digest": "0" * 64}),
        lambda text: json.dumps({"files": {}}),
        lambda text: "[]",
        lambda text: "",
    ],
)
def test_what_is_damaged_is_made_anew(spoil):
    keep("k", FILES)
    path = made_before.folder() / "program-k.json"
    path.write_text(spoil(path.read_text()))
    assert load("k") is None


def test_a_byte_of_a_source_makes_another_key(tmp_path):
    source = tmp_path / "a.py"
    source.write_text("X = 1\n")
    before = key_of([source])
    assert key_of([source]) == before
    source.write_text("X = 2\n")
    assert key_of([source]) != before


def test_a_folder_that_cannot_be_written_costs_nothing(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    keep("k", FILES)
    assert load("k") is None


def test_only_the_newest_are_kept():
    for n in range(12):
        keep(str(n), FILES)
    assert len(list(made_before.folder().glob("*"))) == 8
    assert load("11") == FILES
    shutil.rmtree(made_before.folder())
