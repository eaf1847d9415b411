"""Every lamp, limit, refusal and shutdown answers "why" with reading, threshold and first check (S13)."""

import math
import re
from pathlib import Path

import micropython
import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.decoders import parse_dtc
from policy.rig import Rig, device_build
from policy.stories import told

from loopwarden import signals as S
from loopwarden import words
from loopwarden.policy import fault_table as T
from loopwarden.policy import limits, phases, start_checks
from loopwarden.words import why
from micropython_runs.runners import run_cpython, run_unix, run_wasm

TEXTS = Path(words.__file__).parent / "policy" / "fault_texts.txt"
NAMES = [row[T.NAME] for row in T.TABLE]
SHIPPED = ("orchard_truck", "bench_cart")
KINDS = {"means", "reads", "check", "see", "ramp", "basis"}


def entries():
    """The texts, read in another way than words.py does: key -> list of (kind, text)."""
    found = {}
    for line in TEXTS.read_text(encoding="ascii").splitlines():
        if not line.startswith("#"):
            key, kind, text = line.split(" ", 2)
            found.setdefault(int(key), []).append((kind, text))
    return found


def sound(answer):
    """An answer that holds what S13 asks: no gap left open, and a first check."""
    assert "{" not in answer, answer
    assert "None" not in answer, answer
    assert answer[0].isupper(), answer
    assert answer.count("First check: ") == 1, answer
    return answer


def test_three_interpreters_answer_alike():
    """64-bit and 32-bit MicroPython read the same file and give the same words as CPython."""
    tests = Path(__file__).parent
    script = (tests / "guest" / "ask.py").read_text(encoding="utf-8")
    firmware = Path(words.__file__).parents[1]
    path = [firmware, tests / "policy" / "guest"]
    for story in ("emergency", "cart, blind"):
        build, ticks, _ = told(story)
        files = {"build.json": build, "ticks.bin": ticks}
        here = run_cpython(script, path=[*path, Path(micropython.__file__).parent], files=files)
        assert here.count("First check: ") > 100
        assert run_unix(script, path=path, files=files) == here
        assert run_wasm(script, path=path, files=files).stdout == here


# The texts


def test_every_row_has_its_texts():
    """Means, reads and at least one check for each row of the table, and no text for a row that is not there."""
    found = entries()
    for row in T.TABLE:
        kinds = [kind for kind, _ in found[row[T.ID]]]
        assert kinds.count("means") == 1, row[T.NAME]
        assert kinds.count("reads") == 1, row[T.NAME]
        assert kinds.count("check") >= 1, row[T.NAME]
        means, checks = words.fault_text(row[T.ID])
        assert means.endswith("."), row[T.NAME]
        assert all(check.endswith((".", "?")) for check in checks), row[T.NAME]
    assert {key for key in found if key < 200} == {row[T.ID] for row in T.TABLE}


def test_every_refusal_limiter_and_stage_has_its_texts():
    found = set(entries())
    own_words = {start_checks.BY_FAULT}  # takes the words of the fault
    assert found & set(range(200, 222)) == {200 + n for n in set(range(start_checks.COUNT)) - own_words}
    own_words = {limits.PHASE, limits.FAULT, limits.WIND}  # take the words of the phase or the fault
    assert found & set(range(222, 240)) == {220 + n for n in set(range(limits.LIMITERS)) - own_words}
    own_words = {phases.READY}  # answers as "start" does
    assert found & set(range(240, 260)) == {240 + n for n in set(range(phases.PROVE_DEAD + 1)) - own_words}


def test_the_file_is_what_the_reader_needs():
    """Plain ASCII, keys that rise, known kinds, lines that a small board can hold."""
    head, _, body = TEXTS.read_bytes().decode("ascii").partition("\n1 ")
    assert all(line.startswith("#") for line in head.splitlines())
    lines = ("1 " + body).splitlines()
    assert max(map(len, lines)) <= 300
    keys = [int(line.split(" ")[0]) for line in lines if not line.startswith("#")]
    assert keys == sorted(keys)
    assert {line.split(" ")[1] for line in lines if not line.startswith("#")} == KINDS


