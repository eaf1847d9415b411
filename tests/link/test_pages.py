"""The pages as they are printed, with a real supervisor's numbers; and the objects that carry the same facts."""

import numpy as np
import pytest
from policy.rig import ID_OF, Rig, device_build

from loopwarden import signals as S
from loopwarden.link.tables import COMMANDS
from loopwarden.memory.codes import FRAME
from loopwarden.policy import fault_table as T
from loopwarden.texts import PATH, fault_text
from loopwarden.words import SUBJECTS, why

from .desk import Desk, lived

STATUS = """\
phase         live for 23 s
bus           360.8 V, pack 362.0 V, current 60.0 A
isolation     714 ohm/V (300.0 kohm, both poles in parallel)
temperatures  pack 25.0 degC to 25.0 degC, inverter 25.0 degC, motor 25.0 degC
speed         36.0 km/h
limits        drive 80 %, charge 100 %
contactors    positive, negative on
lamps         ready lit, caution lit, stop dark, high voltage lit
faults        1 active, hardest: isolation warning
memory        sound, power cycle 1, marked live
program       0.1.0, up for 27 s, 128 KB free, late by 0 ms
Bus measured 360.8 V: take it as LIVE. Touch nothing.
"""
FAULTS = """\
code      name                       count  state
P1A07-00  isolation warning              1  active, present, stored
P1A4C-00  memory new                     1  past, stored
faults CODE tells more of one; why NAME says what it reads now.
"""
LIMITS = """\
limit         granted   goal      set by
drive         80 %      80 %      isolation warning
charge        100 %     100 %     nothing
"""
STARTS = """\
cycle  precharge  discharge  isolation        pack    inverter      motor  codes
    1     480 ms          -  300.0 kohm    25.0 degC  25.0 degC  25.0 degC     2
"""
TOUCH = ("status", "inputs", "storage", "faults isolation warning")


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    return lived(tmp_path_factory.mktemp("memory"))


@pytest.fixture(scope="module")
def off():
    """Off and proven dead after a drive."""
    rig = Rig().drive().stand()
    rig.key = 0
    rig.until(lambda r: r.phase == "off" and not r.memory.mark, 200_000)
    return Desk(rig.run(12_000))


def every_page(desk):
    for name, _ in COMMANDS:
        if name not in (b"service", b"clear", b"acknowledge", b"time", b"record"):
            yield name.decode()
    yield from ("clear", "acknowledge", "acknowledge crash", "clear all", "time", "nonsense", "why", "why tea")
    yield from ("why " + subject for subject in SUBJECTS)
    yield from ("faults " + row[T.NAME] for row in T.TABLE)


@pytest.mark.parametrize(
    ("command", "page"), [("status", STATUS), ("faults", FAULTS), ("limits", LIMITS), ("starts", STARTS)]
)
def test_a_page_as_it_is_printed(live, command, page):
    assert live.type(command) == page


def test_no_line_is_longer_than_eighty_columns(live, off):
    for desk in (live, off):
        for command in every_page(desk):
            for line in desk.type(command).splitlines():
                assert len(line) <= 80, (command, line)
                assert line == line.rstrip(), (command, line)


def test_every_page_has_objects_with_the_same_facts(live, off):
    """That is: with a program's request every page is an answer that ends, or the same error."""
    for desk in (live, off):
        for command in every_page(desk):
            answer = desk.ask(command)
            page = desk.type(command)
            if answer[-1]["kind"] == "error" and command != "why tea":  # a program gets every subject named
                assert page == answer[-1]["error"] + "\n", command


def test_a_page_that_might_invite_to_touch_says_what_the_bus_measures(live, off):
    for command in TOUCH:
        assert "Bus measured 360.8 V: take it as LIVE. Touch nothing.\n" in live.type(command), command
        page = off.type(command)
        assert "No permission to touch: prove it dead with a tested meter." in page, command
    off.rig.held = {"bus_mv": None, "bus_state": 1}
    off.rig.run(100)
    for command in TOUCH:
        assert "Bus measured no valid reading: take it as LIVE. Touch nothing." in off.type(command), command
    off.rig.held = {}
    off.rig.run(12_000)


