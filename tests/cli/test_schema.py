"""`loopwarden schema`: printed or written, and good for the shipped builds."""

import json
import tomllib
from pathlib import Path

import jsonschema

from loopwarden_cli.main import main

BUILDS = Path(__file__).resolve().parents[2] / "host_sim" / "builds"


def test_what_is_printed_is_what_is_written(capsys, tmp_path):
    target = tmp_path / "build.schema.json"
    assert main(["schema"]) == 0
    printed = capsys.readouterr().out
    assert main(["schema", "-o", str(target)]) == 0
    assert target.read_text() == printed
    assert capsys.readouterr().out == f"{target}: JSON schema of the build file\n"


def test_an_editor_would_find_nothing_in_the_shipped_builds(capsys):
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    for path in BUILDS.glob("*.toml"):
        jsonschema.validate(tomllib.loads(path.read_text()), schema, cls=jsonschema.Draft202012Validator)


def test_a_place_that_cannot_be_written_is_2(capsys, tmp_path):
    assert main(["schema", "-o", str(tmp_path)]) == 2
    assert capsys.readouterr().err == f"{tmp_path}: cannot be written: Is a directory\n"