def test_the_reader_finds_every_key_and_no_other():
    """Against the file read from front to back."""
    found = entries()
    for key in range(max(found) + 3):
        assert words.text_lines(key) == found.get(key, []), key


def test_a_check_behind_a_cover_names_the_caution():
    """A step that goes to contactor, resistor or capacitor says that it is proven dead first, or that it is live."""
    for key, lines in entries().items():
        for kind, text in lines:
            if kind == "check" and re.search(
                r"measure (across|the (precharge|discharge) resistor|the three windings)", text
            ):
                assert re.search(r"[Pp]rove it dead|proven dead", text), f"{key}: {text}"


def test_the_reader_refuses_a_row_that_is_not_there():
    for row_id in (0, len(T.TABLE) + 1):
        with pytest.raises(ValueError, match=str(row_id)):
            words.fault_text(row_id)


# Codes

# SAE J2012 two-byte packing; the five pairs are common examples of it.
PACKED = {0x0A0D: "P0A0D", 0x0562: "P0562", 0x062F: "P062F", 0xC111: "U0111", 0x4300: "C0300"}


@pytest.mark.outside(
    subject="trouble codes",
    source="SAE J2012 two-byte packing, from memory",
    value="P0A0D 0x0A0D, P0562 0x0562, P062F 0x062F, U0111 0xC111, C0300 0x4300",
)
@pytest.mark.parametrize("code", PACKED)
def test_known_codes(code):
    assert words.code_text(code, 0x13) == PACKED[code] + "-13"


@pytest.mark.outside(
    subject="trouble codes",
    source="computed apart, python-OBD's decoder",
    value="all 65,535 codes",
)
def test_codes_as_python_obd_reads_them():
    """All 65,535 codes against python-OBD's decoder, which writes hexadecimal digits in lower case."""
    for code in range(1, 0x10000):
        read, _ = parse_dtc((code >> 8, code & 0xFF))
        assert words.code_text(code, 0) == read.upper() + "-00"


@pytest.mark.outside(
    subject="trouble codes",
    source="computed apart, python-OBD's decoder",
    value="two zero bytes are no code",
)
def test_no_code_is_said_so():
    """python-OBD gives None for two zero bytes: no code."""
    assert parse_dtc((0, 0)) is None
    assert words.code_text(0, 0) == "none"


# Figures


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        (words.volts(412_300), "412.3 V"),
        (words.volts(412_349), "412.3 V"),
        (words.volts(412_350), "412.4 V"),
        (words.volts(57_004), "57.00 V"),
        (words.volts(-1_995), "-2.00 V"),
        (words.volts(0), "0.00 V"),
        (words.ohms(380), "380 ohm"),
        (words.ohms(156_200), "156.2 kohm"),
        (words.ohms(4_160_000), "4.2 Mohm"),
        (words.span(420), "420 ms"),
        (words.span(3_200), "3.2 s"),
        (words.span(125_999), "125 s"),
        (words.span(12 * 60_000), "12 min"),
        (words.span(185 * 60_000), "3 h 5 min"),
        (words.percent(800), "80 %"),
        (words.percent(125), "12.5 %"),
        (words.quantity("break_ma", 50_040), "50.0 A"),
        (words.quantity("pack_cold_dc", -5), "-0.5 degC"),
        (words.quantity("precharge_cool_s", 120), "120 s"),
        (words.quantity("budget_mj", 400_000), "400.0 J"),
        (words.quantity("inspect_after", 10), "10"),
    ],
)
def test_figures_as_people_write_them(shown, said):
    assert shown == said


@pytest.mark.outside(
    subject="discharge",
    source="algebra",
    value="t = tau*ln(value/goal), told no shorter than that",
)
@given(value=st.integers(1, 2**29), part=st.floats(1e-6, 1.0), tau_ms=st.integers(1_000, 3_600_000))
def test_a_wait_is_never_told_too_short(value, part, tau_ms):
    """Against t = tau * ln(value / goal), the textbook's exponential; and not longer than an eighth over it."""
    goal = max(int(value * part), 2_000)
    told_ms = words.fall_ms(value, goal, tau_ms)
    exact_ms = tau_ms * math.log(value / goal) if value > goal else 0
    assert told_ms >= exact_ms
    assert told_ms <= exact_ms * 1.125 + tau_ms / 16 + 20


