"""What each method of the policy costs in counted instructions, inner calls included: a script for the 32-bit build.

Needs build.json, ticks.bin and from.txt (the first tick that counts). One replay per method, so that no measurement
sits inside another; a line `calls-per-1000-ticks mean-per-tick greatest name` for each.
"""

import json
from time import ticks_diff, ticks_us

from replay import Replay

from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor
from loopwarden.signals import Outputs

OWNERS = (
    "switches",
    "electrics",
    "motion",
    "thermal",
    "isolation",
    "health",
    "cooling",
    "resistors",
    "phases",
    "limits",
    "lamps",
    "faults",
    "checks",
)


class Part:
    """Stands in for a bound method and counts what it takes."""

    def __init__(self, method):
        self.method = method
        self.calls = 0
        self.total = 0
        self.most = 0

    def __call__(self, *args):
        before = ticks_us()
        result = self.method(*args)
        fuel = ticks_diff(ticks_us(), before)
        self.calls += 1
        self.total += fuel
        self.most = max(self.most, fuel)
        return result


def run(build, data, first, owner, name):
    replay = Replay(data)
    memory = RamMemory()
    sup = Supervisor(build, memory)
    outputs = Outputs()
    n = 0
    part = None
    while True:
        dt = replay.next()
        if not dt:
            break
        if n == first:
            target = sup if owner is None else getattr(sup, owner)
            part = Part(getattr(target, name))
            setattr(target, name, part)
        sup.step(replay.inputs, outputs, dt)
        memory.work(sup)
        n += 1
    if part.calls:
        n -= first
        print(part.calls * 1000 // n, part.total // n, part.most, (owner or "supervisor") + "." + name)


def main():
    with open("build.json") as file:
        build = Build(json.loads(file.read()))
    with open("ticks.bin", "rb") as file:
        data = file.read()
    with open("from.txt") as file:
        first = int(file.read())
    sup = Supervisor(build, RamMemory())
    names = [(None, "step"), (None, "_slow")]
    for owner in OWNERS:
        for name in dir(getattr(sup, owner)):
            if not name.startswith("__") and callable(getattr(getattr(sup, owner), name)):
                names.append((owner, name))
    for owner, name in names:
        run(build, data, first, owner, name)


main()
