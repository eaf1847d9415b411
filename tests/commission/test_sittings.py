"""Sittings: begun, broken off, gone on with; the right board, the right record, and what the command returns."""

import json

import pytest

from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_build.pack import digest_of
from loopwarden_cli.commission import sit
from loopwarden_cli.main import main
from loopwarden_cli.result import UserError
from loopwarden_commission.board import Board
from loopwarden_commission.session import Session
from loopwarden_commission.steps import AFTER_SERVICE, FULL
from loopwarden_link.client import Link
from loopwarden_link.errors import Lost
from loopwarden_link.ports import SerialPort

from .virtual_bench import CART, PACE, TRUCK, Scripted, virtual


class Cable:
    """Opens the port; once pulled, everything over it is lost."""

    def __init__(self):
        self.pulled = False

    def open(self, name, write_s):
        cable = self

        class Port(SerialPort):
            def read(self):
                if cable.pulled:
                    raise Lost(f"{name}: the port went away; was it unplugged?")
                return super().read()

        if self.pulled:
            raise Lost(f"{name}: the port went away; was it unplugged?")
        return Port(name, write_s)


def session(path, folder, form=AFTER_SERVICE):
    return Session(read_build(path), form, folder, by="A. Tester", pace=PACE)


def sat(bench, port, folder, *, form=AFTER_SERVICE, begin="", cable=None, only=None, **script):
    """One sitting: (its result, the person)."""
    path = CART if bench.scenario.build.build.name == "bench cart" else TRUCK
    one = session(path, folder, form)
    if only:
        one.steps = [step for step in one.steps if step.key in only]
    person = Scripted(bench, one.build, port, **script)
    link = Link(port, open_port=(cable or Cable()).open)
    with link:
        return sit(one, Board(link), person, begin), person


def record_of(folder):
    return json.loads((folder / "record.json").read_text())


def results(folder):
    return {step["key"]: step["result"] for step in record_of(folder)["steps"]}


@pytest.mark.parametrize("path", [TRUCK, CART], ids=["truck", "cart"])
def test_the_short_form_after_service_is_complete(path, tmp_path):
    folder = tmp_path / "record"
    with virtual(path, tmp_path / "flash.img") as (bench, port, _):
        result, _ = sat(bench, port, folder)
    assert result.exit_code == 0, result.text
    assert "COMPLETE. Print the record and sign it." in result.text
    record = record_of(folder)
    assert (record["verdict"], record["form"], record["missing"]) == ("COMPLETE", "after service", [])
    done = set(results(folder))
    loops = {f"loop_{n + 1}" for n in range(len(read_build(path).loop))}
    assert {"isolation", "emergency_stop", "discharge", "lamps", *loops} <= done  # what a service may have touched
    assert "first_start" not in done
    assert record["build"]["digest"] == digest_of(to_device(read_build(path)))
    assert {step["by"] for step in record["steps"]} == {"A. Tester"}
    assert record["sittings"][0]["by"] == "A. Tester"
    assert len(record["board"]["birth"]) == 16
    page = (folder / "record.html").read_text()
    assert "COMPLETE: all" in page
    assert "not a certificate" in page


def test_a_pulled_cable_loses_nothing_and_the_record_is_gone_on_with(tmp_path):
    folder = tmp_path / "record"
    only = ["low_voltage", "identity", "loop_1", "emergency_stop", "service"]
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        cable = Cable()

        class Pulls(Scripted):
            def do(self, text):
                if text.startswith("Release the emergency stop"):
                    cable.pulled = True
                super().do(text)

        one = session(CART, folder)
        one.steps = [step for step in one.steps if step.key in only]
        with Link(port, open_port=cable.open) as link:
            result = sit(one, Board(link), Pulls(bench, one.build, port))
        assert result.exit_code == 1
        first = result.text.splitlines()[0]
        assert "the port went away" in first
        assert f"go on with --record {folder}" in first
        assert set(results(folder)) == {"low_voltage", "identity", "service", "loop_1"}
        bench.passes(1_000)
        result, person = sat(bench, port, folder, only=only)
        assert result.exit_code == 0, result.text
    assert not [text for text in person.said if text.startswith("Open loop")]  # what had passed is not asked for again
    assert len(record_of(folder)["sittings"]) == 2


