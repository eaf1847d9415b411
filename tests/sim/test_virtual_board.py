"""The complete firmware on the virtual board: the same decisions as the simulation, and what the board alone can show.

S3, S5, S8, S9 and S11 are judged at coils and lamps, behind the heartbeat gate, not at pins.
"""

import os
import signal
from dataclasses import replace

import pytest
from littlefs import LittleFS

from loopwarden import signals
from loopwarden_build.load import read_build
from loopwarden_sim.board_pins import COILS
from loopwarden_sim.board_run import BoardRun
from loopwarden_sim.scenario import Action, Scenario
from loopwarden_sim.virtual_board import BLOCK, BLOCKS, HANG, RAISE, BoardError, VirtualBoard, make_image

from .board_bench import can_run, fresh_image, mismatches, on_board, scenario_of
from .scenario_files import CART, TRUCK

TICK_MS = 20
UNHANDLED, RESTARTED_WHILE_LIVE = 69, 70
# One of each kind: both builds, every sense of loop, duty and line, charge, crash, stop, reset, cold, welds.
SAME = (
    "start_drive_stop",
    "cart_drives_without_speed_and_current",
    "cart_isolation_line_goes_bad",
    "charge_to_the_end_voltage",
    "crash_at_speed",
    "emergency_stop_at_speed",
    "connector_flickers",
    "stop_pulse_of_one_millisecond",
    "board_reset_at_speed",
    "isolation_fault_at_speed_winds_down",
    "feedback_wire_broken",
    "supply_low_then_failing",
)