def test_a_wait_without_an_end_is_said_so():
    assert words.fall_ms(1000, 0, 1000) is None


# Places


def test_places_name_loops_zones_and_sides():
    row = {row[T.NAME]: row[T.ID] for row in T.TABLE}
    assert words.places(row["LOOP_OPEN"], 0b101) == "loop 1, loop 3"
    assert words.places(row["PACK_HOT"], 0b10) == "zone 2"
    assert words.places(row["OVER_VOLTAGE"], 0b10) == "bus"
    assert words.places(row["OVER_CURRENT"], 0b01) == "driving"
    assert words.places(row["CRASH"], 1) == ""


def test_every_row_with_more_than_one_place_can_name_them():
    """Where the monitors give a row several places, `places` must have a word for each."""
    for name in SHIPPED:
        faults = Rig(device_build(name)).sup.faults
        for i, row in enumerate(faults.row):
            mask = faults.place[i]
            if mask > 1 and words.fault_name(row) != "isolation fault":  # its second slot is the same reading
                assert words.places(row, mask), words.fault_name(row)


# Subjects


def test_no_tick_yet():
    rig = Rig()
    for subject in (*words.SUBJECTS, "CRASH"):
        assert "nothing is known" in why(rig.sup, subject)


def test_an_unknown_subject_is_refused_with_the_list():
    rig = Rig().wake()
    with pytest.raises(ValueError, match=r"no subject tea; there are phase, start, .* and every fault's name"):
        why(rig.sup, "tea")


@pytest.mark.parametrize("build", SHIPPED)
@pytest.mark.parametrize("name", NAMES)
def test_every_fault_answers_active_or_not(build, name):
    rig = Rig(device_build(build)).wake()
    row = next(row for row in T.TABLE if row[T.NAME] == name)
    assert " is not active" in sound(why(rig.sup, name))
    rig.run(1_000)
    rig.sup.faults.trip(row[T.ID], 1_234)
    rig.run(60)
    if not rig.sup.faults.places[row[T.ID]]:  # a condition that heals at once, as the world is well
        rig.sup.faults.trip(row[T.ID], 1_234)
    answer = sound(why(rig.sup, name.replace("_", " ").lower()))
    assert answer == why(rig.sup, name)
    assert re.search(r", active for (0|20|40|60) ms: ", answer), answer
    if row[T.CODE]:
        assert f"({words.code_text(row[T.CODE], row[T.FTB])})" in answer
    assert "First check: " + words.fault_text(row[T.ID])[1][0] in answer


@pytest.mark.parametrize("build", SHIPPED)
def test_every_subject_answers_at_every_stage(build):
    """Over a whole drive, refusal and emergency included, every stage of every phase comes by and answers."""
    rig = Rig(device_build(build))
    seen = set()

    def ask(r):
        if (r.sup.phases.stage, r.sup.phases.refused) not in seen:
            seen.add((r.sup.phases.stage, r.sup.phases.refused))
            for subject in words.SUBJECTS:
                answer = why(r.sup, subject)
                assert "{" not in answer, answer
                assert "None" not in answer, answer
                if not re.search(r"(nothing limits it|asks for it)\.$", answer):
                    sound(answer)

    rig.recorder = ask
    rig.go_live()
    if rig.build.speed_fitted:
        rig.speed_mm_s = 5_000
    rig.run(3_000)
    rig.speed_mm_s = 0
    rig.key = 0
    rig.until(lambda r: r.phase == "off", 120_000)
    rig.turn_key()
    rig.press_start()
    rig.run(300)
    rig.stop = 1
    rig.until(lambda r: r.phase in ("off", "locked out", "checking"), 200_000)
    stages = {stage for stage, _ in seen}
    without = {phases.PROOF_ENDS} if rig.build.discharge_kind == 2 else set()
    assert stages >= set(range(phases.PROVE_DEAD + 1)) - without


# Readings that are not there


