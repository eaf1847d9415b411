"""`loopwarden review`: a page or JSON of a build that passes, the errors of one that does not."""

import json
from pathlib import Path

import pytest

from loopwarden_cli.main import main

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"


@pytest.mark.parametrize("name", ["orchard_truck", "bench_cart"])
def test_the_page_and_the_json_are_of_the_same_build(capsys, name):
    path = str(BUILDS / f"{name}.toml")
    assert main(["review", path]) == 0
    text = capsys.readouterr().out
    assert main(["review", path, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert text.startswith(f"Review of {facts['name']}\n")
    assert facts["digest"][:16] in text
    assert set(facts) >= {"voltage", "isolation", "precharge", "discharge", "ratings", "not_watched", "lay_up", "card"}


def test_a_build_that_breaks_a_rule_is_not_reviewed(capsys, tmp_path):
    path = tmp_path / "b.toml"
    path.write_text((BUILDS / "bench_cart.toml").read_text().replace('"150 V"', '"100 V"', 1))
    assert main(["review", str(path)]) == 1
    assert capsys.readouterr().out.splitlines() == [
        f'{path}:69: contactor.rated_voltage = "100 V": must be 116 V or more, the highest working voltage'
    ]


def test_a_file_that_is_wrong_is_2(capsys, tmp_path):
    path = tmp_path / "b.toml"
    path.write_text("[")
    assert main(["review", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"{path}:1: is not TOML: ")
