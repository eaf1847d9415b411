"""Makes the fault memory of a board that was commissioned, on a fresh image: argv the image. For demos and scenarios.

A real one gets there at the bench: the new memory is a lock, and lifting it takes a person and the acknowledge button.
"""

import json
import sys

import rp2
import vfs
import wires


def start():
    with open(sys.argv[1]) as file:
        config = json.load(file)
    wires.connect(config, None, None).next_us = 1 << 50  # nobody listens, and no time passes
    rp2.open_image(sys.argv[2])
    vfs.umount("/")
    vfs.mount(vfs.VfsLfs2(rp2.Flash(), progsize=256), "/")
    with open("/current.txt") as file:
        sys.path[:] = ["/" + file.read()]
    from loopwarden.memory.flash import FlashMemory
    from loopwarden.policy.faults import ENDED

    memory = FlashMemory(rp2.Flash(), "/memory")
    memory.begin()
    memory.keep(76, ENDED, 0)  # commissioned
    memory.prove_positive()
    while memory.waits():
        memory._store_one()
    print("failed: " + memory.why_failed if memory.failed else "stored")


start()