def test_a_missing_reading_is_said_to_be_missing():
    """S10: where a reading is not valid, the answer says so and shows no number in its place."""
    rig = Rig().go_live()
    rig.held = {
        "pack_mv": None,
        "pack_state": S.OPEN,
        "bus_mv": None,
        "bus_state": S.STALE,
        "isolation_ohm": None,
        "isolation_state": S.DEVICE,
        "supply_mv": None,
        "supply_state": S.STALE,
        "current_ma": None,
        "current_state": S.SHORT,
        "speed_mm_s": None,
        "speed_state": S.STALE,
        "speed_pulses": None,
        "zone_dc": [None] * 10,
        "zone_state": [S.SHORT] * 10,
        "reference_mv": None,
        "reference_state": S.STALE,
    }
    rig.run(600)
    for name, words_of_it in {
        "PACK_VOLTAGE_BAD": "pack voltage no valid reading, plausible from",
        "BUS_VOLTAGE_BAD": "bus voltage no valid reading, plausible up to",
        "CURRENT_BAD": "current no valid reading; it must be readable",
        "SUPPLY_FAILING": "supply no valid reading, failing below 8.00 V",
        "ISOLATION_FAULT": "isolation no valid reading (reports its own fault), limit 500 ohm/V",
        "SPEED_LOST": "speed no valid reading (silent); lost after 500 ms",
        "PACK_OVER_TEMPERATURE": "hottest pack zone no valid reading, limit 55.0 degC",
        "PACK_SENSOR_SHORT": "zone 1 no valid reading (shorted)",
        "PACK_SPREAD": "no valid reading apart",
        "INVERTER_HOT": "inverter no valid reading, ",
        "SELF_TEST_FAILED": "known voltage no valid reading, must be",
        "BUS_FALLING": "bus no valid reading, dead below 57.00 V; it falls as fast as ",
        # What a start needs comes from the build, (420 V)^2 / 95 ohm * 150 ms = 278.5 J, and is known all the same;
        # so is an emergency discharge's 97.02 J + (420 V)^2 / 950 ohm * 188.3 ms = 132.0 J.
        "PRECHARGE_RESISTOR_HOT": " J of 600.0 J allowed, a start needs 278.5 J: it fits now",
        "DISCHARGE_RESISTOR_HOT": " J of 400.0 J allowed, an emergency discharge needs 132.0 J: it fits now",
    }.items():
        assert words_of_it in why(rig.sup, name), name
    assert "no valid reading" in why(rig.sup, "hv lamp")
    assert "no valid reading (reports its own fault)" in why(rig.sup, "isolation")


def test_an_input_that_cannot_be_read_is_said_so():
    rig = Rig().wake()
    rig.unreadable = S.STOP | S.PLUG
    rig.run(100)
    assert "stop input cannot be read" in why(rig.sup, "EMERGENCY_STOP")
    assert "charge plug: cannot be read" in why(rig.sup, "PLUG_WHILE_DRIVING")


def test_what_is_not_fitted_is_not_called_missing():
    """The cart has no current sensor, no speed, no feedback, no inverter zone and no plug."""
    rig = Rig(device_build("bench_cart")).wake()
    for name, said in {
        "OVER_CURRENT": "current not fitted",
        "SPEED_LOST": "speed not fitted",
        "FEEDBACK_DISAGREES": "no feedback contacts",
        "INVERTER_HOT": "inverter not fitted",
        "PLUG_WHILE_DRIVING": "charge plug: not fitted",
        "CRASH": "crash input not fitted",
        "SELF_TEST_FAILED": "known voltage not fitted",
    }.items():
        assert said in why(rig.sup, name), name


# Start


def refused(rig):
    """Press start and ask."""
    rig.press_start()
    return sound(why(rig.sup, "start"))


def test_a_start_with_an_open_loop():
    rig = Rig()
    rig.loops = 0b101
    rig.wake().turn_key()
    answer = refused(rig)
    assert re.match(r"Start refused 2\d0 ms ago by loop open \(P0A0A-13\) on loop 2, active for \d", answer), answer
    assert "loop 2 reads open; every watched loop must read closed, an opening counts after 60 ms." in answer


