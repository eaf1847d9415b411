"""The dispatcher: one place prints, and the exit code says what kind of answer it was."""

import subprocess
import sys
from types import SimpleNamespace

import pytest

from loopwarden_cli import main as dispatcher
from loopwarden_cli.result import Result, UserError


@pytest.fixture
def answer(monkeypatch):
    """Install one subcommand, `look FILE`, that does what the test tells it to."""

    def install(run):
        def add_parser(subparsers):
            subparsers.add_parser("look").add_argument("file")

        monkeypatch.setattr(dispatcher, "COMMANDS", {"look": SimpleNamespace(add_parser=add_parser, run=run)})

    return install


@pytest.mark.parametrize("exit_code", [0, 1])
def test_a_result_goes_to_standard_output_with_its_exit_code(answer, capsys, exit_code):
    answer(lambda args: Result(f"saw {args.file}", exit_code))
    assert dispatcher.main(["look", "cart.toml"]) == exit_code
    assert capsys.readouterr() == ("saw cart.toml\n", "")


def test_a_result_without_text_prints_nothing(answer, capsys):
    answer(lambda args: Result(""))
    assert dispatcher.main(["look", "cart.toml"]) == 0
    assert capsys.readouterr() == ("", "")


def test_what_the_user_has_to_fix_goes_to_standard_error_line_by_line(answer, capsys):
    def run(args):
        raise UserError("cart.toml: bus.r: -1 ohm", "cart.toml: bus.c: missing")

    answer(run)
    assert dispatcher.main(["look", "cart.toml"]) == 2
    assert capsys.readouterr() == ("", "cart.toml: bus.r: -1 ohm\ncart.toml: bus.c: missing\n")


@pytest.mark.parametrize("argv", [[], ["look"], ["no-such-command"], ["look", "cart.toml", "--no-such-option"]])
def test_wrong_use_is_2_and_names_what_is_wrong(answer, capsys, argv):
    answer(lambda args: Result("not reached"))
    with pytest.raises(SystemExit) as left:
        dispatcher.main(argv)
    assert left.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "loopwarden" in err.splitlines()[-1]
    assert "error:" in err.splitlines()[-1]


def test_every_shipped_subcommand_takes_its_own_name(capsys):
    """A name in COMMANDS that its module does not register would be a command nobody can call."""
    with pytest.raises(SystemExit) as left:
        dispatcher.main(["--help"])
    assert left.value.code == 0
    usage = capsys.readouterr().out
    for name in dispatcher.COMMANDS:
        assert f"\n    {name} " in usage or f"\n    {name}\n" in usage


def test_a_reader_that_has_seen_enough_is_no_error():
    """As in `loopwarden schema | head`."""
    with subprocess.Popen(
        [sys.executable, "-m", "loopwarden_cli.main", "schema"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout.read(1) == b"{"
        process.stdout.close()
        assert (process.wait(timeout=60), process.stderr.read()) == (0, b"")
