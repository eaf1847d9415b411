"""The pages by name."""

from pathlib import Path

import pytest

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"


@pytest.fixture(scope="session")
def page():
    """The text of a page, its line ends as spaces."""
    return lambda name: " ".join((NOTES / name).read_text(encoding="utf-8").split())
