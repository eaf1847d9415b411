"""Replays a recording and asks "why" at every change of stage and now and then: a script for all three Pythons.

Needs build.json and ticks.bin; prints every answer.
"""

import json

from replay import Replay

from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy import fault_table as T
from loopwarden.policy.supervisor import Supervisor
from loopwarden.signals import Outputs
from loopwarden.words import SUBJECTS, why


def main():
    with open("build.json") as file:
        build = Build(json.loads(file.read()))
    with open("ticks.bin", "rb") as file:
        replay = Replay(file.read())
    memory = RamMemory()
    sup = Supervisor(build, memory)
    outputs = Outputs()
    n = 0
    stage = -1
    while True:
        dt = replay.next()
        if not dt:
            break
        sup.step(replay.inputs, outputs, dt)
        memory.work(sup)
        n += 1
        if sup.phases.stage != stage or n % 499 == 0:
            stage = sup.phases.stage
            for subject in SUBJECTS:
                print(n, subject, why(sup, subject))
    for row in T.TABLE:
        print(why(sup, row[T.NAME]))
    try:
        why(sup, "tea")
    except ValueError as refused:
        print(refused)


main()