def test_a_start_that_nothing_stands_against():
    rig = Rig().wake().turn_key()
    assert why(rig.sup, "start").startswith("No start is asked for: nothing stands against a start, bus 0.00 V, pack ")


def test_a_refusal_that_has_passed_says_so():
    rig = Rig().wake().turn_key()
    rig.held = {"supply_mv": 9_000}
    rig.run(100)
    answer = refused(rig)
    assert "supply 9.00 V, a start needs 9.50 V to 15.50 V" in answer
    rig.held = {}
    rig.run(5_000)
    answer = why(rig.sup, "start")
    assert re.match(r"Start refused 5\.\d s ago: supply 12.50 V, a start needs ", answer), answer
    assert "this has passed, nothing stands against a start" in answer


@pytest.mark.parametrize(
    ("held", "said"),
    [
        ({"supply_mv": 15_600}, "supply 15.60 V, a start needs 9.50 V to 15.50 V"),
        ({"current_ma": 7_000}, "current 7.0 A"),
        ({"pack_mv": 295_000}, "pack voltage 295.0 V, a start needs more than 295.0 V and less than 425.0 V"),
        ({"speed_pulses": 1, "speed_mm_s": 2_000, "speed_state": S.OK}, "speed 7.2 km/h, no pulse for 0 ms"),
        ({"isolation_ohm": 200_000}, "isolation 476 ohm/V (200.0 kohm, both poles in parallel), limit 500 ohm/V"),
        ({"isolation_ohm": None, "isolation_state": S.STALE}, "isolation no valid reading (silent); silence for 3.0 s"),
        ({"zone_state": [S.OPEN] * 10, "zone_dc": [None] * 10}, "zone 1 no valid reading (open wire or rail)"),
        ({"bus_mv": 80_000}, "bus 80.00 V, dead below 57.00 V; it falls as fast as this build's slowest path allows"),
    ],
)
def test_a_refusal_names_reading_and_threshold(held, said):
    """Held for one start press only, so that no fault is confirmed yet and the start check itself refuses."""
    rig = Rig().wake().turn_key()
    rig.held = held
    rig.run(100)  # slow subjects have had their turn
    rig.start = 1
    rig.run(40)
    assert rig.sup.phases.refused not in (start_checks.FINE, start_checks.BY_FAULT), rig.story()
    answer = sound(why(rig.sup, "start"))
    assert said in answer


def test_a_charge_that_is_full_or_cold():
    rig = Rig(pack_v=416).wake()
    rig.plug = 1
    rig.turn_key()
    assert "pack 416.0 V, a charge ends at 415.0 V" in refused(rig)
    rig = Rig()
    rig.zones_dc = [-20] * len(rig.zones_dc)
    rig.wake()
    rig.plug = 1
    rig.turn_key()
    assert "coldest pack zone -2.0 degC, no charging below 0.0 degC" in refused(rig)


@pytest.mark.parametrize("number", sorted(set(range(start_checks.COUNT)) - {start_checks.BY_FAULT}))
def test_every_refusal_answers(number):
    """Whatever the reason of the last refusal was, "start" gives it with its figures."""
    for build in SHIPPED:
        rig = Rig(device_build(build)).wake().turn_key()
        rig.sup.phases.refused = number
        answer = sound(why(rig.sup, "start"))
        if number not in (start_checks.FINE, start_checks.LAMP_TEST):
            assert " ago" in answer


def test_a_hot_resistor_says_how_long_and_keeps_its_word():
    """S12: the time that is told is enough for the start to pass, and half of it is not."""
    build = device_build()
    rig = Rig().wake().turn_key()
    rig.sup.resistors.precharge_mj = build.precharge_budget_mj
    answer = refused(rig)
    told = re.search(
        r"resistor heat [\d.]+ J of [\d.]+ J allowed, a start needs [\d.]+ J: at most (\d+) s more", answer
    )
    assert told, answer
    assert answer.startswith("Start waits, asked for ")
    rig.run(int(told[1]) * 500)
    assert rig.sup.checks.refusal(0) == start_checks.PRECHARGE_HOT
    rig.run(int(told[1]) * 500 + 1_000)
    assert rig.sup.checks.refusal(0) == start_checks.FINE


