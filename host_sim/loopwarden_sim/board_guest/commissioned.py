"""Makes the fault memory of a board that was commissioned, on a fresh image: argv the image. For demos and scenarios.

A real one gets there at the bench: the new memory is a lock, and lifting it takes a person and the acknowledge button.
"""

import json
import sys

import machine  # noqa: F401  (the firmware imports it once its folder is out of reach)
import rp2
import vfs
import wires

with open(sys.argv[1]) as _file:
    wires.connect(json.load(_file), None, None).next_us = 1 << 50  # nobody listens, and no time passes
rp2.open_image(sys.argv[2])
vfs.umount("/")
vfs.mount(vfs.VfsLfs2(rp2.Flash(), progsize=256), "/")
with open("/current.txt") as _file:
    sys.path[:] = ["/" + _file.read()]
from loopwarden.memory.flash import FlashMemory  # noqa: E402
from loopwarden.policy.faults import ENDED  # noqa: E402


class Commissioned(FlashMemory):
    """Stores at once what a board stores tick by tick."""

    def store(self):
        while self.waits():
            self._store_one()


_memory = Commissioned(rp2.Flash(), "/memory")
_memory.begin()
_memory.keep(76, ENDED, 0)  # commissioned
_memory.prove_positive()
_memory.store()
print("failed: " + _memory.why_failed if _memory.failed else "stored")
