"""What each tick of a recording costs: a script for both MicroPythons (fuel only under the 32-bit build).

Needs build.json, ticks.bin and from.txt (the first tick that counts towards the mean). Prints one JSON object: `ticks`,
`mean`, `most` and `most_at` (tick number) of the fuel, `heap` (bytes of all ticks together, the first one left out: it
binds inputs and outputs) and `heap_at`, [tick number, bytes, stage] of the first ticks that took any.
"""

import json

from replay import Replay
from tick_meter import TickMeter

from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor
from loopwarden.signals import Outputs

SHOWN = 8


class QuietMemory(RamMemory):
    """The policy is measured, not the memory in RAM: a list of locks grows on the heap, this one does not."""

    def __init__(self):
        super().__init__()
        self.locked = [0] * 16
        self.locks = 0

    def lock(self, row):
        self.locked[self.locks & 15] = row
        self.locks += 1

    def unlock(self, row):
        for i in range(16):
            if self.locked[i] == row:
                self.locked[i] = 0


def main():
    with open("build.json") as file:
        build = Build(json.loads(file.read()))
    with open("ticks.bin", "rb") as file:
        replay = Replay(file.read())
    with open("from.txt") as file:
        first = int(file.read())
    memory = QuietMemory()
    locked, memory.locked = memory.locked, []
    sup = Supervisor(build, memory)
    memory.locked = locked
    outputs = Outputs()
    meter = TickMeter()
    inputs = replay.inputs
    n = total = counted = heap = most = most_at = 0
    heap_at = []
    while True:
        dt = replay.next()
        if not dt:
            break
        meter.start()
        sup.step(inputs, outputs, dt)
        meter.stop()
        if n and meter.heap_bytes:
            heap += meter.heap_bytes
            if len(heap_at) < SHOWN:
                heap_at.append((n, meter.heap_bytes, sup.phases.stage))
        if n >= first:
            counted += 1
            total += meter.fuel
            if meter.fuel > most:
                most = meter.fuel
                most_at = n
        memory.work(sup)
        n += 1
    mean = total // max(counted, 1)
    print(json.dumps({"ticks": n, "mean": mean, "most": most, "most_at": most_at, "heap": heap, "heap_at": heap_at}))


main()
