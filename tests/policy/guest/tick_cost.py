"""What each tick of a recording costs: a script for both MicroPythons (fuel only under the 32-bit build).

Needs build.json, ticks.bin and window.txt (the first tick that counts, and the first that no longer does). Prints one
JSON object: `ticks` of the recording, `mean` fuel of the window's ticks, `most` fuel of any tick and `most_at` (number
of that tick), `heap` (bytes of all ticks together, but for the first after each power-up: it binds inputs and outputs)
and `heap_at`, [tick number, bytes, stage] of the first ticks that took any.
"""

import json

from replay import Session, files
from tick_meter import TickMeter

from loopwarden.memory.ram import RamMemory

SHOWN = 8


class QuietMemory(RamMemory):
    """The policy is measured, not the memory in RAM: its list of locks grows on the heap, this one's does not."""

    def __init__(self):
        super().__init__()
        self.kept = bytearray(256)
        self.locked = []

    def begin(self):
        super().begin()
        self.locked = [row for row in range(256) if self.kept[row]]

    def lock(self, row):
        self.kept[row] = 1

    def unlock(self, row):
        self.kept[row] = 0


def main():
    build, data = files()
    with open("window.txt") as file:
        first, last = [int(word) for word in file.read().split()]
    session = Session(build, data, QuietMemory())
    meter = TickMeter()
    inputs = session.inputs
    total = counted = heap = most = most_at = 0
    heap_at = []
    bound = None
    while session.next():
        sup = session.sup
        outputs = session.outputs
        dt_ms = session.dt_ms
        n = session.ticks
        meter.start()
        sup.step(inputs, outputs, dt_ms)
        meter.stop()
        if sup is bound and meter.heap_bytes:
            heap += meter.heap_bytes
            if len(heap_at) < SHOWN:
                heap_at.append((n, meter.heap_bytes, sup.phases.stage))
        if first <= n < last:
            counted += 1
            total += meter.fuel
        if sup is bound and meter.fuel > most:
            most = meter.fuel
            most_at = n
        bound = sup
        session.end()
    mean = total // max(counted, 1)
    print(
        json.dumps(
            {"ticks": session.ticks, "mean": mean, "most": most, "most_at": most_at, "heap": heap, "heap_at": heap_at}
        )
    )


main()
