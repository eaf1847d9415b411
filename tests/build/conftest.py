"""The shipped builds, and a way to break them one key at a time."""

from pathlib import Path

import pytest

from loopwarden_build.load import BuildError, parse_build

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"


def edited(text: str, *edits: tuple[str, str]) -> str:
    """Replace each first text by its second; a text that is not there would make a test that cannot fail."""
    for old, new in edits:
        assert old in text, f"not in the build file: {old}"
        text = text.replace(old, new, 1)
    return text


@pytest.fixture(params=["orchard_truck", "bench_cart"])
def shipped_text(request):
    return (BUILDS / f"{request.param}.toml").read_text()


@pytest.fixture
def parse():
    """Parse a shipped build after some edits; edited it loses its pin plan, which would have to be edited as well."""

    def run(name, *edits):
        text = (BUILDS / f"{name}.toml").read_text()
        if edits and not any("[pins]" in old for old, _ in edits):
            text = text[: text.index("[pins]")]
        return parse_build(edited(text, *edits), "build.toml")

    return run


@pytest.fixture
def refusal(parse):
    """The exit code and the lines by which an edited build is refused."""

    def run(name, *edits):
        with pytest.raises(BuildError) as refused:
            parse(name, *edits)
        return refused.value.exit_code, refused.value.lines

    return run