def test_one_code_in_full(live):
    page = live.type("faults P1A07")
    assert page.startswith("isolation warning, code P1A07-00\nactive now\n")
    assert "\nbus             360.8 V                   360.8 V\n" in page
    assert "\ncontactors      positive, negative on     positive, negative on\n" in page
    means, checks = fault_text(7)
    together = " ".join(page.split())
    for text in (means, *checks):
        assert text in together
    answer = live.ask("faults P1A07")
    assert [shown["kind"] for shown in answer] == ["fault", "frame", "frame", *["text"] * (1 + len(checks)), "end"]
    assert [shown["which"] for shown in answer[1:3]] == ["first", "latest"]
    assert tuple(answer[1])[2:] == ("wall_s", *FRAME)
    assert answer[1]["bus_mv"] == 360_799
    assert answer[3]["means"] == means
    assert [shown["check"] for shown in answer[4:-1]] == checks


def test_the_strip_of_a_hard_reaction(tmp_path):
    desk = lived(tmp_path)
    desk.rig.isolation_ohm = 100_000
    desk.rig.until(lambda r: "ISOLATION_FAULT" in r.faults, 10_000)
    desk.rig.run(200)
    page = desk.type("faults isolation fault")
    assert "before      bus     pack   current     speed   limit  phase" in page
    assert "\n  0 ms  360." in page
    strip = [shown for shown in desk.ask("faults isolation fault") if shown["kind"] == "strip"]
    assert [shown["before_ms"] for shown in strip] == list(range(5_500, -1, -500))
    assert strip[-1]["isolation_kohm"] == 100
    assert strip[0]["phase"] == 3


def test_a_new_memory_says_that_no_codes_prove_nothing(tmp_path):
    desk = Desk(folder=tmp_path)
    desk.rig.run(100)
    assert "having no codes proves nothing" in desk.type("faults")
    desk.rig.memory.new = False
    desk.rig.memory.damaged = True
    assert "there may have been more" in desk.type("faults")


def test_no_codes_is_said_so(off):
    assert off.type("faults") == "No codes, and no fault is active.\nPower cycle 1 of this memory.\n"
    assert off.ask("faults") == [{"kind": "end", "lines": 0}]


def test_status_for_programs(live):
    shown = {}
    for part in live.ask("status")[:-1]:
        assert part.pop("kind") == "status"
        assert not shown.keys() & part.keys()
        shown |= part
    assert shown["birth"] == "{:08x}{:08x}".format(*live.rig.memory.birth)
    del shown["birth"], shown["clock_ms"]
    assert shown == {
        "phase": "live",
        "cycle": 1,
        "bus_mv": 360_799,
        "pack_mv": 362_000,
        "current_ma": 60_008,
        "isolation_ohm": 300_000,
        "isolation_ohm_per_v": 714,
        "hottest_dc": 250,
        "coldest_dc": 250,
        "speed_mm_s": 10_000,
        "drive_limit_permille": 800,
        "charge_limit_permille": 1_000,
        "positive": 1,
        "negative": 1,
        "precharge": 0,
        "discharge": 0,
        "lamp_ready": 1,
        "lamp_caution": 1,
        "lamp_stop": 0,
        "lamp_hv": 1,
        "key": 1,
        "heap_free": 131_072,
        "late_ms": 0,
        "worst": 7,
        "mark": "live",
        "proven": 0,
        "restarts": 0,
        "working_v": 420,
        "dead_mv": 57_000,
        "active": [7],
    }


def test_a_reading_that_is_not_valid_is_null_and_said_to_be_missing(off):
    off.rig.held = {"isolation_ohm": 5, "isolation_state": 5, "zone_dc": [None] * 10, "zone_state": [2] * 10}
    off.rig.run(1_000)
    channels = {shown["name"]: shown for shown in off.ask("inputs") if shown["kind"] == "input"}
    assert channels["isolation"] == {
        "kind": "input",
        "name": "isolation",
        "value": None,
        "state": "reports its own fault",
    }
    assert channels["zone 1"]["value"] is None
    assert channels["zone 1"]["state"] == "shorted"
    page = off.type("inputs")
    assert "isolation             no valid reading, reports its own fault\n" in page
    assert "pack zone 1           no valid reading (shorted)\n" in page
    assert off.ask("status")[0]["isolation_ohm"] is None
    off.rig.held = {}
    off.rig.run(60_000)


