"""Every function of the tick runs on the C stack: 11 words or less, the rare branch included."""

from pathlib import Path

import pytest

import loopwarden.policy

from .tick_frames import too_large

FOLDER = Path(loopwarden.policy.__file__).parent
SOURCES = sorted(FOLDER.rglob("*.py"))


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.name)
def test_no_function_of_the_tick_takes_its_frame_from_the_heap(source):
    assert too_large(source) == {}


def test_a_frame_that_is_too_large_is_seen(tmp_path):
    """And excused only by its docstring, for itself and what stands inside it."""
    names = ", ".join(f"a{i}" for i in range(14))
    body = f"    {names} = range(14)\n    return [x for x in ({names})]\n"
    source = tmp_path / "wide.py"
    source.write_text(f"def tick():\n{body}\ndef start():\n    '''Adds. Start-up only.'''\n{body}")
    assert set(too_large(source)) >= {"tick"}
    assert not [name for name in too_large(source) if name.startswith("start")]
