"""Leaves a fault memory behind and prints the flash it lies in: a guest script.

Prints one JSON object: `image` (base64), `files` (name: hex) as this littlefs reads them, `counts` (row: count).
"""

import binascii
import json
import os

import vfs
from bench_world import BenchWorld
from nor import Nor

from loopwarden.memory.flash import FlashMemory

BLOCKS = 48


def main():
    nor = Nor(BLOCKS)
    vfs.VfsLfs2.mkfs(nor, progsize=256)
    vfs.mount(vfs.VfsLfs2(nor, progsize=256), "/flash")
    memory = FlashMemory(nor, "/flash/memory")
    memory.begin()
    world = BenchWorld()
    for row, times in ((8, 3), (44, 1), (51, 2)):
        for _ in range(times):
            world.note(row)
            for _ in range(3):
                world.tick(memory)
    for _ in range(100):
        world.tick(memory)
    files = {}
    for name in os.listdir("/flash/memory"):
        with open("/flash/memory/" + name, "rb") as file:
            files[name] = binascii.hexlify(file.read()).decode()
    vfs.umount("/flash")
    counts = {str(code["row"]): code["count"] for code in memory.codes()}
    image = binascii.b2a_base64(nor.image).decode().strip()
    print(json.dumps({"image": image, "files": files, "counts": counts}))


main()
