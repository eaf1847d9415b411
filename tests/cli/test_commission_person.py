"""The person at the terminal: what is typed wrong is asked again; Ctrl-C and the end of the input end the sitting."""

import io

import pytest
from rich.console import Console

from loopwarden_cli.commission_person import TerminalPerson
from loopwarden_commission.person import Stop


def at(monkeypatch, *typed):
    """A person who types these lines, and what is shown."""
    lines = iter(typed)

    def type_line(*_):
        line = next(lines, None)
        if line is None:
            raise EOFError
        if isinstance(line, BaseException):
            raise line
        return line

    monkeypatch.setattr("builtins.input", type_line)
    shown = io.StringIO()
    return TerminalPerson(Console(file=shown, width=100)), shown


def test_a_number_is_asked_for_until_it_is_one_in_its_range(monkeypatch):
    person, shown = at(monkeypatch, "many", "70", "44,9")
    assert person.number("Your meter", "V", 0, 60) == 44.9
    assert "'many' is not a number; wanted: 0 to 60 V" in shown.getvalue()
    assert "70 V: allowed 0 to 60 V" in shown.getvalue()


@pytest.mark.parametrize(("typed", "chosen"), [("1", "repeat"), ("skip", "skip"), ("st", "stop"), ("ST", "stop")])
def test_a_choice_by_number_or_by_the_beginning_of_its_name(monkeypatch, typed, chosen):
    person, _ = at(monkeypatch, "", "9", "s", typed)  # "s" means two of them
    assert person.choose("What now?", ["repeat", "skip", "stop"]) == chosen


@pytest.mark.parametrize(
    ("typed", "named"),
    [("0", set()), ("", set()), ("1,3", {"ready", "stop"}), ("high, caution", {"high voltage", "caution"})],
)
def test_several_with_commas(monkeypatch, typed, named):
    person, _ = at(monkeypatch, "1,9", typed)
    assert person.several("Which?", ["ready", "caution", "stop", "high voltage"]) == named


@pytest.mark.parametrize("end", [EOFError(), KeyboardInterrupt()])
def test_the_end_of_the_input_and_ctrl_c_at_a_prompt_stop_the_sitting(monkeypatch, end):
    for ask in ("ask", "ready"):
        person, _ = at(monkeypatch, end)
        with pytest.raises(Stop):
            getattr(person, ask)("?")


def test_text_is_shown_as_it_is(monkeypatch):
    """Names out of a build file are no markup."""
    person, shown = at(monkeypatch)
    person.tell("loop [bold]1[/bold]")
    person.do("Open [red]lid[/red].")
    person.waiting("waiting [1]")
    person.close()
    assert "loop [bold]1[/bold]" in shown.getvalue()
    assert ">> Open [red]lid[/red]." in shown.getvalue()