def test_a_skipped_step_makes_it_not_complete_until_it_is_done(tmp_path):
    folder = tmp_path / "record"
    only = ["low_voltage", "emergency_stop", "service"]
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        answers = [("What now", "skip"), ("Why is it left", "its key is lost")]
        patience = pytest.MonkeyPatch()
        patience.setattr("commission.virtual_bench.PACE.patience_s", 2.0)
        result, _ = sat(bench, port, folder, only=only, instead=[("^Press the emergency", [])], answers=answers)
        patience.undo()
        assert result.exit_code == 1
        assert "NOT COMPLETE" in result.text
        assert results(folder)["emergency_stop"] == "skipped"
        assert "its key is lost" in (folder / "record.html").read_text()
        result, _ = sat(bench, port, folder, only=only, begin="emergency_stop")
        assert result.exit_code == 0, result.text
        with pytest.raises(UserError, match="is complete; name another folder"):
            sat(bench, port, folder, only=only)


def test_wrong_boards_and_records_are_refused_in_one_line_before_anything_is_asked(tmp_path):
    folder = tmp_path / "record"
    with virtual(CART, tmp_path / "flash.img") as (bench, port, _):
        sat(bench, port, folder, only=["low_voltage", "service"], form=AFTER_SERVICE)
        kept = (folder / "record.json").read_text()
        data = json.loads(kept)

        def refused(words, changed=None, **how):
            data_ = {**data, **(changed or {})}
            data_["planned"] = [*data_["planned"], {"key": "isolation", "title": "isolation"}]
            (folder / "record.json").write_text(json.dumps(data_))
            with pytest.raises(UserError) as error:
                sat(bench, port, folder, **how)
            [line] = error.value.lines
            assert words in line
            assert "\n" not in line

        refused("is of another board", {"board": {"birth": "0" * 16}})
        refused("is of another build", {"build": {"name": "other", "digest": "0" * 64}})
        refused("is of the form", form=FULL)
        refused("no commissioning record", {"kind": "shopping list"})
        refused("schema 9", {"schema": 9})
        refused("no such step; there are cautions, low_voltage", begin="warp")
        (folder / "record.json").write_text("{")
        with pytest.raises(UserError, match="is damaged; keep it aside"):
            sat(bench, port, folder)
    build = read_build(TRUCK)
    with virtual(CART, tmp_path / "other.img") as (bench, port, _), Link(port) as link:
        one = Session(build, FULL, tmp_path / "none", by="A. Tester")
        with pytest.raises(UserError, match=r"is not this build file.*loopwarden install"):
            sit(one, Board(link), Scripted(bench, build, port))
    assert not (tmp_path / "none").exists()


def test_a_live_board_is_left_alone(tmp_path):
    start = (("soaked_degc", 20.0), ("key", 1.0))
    with virtual(CART, tmp_path / "flash.img", start) as (bench, port, _):
        bench.passes(4_000)
        bench.does("start on")
        bench.does("start off", 10)
        bench.passes(5_000)
        with pytest.raises(UserError, match="the board is live: key off"):
            sat(bench, port, tmp_path / "record")
    assert not (tmp_path / "record").exists()


def test_the_command_needs_a_build_and_a_port_that_there_is(tmp_path, capsys):
    assert main(["commission", str(tmp_path / "none.toml"), "--port", "/dev/none"]) == 2
    assert "none.toml" in capsys.readouterr().err
    assert main(["commission", str(CART), "--port", str(tmp_path / "none"), "--record", str(tmp_path / "r")]) == 2
    assert "no such port" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()