def test_a_falling_bus_says_how_long_and_keeps_its_word():
    """The bleed path alone: from 80 V to the dead level in the time that is told."""
    rig = Rig()
    rig.plant.bus_v = 80.0
    rig.wake().turn_key()
    told = re.search(r"allows, at most (\d+) s more", refused(rig))
    assert told
    assert rig.plant.bus_v > 57.0
    rig.run(int(told[1]) * 1000)
    assert rig.plant.bus_v < 57.0


def test_a_start_during_discharge_says_how_long():
    rig = Rig().drive().stand()
    rig.key = 0
    rig.until(lambda r: r.phase == "discharging", 5_000)
    told = re.search(r"proven dead, at most (\d+) s more", why(rig.sup, "start"))
    assert told
    took = rig.until(lambda r: r.phase == "off", 60_000)
    assert took <= int(told[1]) * 1000 + 1000


# Limits


@pytest.mark.parametrize("number", range(limits.LIMITERS + 1))
def test_every_limiter_answers(number):
    for build in SHIPPED:
        rig = Rig(device_build(build)).go_live()
        if number == limits.FAULT:
            rig.sup.faults.trip(38)
            rig.run(40)
        for side in ("drive", "charge"):
            setattr(rig.sup.limits, side + "_goal", (1000 if number == limits.LIMITERS else 0) << 4 | number % 16)
            answer = why(rig.sup, side + " limit")
            if number == limits.LIMITERS:
                assert answer.endswith("nothing limits it.")
            elif number != limits.PHASE:  # live: the phase limits only in a charge
                sound(answer)


def warm(rig, dc):
    """Bring every pack zone there at 0.5 K/s: faster would be a fault of its own."""
    while rig.zones_dc[0] != dc:
        step = 5 if dc > rig.zones_dc[0] else -5
        rig.zones_dc = [rig.zones_dc[0] + step] * len(rig.zones_dc)
        rig.run(1_000)
    return rig


def drive_limit(rig):
    return sound(why(rig.sup, "drive limit"))


def test_a_limit_names_what_holds_it():
    """Real causes, one after another; the thresholds are the truck's build file's."""
    rig = Rig().go_live()
    assert "Drive limit 20 %, set by isolation not settled" in (rig.run(1_000), drive_limit(rig))[1]
    assert "the first settled reading is due after 10 s" in drive_limit(rig)
    rig.run(20_000)
    assert why(rig.sup, "drive limit") == "Drive limit 100 %: nothing limits it."
    warm(rig, 535).run(4_000)
    answer = drive_limit(rig)
    assert answer.startswith("Drive limit 60 %, set by the hot pack for ")
    assert "hottest pack zone 53.5 degC, the limits come down from 52.0 degC to 20 % at 55.0 degC" in answer
    warm(rig, 250).run(10_000)
    rig.isolation_ohm = 700 * rig.build.working_v
    rig.run(8_000)
    answer = drive_limit(rig)
    assert answer.startswith("Drive limit 80 %, set by isolation warning (P1A07-00), active for ")
    assert "isolation 700 ohm/V (294.0 kohm, both poles in parallel), warning below 1000 ohm/V (420.0 kohm)" in answer
    rig.isolation_ohm = 4_000_000
    rig.run(60_000)
    rig.plant.pack_v = 302.0
    rig.run(3_000)
    answer = drive_limit(rig)
    assert "set by pack voltage for" in answer
    assert "pack 302.0 V; the drive limit falls from 315.0 V to nothing at 295.0 V" in answer


def test_a_limit_while_winding_down_names_the_fault():
    rig = Rig().drive()
    rig.isolation_ohm = 300 * rig.build.working_v
    rig.run(12_000)
    answer = drive_limit(rig)
    assert "winding down: limits come down" in answer
    assert "because of isolation fault (P0AA6-00), active for " in answer


def test_a_limit_that_rises_says_to_where():
    rig = Rig().go_live()
    rig.until(lambda r: r.out.drive_limit_permille > 300, 12_000)
    granted = rig.out.drive_limit_permille
    assert granted < 1000
    assert f"Drive limit {words.percent(granted)}, rising to 100 % by no more than " in why(rig.sup, "drive limit")