def test_every_row_at_once_still_fits(live, monkeypatch):
    """The longest lines there can be: 480 bytes hold (looked at in desk.objects)."""
    rig = Rig().wake()
    for row in T.TABLE:
        rig.sup.faults.places[row[T.ID]] = 0x3FF
    rig.sup.faults.actives = len(T.TABLE)
    desk = Desk(rig)
    answer = desk.ask("status")
    assert answer[-2]["active"] == list(ID_OF.values())
    assert len(desk.ask("faults")) == len(T.TABLE) + 1
    assert len(desk.type("faults").splitlines()) == len(T.TABLE) + 2
    line = live.rig.memory.log.line
    kept = line[8:]
    for k, word in enumerate((0xFFFFFFE, 0xFFFFFFF, 0x3FFFFFF)):
        line[8 + k] = word
    assert len(live.ask("starts")[0]["rows"]) == len(T.TABLE)
    line[8:] = kept


@pytest.mark.parametrize("subject", [*SUBJECTS, "crash", "isolation warning"])
def test_why_is_the_same_on_every_way(live, subject):
    said = why(live.rig.sup, subject)
    assert " ".join(live.type("why " + subject).split()) == said
    pieces = live.ask("why " + subject)[:-1]
    assert "".join(piece["text"] for piece in pieces) == said
    assert all(piece["subject"] == subject and len(piece["text"]) <= 300 for piece in pieces)


def test_storage_says_what_stands_against_it(live, off):
    assert "lay it up     not yet: only while nothing is started" in live.type("storage")
    page = off.type("storage")
    assert page.startswith("lay it up     yes, as far as this board can tell\n")
    assert "charge        about " in page
    assert "30 days at the latest" in page or "at the latest in 30 days" in page
    answer = off.ask("storage")[0]
    assert (answer["ready"], answer["look_again_days"]) == (1, 30)
    off.rig.isolation_ohm = 1_000
    off.rig.run(300)
    assert "not yet: isolation is not known to be good" in off.type("storage")
    off.rig.isolation_ohm = 4_000_000
    off.rig.run(1_000)


def test_what_the_cart_has_not_is_not_fitted():
    desk = Desk(Rig(device_build("bench_cart")).wake())
    page = desk.type("inputs")
    assert "speed                 not fitted\n" in page
    assert "charge plug" not in page
    assert {"kind": "input", "name": "current", "value": None, "state": "not fitted"} in desk.ask("inputs")


def test_the_texts_break_no_object():
    with open(PATH, encoding="ascii") as file:
        body = [line for line in file if not line.startswith("#")]
    assert not any(sign in line for line in body for sign in '"\\')


def test_foreign_texts_break_no_object(off):
    off.loop.build.name = 'Anna\'s "truck" \\ Ä\n'
    assert off.ask("build")[0]["name"] == "Anna's ?truck? ? ???"
    assert "Anna's ?truck? ? ???" in off.type("build")


def test_a_speed_line_without_pulses_is_told_without_a_number():
    """S10: standing still and a cut wire look the same."""
    rig = Rig().go_live()
    assert rig.inputs.speed_state == S.QUIET
    assert "speed         no valid reading (no pulses)\n" in Desk(rig).type("status")


@pytest.mark.parametrize(
    ("volts", "percent"), [(250, 0), (300, 0), (360, 35), (363, 40), (400, 80), (420, 100), (430, 100)]
)
def test_charge_is_read_from_the_builds_own_table_at_rest(volts, percent):
    """Reference: numpy's interpolation over the shipped table; its ends hold beyond them."""
    build = device_build()
    rig = Rig(build).wake()
    rig.held = {"pack_mv": volts * 1000}
    rig.run(2_000)
    rig.sup.electrics.rest_mv = volts * 1000
    answer = Desk(rig).ask("storage")[0]
    table = np.interp(volts * 1000, build.charge_mv, build.charge_permille)
    assert answer["charge_permille"] == pytest.approx(table, abs=1) == pytest.approx(percent * 10, abs=1)


def test_a_pack_to_be_topped_up_is_told_so_and_one_never_seen_at_rest_has_no_charge():
    rig = Rig().wake()
    rig.run(1_000)
    rig.sup.electrics.rest_mv = 330_000
    assert "topped up from 10 % down: NOW" in Desk(rig).type("storage")
    rig.sup.electrics.rest_mv = 0
    assert Desk(rig).ask("storage")[0]["charge_permille"] is None
    assert "charge        not known; stored best at 40 %, topped up from 10 % down\n" in Desk(rig).type("storage")
