"""How often flash is erased for what is stored, over 200 drives of six records each: a guest script.

Prints one JSON object: `records` stored, `erases` in all, `erases_live` with anything closed, `most` of any one block.
"""

import json

import vfs
from bench_world import BenchWorld
from nor import Nor

from loopwarden.memory.flash import FlashMemory

DRIVES = 200
ROWS = (7, 8, 51, 57, 21, 32)


def main():
    nor = Nor(64)
    vfs.VfsLfs2.mkfs(nor, progsize=256)
    vfs.mount(vfs.VfsLfs2(nor, progsize=256), "/flash")
    memory = FlashMemory(nor, "/flash/memory")
    memory.begin()
    world = BenchWorld()
    for _ in range(100):
        world.tick(memory)
    by_block = [0] * 64
    live = [0]
    before = nor.erases
    records = 0

    def erased(n):
        by_block[n] += 1
        live[0] += world.outputs.positive

    nor.erased = erased
    for _ in range(DRIVES):
        memory.mark_live(1, 1)
        world.tick(memory)
        world.live()
        for row in ROWS:
            world.note(row)
            for _ in range(4):
                world.tick(memory)
            if not memory.stored(row):
                raise RuntimeError("row %d is not stored" % row)
            world.end(row)
            records += 1
        world.off()
        memory.mark_dead(1, 1)
        for _ in range(80):
            world.tick(memory)
    print(
        json.dumps(
            {"records": records, "erases": nor.erases - before, "erases_live": live[0], "most": max(by_block)},
        )
    )


main()