# Lamps, phases, the rest


def test_the_lamps_name_who_lights_them():
    rig = Rig().go_live().run(12_000)
    assert why(rig.sup, "caution lamp") == "Caution lamp dark: no active fault asks for it."
    assert sound(why(rig.sup, "ready lamp")).startswith("Ready lamp lit, live: ")
    answer = sound(why(rig.sup, "hv lamp"))
    assert "lit: positive commanded closed, negative commanded closed; bus 365.0 V, dead below 57.00 V" in answer
    rig.held = {"supply_mv": 15_800}
    while rig.zones_dc[1] < 380:
        rig.zones_dc[1] += 5
        rig.run(1_000)
    rig.run(12_000)
    answer = sound(why(rig.sup, "caution lamp"))
    assert "Caution lamp lit by 2 faults (supply high, pack spread), hardest supply high (P0563-00), active " in answer
    answer = sound(why(rig.sup, "pack spread"))
    assert "hottest zone 38.0 degC, coldest 25.0 degC: 13.0 K apart, limit 12.0 K" in answer
    rig.stop = 1
    rig.run(100)
    answer = sound(why(rig.sup, "stop lamp"))
    assert (
        "Stop lamp lit by 2 faults (emergency stop, supply high), hardest emergency stop (P1A3D-00), active" in answer
    )


def test_the_lamp_test_is_named():
    rig = Rig().wake()
    rig.key = 1
    rig.run(500)
    for lamp in ("caution lamp", "stop lamp", "ready lamp"):
        assert sound(why(rig.sup, lamp)).startswith("Lit by the lamp test for ")


def test_a_shutdown_names_its_cause():
    """S3 by the stop button, and a key-off: the phase answers with what ended the drive."""
    rig = Rig().drive()
    rig.stop = 1
    rig.run(100)
    answer = sound(why(rig.sup, "phase"))
    assert answer.startswith("Discharging: bus ")
    assert re.search(r"because of emergency stop \(P1A3D-00\), active for \d+ ms: stop input active", answer), answer
    rig = Rig().go_live()
    rig.key = 0
    rig.run(200)
    assert "the key is off" in sound(why(rig.sup, "phase"))


def test_a_lock_is_named_after_a_restart():
    """The value measured before the restart is still told, from the stored record."""
    rig = Rig().drive().stand()
    rig.plant.positive.welded = True
    rig.key = 0
    rig.until(lambda r: "POSITIVE_WELDED" in r.faults, 30_000)
    rig.until(lambda r: r.phase == "locked out", 120_000)
    measured = re.search(r"bus at ([\d.]+ V) with", why(rig.sup, "POSITIVE_WELDED"))[1]
    again = Rig(rig.build, rig.memory).wake()
    answer = sound(why(again.sup, "phase"))
    assert answer.startswith("Locked out: positive welded (P0AA1-00), active since power-up: ")
    assert f"bus at {measured} with the positive main commanded open" in answer
    assert "a lock: cleared at the vehicle with the bus proven dead" in answer


def test_a_latched_fault_tells_what_was_read_when_it_came():
    rig = Rig().go_live().run(12_000)
    rig.isolation_ohm = 300 * rig.build.working_v
    rig.until(lambda r: "ISOLATION_FAULT" in r.faults, 8_000)
    rig.isolation_ohm = 4_000_000
    rig.run(30_000)
    answer = why(rig.sup, "isolation fault")
    assert "when it came, isolation 300 ohm/V" in answer
    assert "gone now, it ends at the next key-on" in answer


def test_cooling_says_what_is_asked_and_from_when():
    rig = Rig()
    rig.zones_dc[0] = 400
    rig.go_live()
    answer = sound(why(rig.sup, "cooling"))
    assert f"fan {words.percent(rig.out.fan_permille)}" in answer
    assert "hottest pack zone 40.0 degC" in answer
    assert "it starts at 30.0 degC, is full at 50.0 degC" in answer
    assert "this build has none" in sound(why(Rig(device_build("bench_cart")).wake().sup, "cooling"))