def live(path=TRUCK, run_s=20, *deeds):
    """A start at 4 s; live from about 6 s on."""
    press = signals.START
    assert press
    events = [(50, Action("set", "key", 1.0)), (200, Action("set", "start", 1.0)), (215, Action("set", "start", 0.0))]
    events += deeds
    events.sort(key=lambda event: event[0])
    build = read_build(path)
    return Scenario(path, "live", build, 5, run_s * 1000 // TICK_MS, False, (), tuple(events), ())


def mounted(image):
    """littlefs-python on the image that the board wrote."""
    fs = LittleFS(block_size=BLOCK, block_count=BLOCKS, prog_size=256, read_size=32, cache_size=1024, mount=False)
    fs.context.buffer[:] = image.read_bytes()
    fs.mount()
    return fs


def memory_files(image):
    return set(mounted(image).listdir("/memory"))


def coils_on(tick):
    return [name for name in COILS if tick.commands[name]]


@pytest.mark.parametrize("name", SAME)
def test_board_and_simulation_decide_the_same_tick_by_tick(name, tmp_path):
    scenario = scenario_of(name)
    assert can_run(scenario)
    assert mismatches(scenario, tmp_path / "flash.img") == (0, [])


def test_the_board_measures_what_it_is_itself(tmp_path):
    assert not can_run(scenario_of("heap_low"))


def test_live_ticks_never_erase_and_programs_are_few(tmp_path):
    """S11: one erase would stop the heartbeat for longer than the coil drive holds."""
    scenario = live(TRUCK, 40, (1500, Action("set", "key", 0.0)))
    run, outcome, _ = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"))
    assert not outcome.failure
    assert not outcome.breaches
    assert run.board.bad_erases == 0
    assert any("live" in event.text for event in outcome.events)


def test_counters_that_wrap_in_the_middle_of_a_drive_change_nothing(tmp_path):
    """The tick counter of the board ends at 2**30 us, every 18 minutes."""
    scenario = live()
    _, one, _ = on_board(scenario, fresh_image(scenario, tmp_path / "a.img"), stalls=False)
    wraps = (1 << 30) - 12_000_000
    run, other, _ = on_board(scenario, fresh_image(scenario, tmp_path / "b.img"), stalls=False, clock_us=wraps)
    assert not other.failure
    assert other.digest == one.digest
    assert run.ticks[900].phase == 3


@pytest.mark.parametrize(("command", "how"), [(RAISE, "reset"), (HANG, "watchdog")])
def test_what_ends_the_program_ends_with_coils_off_lamps_lit_and_a_code(command, how, tmp_path):
    """S11, S5: an exception, and a program that hangs, live."""
    scenario = live(TRUCK, 20, (900, Action("board", "off")), (920, Action("board", "on")))

    def befalls(run):
        run.deeds[500] = lambda: setattr(run, "command", command)

    run, outcome, text = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"), befalls)
    assert not outcome.failure, text
    assert coils_on(run.ticks[499]) == ["positive", "negative"]
    assert run.board.resets == [how]
    held = 0 if how == "reset" else 5 + 1  # ticks of the heartbeat's hold time, and the one in which it happened
    after = [tick for number, tick in run.ticks.items() if 500 + held <= number < 520]
    assert after
    assert all(not coils_on(tick) and tick.commands["lamp_hv"] for tick in after)
    after = run.ticks[640]  # the watchdog takes 2 s
    assert RESTARTED_WHILE_LIVE in after.active
    assert not {"positive", "negative", "precharge"} & set(coils_on(after))  # it discharges by now
    assert after.commands["lamp_hv"] == 1
    # S8: the code outlives a cut of the power, too; the start that follows folds it into its file.
    assert f"c{UNHANDLED:02d}" in memory_files(run.board.image)


def test_a_loop_of_resets_ends_with_nothing_decided_any_more(tmp_path):
    """S11: three in a row, then outputs off and lamps lit until the power is taken away."""
    scenario = live(CART, 30)

    def befalls(run):
        for tick in (500, 560, 620):
            run.deeds[tick] = lambda: setattr(run, "command", RAISE)

    run, outcome, _ = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"), befalls)
    assert not outcome.failure
    assert run.board.resets == ["reset"] * 3
    after = [tick for number, tick in run.ticks.items() if number > 650]
    assert after
    assert all(not coils_on(tick) and tick.commands["lamp_hv"] for tick in after)


def test_taking_the_power_ends_a_loop_of_resets(tmp_path):
    scenario = live(CART, 30, (800, Action("board", "off")), (820, Action("board", "on")))

    def befalls(run):
        for tick in (500, 560, 620):
            run.deeds[tick] = lambda: setattr(run, "command", RAISE)

    run, _, _ = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"), befalls)
    assert 600 not in run.ticks or not coils_on(run.ticks[600])
    assert RESTARTED_WHILE_LIVE in run.ticks[1400].active  # it decides again, and knows what happened
    assert f"c{UNHANDLED:02d}" in memory_files(run.board.image)


def test_power_cut_while_live_is_remembered(tmp_path):
    """S9: the mark before the first close outlives the cut."""
    scenario = live(TRUCK, 20, (500, Action("board", "off")), (520, Action("board", "on")))
    run, outcome, _ = on_board(scenario, fresh_image(scenario, tmp_path / "flash.img"))
    assert not outcome.failure
    assert RESTARTED_WHILE_LIVE in run.ticks[900].active
    assert not coils_on(run.ticks[900])


def test_the_flash_outlives_the_run(tmp_path):
    """A lock of one run refuses the start of the next."""
    image = tmp_path / "flash.img"
    scenario = live(TRUCK, 12, (400, Action("set", "crash", 1.0)))
    run, _, _ = on_board(scenario, fresh_image(scenario, image))
    assert run.ticks[580].active
    again, _, _ = on_board(live(TRUCK, 12), image)
    last = again.ticks[max(again.ticks)]
    assert last.phase != 3
    assert set(last.active) & set(run.ticks[580].active)


def test_the_host_reads_the_same_files_from_the_image(tmp_path):
    """littlefs-python mounts what the board wrote."""
    image = tmp_path / "flash.img"
    on_board(live(TRUCK, 6), fresh_image(live(), image))
    assert {"state1", "state2", "where1", "where2", "journal0"} <= memory_files(image)


def damaged(image, name, edit):
    fs = mounted(image)
    with fs.open("current.txt", "r") as file:
        name = f"{file.read()}/{name}"
    with fs.open(name, "rb") as file:
        content = file.read()
    with fs.open(name, "wb") as file:
        file.write(edit(content))
    image.write_bytes(bytes(fs.context.buffer))


@pytest.mark.parametrize(
    ("name", "edit", "words"),
    [
        ("build.bin", lambda b: b[:-5] + b"99999", "the digest does not fit"),
        ("build.bin", lambda b: b[:40], "build:"),
        ("loopwarden/kept.mpy", lambda b: b[: len(b) // 2], "kept.mpy is missing or damaged"),
        ("loopwarden/policy/fault_texts.txt", lambda b: b.replace(b"stays off", b"stays on"), "missing or damaged"),
        ("files.txt", lambda b: b[:100], "files.txt is not whole"),
    ],
)
def test_a_program_or_build_in_doubt_keeps_outputs_off_and_says_why(name, edit, words, tmp_path):
    """S11: a wrong digest, half a file; the board ends at its prompt and tells."""
    scenario = live(CART, 12)
    image = fresh_image(scenario, tmp_path / "flash.img")
    damaged(image, name, edit)
    run, outcome, text = on_board(scenario, image)
    assert not outcome.failure, text
    assert run.ticks
    assert all(not coils_on(tick) and tick.commands["lamp_hv"] for tick in run.ticks.values())
    assert "The last start failed" in text
    assert words in text


def test_a_program_that_hangs_at_its_start_ends_at_the_prompt_and_says_so(tmp_path):
    """S11: the watchdog ends it; the second time the board stays where somebody can mend it."""
    scenario = live(CART, 12)
    image = fresh_image(scenario, tmp_path / "flash.img")
    damaged(image, "loopwarden/board/start.mpy", lambda _: b"")
    fs = mounted(image)
    with fs.open("current.txt", "r") as file:
        folder = file.read()
    fs.remove(f"{folder}/loopwarden/board/start.mpy")
    with fs.open(f"{folder}/loopwarden/board/start.py", "w") as file:
        file.write("import time\nwhile True:\n    time.ticks_us()\n")
    with fs.open(f"{folder}/files.txt", "w") as file:
        file.write("end 0")
    image.write_bytes(bytes(fs.context.buffer))
    run, outcome, text = on_board(scenario, image)
    assert not outcome.failure, text
    assert run.board.resets == ["watchdog", "watchdog"]
    assert all(not coils_on(tick) and tick.commands["lamp_hv"] for tick in run.ticks.values())
    assert "The last starts ended before their first tick." in text


@pytest.mark.parametrize("content", [b"\x00" * BLOCK, b"\xff" * BLOCK, bytes(range(256)) * 16])
def test_a_flash_without_a_file_system_is_a_board_without_a_program(content, tmp_path):
    """The board's own start makes it anew, program and memory gone: off, lamps lit, and at its prompt."""
    image = tmp_path / "flash.img"
    image.write_bytes(content * BLOCKS)
    run, outcome, text = on_board(live(CART, 4), image)
    assert not outcome.failure, text
    assert run.ticks
    assert all(not coils_on(tick) and tick.commands["lamp_hv"] for tick in run.ticks.values())
    assert ">>>" in text


@pytest.mark.parametrize("main", [None, b"while True: pass", b"\x00)(", b""])
def test_the_service_switch_leads_to_the_prompt_with_outputs_off_however_broken_main_is(main, tmp_path):
    scenario = live(CART, 10)
    scenario = replace(scenario, start=(("service", 1.0),))
    image = fresh_image(scenario, tmp_path / "flash.img")
    if main is not None:
        damaged(image, "../main.py", lambda _: main)
    run, _, text = on_board(scenario, image)
    assert text.endswith(">>> ")
    assert run.ticks
    assert all(not coils_on(tick) and tick.commands["lamp_hv"] for tick in run.ticks.values())


def test_a_build_without_pins_runs_on_no_board(tmp_path):
    text = CART.read_text()
    path = tmp_path / "cart.toml"
    path.write_text(text[: text.index("[pins]")])
    with pytest.raises(BoardError, match=r"no \[pins\]"):
        make_image(tmp_path / "flash.img", read_build(path))


def test_what_the_board_measures_of_itself_cannot_be_set(tmp_path):
    scenario = replace(live(CART, 4), start=(("heap_free", 10_000.0),))
    board = VirtualBoard(scenario.build, fresh_image(scenario, tmp_path / "flash.img"))
    board.close()
    with pytest.raises(ValueError, match="heap_free: cannot be set"):
        on_board(scenario, tmp_path / "flash.img")


def test_a_board_whose_host_was_killed_ends_as_well(tmp_path):
    """It would use a processor for ever."""
    board = VirtualBoard(read_build(TRUCK), tmp_path / "flash.img")
    try:
        run = BoardRun(live(run_s=1), board)
        run.go(None, None)
        run.power_on()
        process = board._process
        assert process.poll() is None
        os.close(board._to_guest)
        os.close(board._from_guest)
        assert process.wait(timeout=30) == -signal.SIGKILL
        board._process = None
    finally:
        board.close()
