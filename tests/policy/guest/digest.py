"""Replays a recording and prints a digest over every output of every tick: a script for all three Pythons.

Needs build.json and ticks.bin. Prints the digest, the number of ticks, and what was active and stored at the end.
"""

import binascii
import hashlib
import json

from replay import Digest, Replay

from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy.supervisor import Supervisor
from loopwarden.signals import Outputs


def main():
    with open("build.json") as file:
        build = Build(json.loads(file.read()))
    with open("ticks.bin", "rb") as file:
        replay = Replay(file.read())
    memory = RamMemory()
    sup = Supervisor(build, memory)
    outputs = Outputs()
    digest = Digest(hashlib.sha256())
    n = 0
    while True:
        dt = replay.next()
        if not dt:
            break
        sup.step(replay.inputs, outputs, dt)
        digest.add(sup, outputs)
        memory.work(sup)
        n += 1
    print(binascii.hexlify(digest.sha.digest()).decode(), n)
    print(sup.faults.active_ids())
    for record in memory.codes():
        print(
            record["row"],
            record["count"],
            record["places"],
            [record["latest"][name] for name in sorted(record["latest"])],
        )


main()
