"""The report of the timed drive: its seconds, from the first tick that is run to the page, and its bytes."""

import time
from typing import Any

from drive import START_MS, TRACE_MS, Drive

from loopwarden_report.page import drive_page
from loopwarden_report.recorder import Recorder


def reported() -> tuple[float, int]:
    """Drive the published trace, take it down and draw it: seconds of all that, bytes of the page."""
    drive = Drive()
    recorder = Recorder(drive.file, "the published speed trace", "simulation")
    step = drive.supervisor.step
    ticks = 0

    def recorded_step(inputs: Any, outputs: Any, dt_ms: int) -> None:
        nonlocal ticks
        step(inputs, outputs, dt_ms)
        ticks += 1
        recorder.tick(ticks * dt_ms, inputs, outputs, drive.supervisor)

    began_s = time.perf_counter()
    drive.supervisor.step = recorded_step
    drive.start()
    drive.run(TRACE_MS)
    drive.expect_live()
    page = drive_page(recorder.history())
    took_s = time.perf_counter() - began_s
    if ticks * drive.tick_ms != START_MS + TRACE_MS:
        raise RuntimeError(f"{ticks} ticks were taken down")
    return took_s, len(page.encode())
