"""What a coil test takes from the heap: a script for both MicroPythons.

Needs build.json. Prints one JSON object: coil, with "hold" where it was asked for, to [bytes that all ticks of the test
took together, ms it was on, ms it held].
"""

import json

from tick_meter import TickMeter

from loopwarden import signals as S
from loopwarden.build import Build
from loopwarden.coil_test import COILS, CoilTest
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor


class Loop:
    """What a coil test asks of the loop; contacts follow their coil at once, and let go with it."""

    def __init__(self, build):
        self.build, self.memory = build, RamMemory()
        self.memory.begin()
        self.supervisor = Supervisor(build, self.memory)
        self.inputs, self.outputs = S.Inputs(), S.Outputs()
        self.coil_test, self.held = None, False
        i = self.inputs
        i.known, i.bits = 0x3FFFFF, S.LOOPS | S.SERVICE
        i.pack_state = i.bus_state = i.current_state = i.supply_state = i.isolation_state = S.OK
        i.pack_mv = i.bus_mv = i.current_ma = 0
        i.supply_mv, i.isolation_ohm, i.speed_pulses = 13800, 2000000, 0
        self.beat, self.silent = -1, 0

    def tick(self):
        o = self.outputs
        i = self.inputs
        self.silent = 0 if o.heartbeat != self.beat else self.silent + 1
        self.beat = o.heartbeat
        i.bits &= ~(S.AUX_POSITIVE | S.AUX_NEGATIVE)
        if self.silent < 5:
            i.bits |= (S.AUX_POSITIVE if o.positive else 0) | (S.AUX_NEGATIVE if o.negative else 0)
        self.supervisor.step(i, o, 20)


def main():
    with open("build.json") as file:
        loop = Loop(Build(json.load(file)))
    meter = TickMeter()
    for _ in range(600):
        loop.tick()
    answer = {}
    for hold in (False, True):
        for coil in range(len(COILS)):
            test = loop.coil_test = CoilTest(loop, coil, hold)
            heap = 0
            while loop.coil_test:
                loop.tick()
                meter.start()
                test.step(20)
                meter.stop()
                heap += meter.heap_bytes
            answer[COILS[coil] + (" hold" if hold else "")] = [heap, test.on_ms, test.held_ms]
    print(json.dumps(answer))


main()
