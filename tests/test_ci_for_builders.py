"""The job file for builders in the README: it is YAML, and each command that it runs exists and knows its options."""

import argparse
import re
import shlex
from pathlib import Path

import pytest
import yaml

from loopwarden_cli.main import COMMANDS

README = Path(__file__).resolve().parents[1] / "README.md"
JOB = yaml.safe_load(re.search(r"```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)[1])
STEPS = JOB["jobs"]["prove"]["steps"]
LINES = [step["run"] for step in STEPS if "run" in step]


def test_it_installs_then_checks_simulates_and_proves():
    assert [line.split()[:2] for line in LINES] == [
        ["pip", "install"],
        ["loopwarden", "check"],
        ["loopwarden", "simulate"],
        ["loopwarden", "prove"],
    ]
    assert f"${next(iter(JOB['env']))}" in LINES[0]


@pytest.mark.parametrize("line", LINES[1:])
def test_each_command_knows_its_options(line):
    parser = argparse.ArgumentParser(exit_on_error=False)
    subparsers = parser.add_subparsers(dest="command")
    _, name, *_ = words = shlex.split(line)
    COMMANDS[name].add_parser(subparsers)
    assert parser.parse_args(words[1:]).command == name


def test_what_it_keeps_is_what_the_commands_write():
    (kept,) = [step["with"]["path"].split() for step in STEPS if step.get("if") == "always()"]
    written = re.findall(r"(?:--junit|--html|-o) (\S+)", " ".join(LINES))
    assert sorted(written) == ["found", "proof.html", "prove.xml", "simulate.xml"]
    assert kept == ["*.xml", "proof.html", "found"]
