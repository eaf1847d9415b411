"""What the fault memory costs in a tick: a guest script for the 32-bit build, which has no littlefs.

Its files lie in the guest's own folder and its journal in plain memory, so what a program itself takes is not in it.
Prints one JSON object: `quiet_heap` bytes of 500 live ticks in which nothing happens, `quiet` and `storing` counted
instructions of a tick, `stored_heap` bytes of a record, `erases` while live.
"""

import json

from bench_world import BenchWorld
from plain_flash import PlainFlash, PlainMemory
from tick_meter import TickMeter


def main():
    nor = PlainFlash()
    memory = PlainMemory(nor, "/memory")
    memory.begin()
    world = BenchWorld()
    meter = TickMeter()
    memory.mark_live(1, 1)
    for _ in range(3):
        world.tick(memory)
    world.live()
    erases = nor.erases
    quiet = quiet_heap = 0
    for _ in range(500):
        meter.start()
        memory.work(world)
        meter.stop()
        quiet = max(quiet, meter.fuel)
        quiet_heap += meter.heap_bytes
    storing = stored_heap = programs = 0
    for row in (7, 8, 51, 57):
        world.note(row)
        before = nor.programs
        meter.start()
        memory.work(world)
        meter.stop()
        programs += nor.programs - before
        storing = max(storing, meter.fuel)
        stored_heap = max(stored_heap, meter.heap_bytes)
    print(
        json.dumps(
            {
                "quiet": quiet,
                "quiet_heap": quiet_heap,
                "storing": storing,
                "stored_heap": stored_heap,
                "programs": programs,
                "erases": nor.erases - erases,
            }
        )
    )


main()
