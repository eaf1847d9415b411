"""The frames that a recorded drive sends: a guest script for every runtime.

Needs build.json and ticks.bin. Prints one JSON object: `frames`, each as identifier and bytes in hexadecimal; on a
build with an instruction counter `most` counted instructions of one tick, and `heap` bytes that all of them took. The
bus and the other link are native functions, so that only what the firmware does is counted.
"""

import binascii
import json

from replay import Session, files

from loopwarden.link.frames import Frames

_TURNS = (0, 1, 2, 3, 4, 0, 1, 2, 3, 5)  # kinds of frame, in the order in which they are sent

try:
    from tick_meter import TickMeter
except ImportError:  # a runtime that counts nothing

    class TickMeter:
        fuel = heap_bytes = 0

        def start(self):
            pass

        stop = start


class Bus:
    send = {}.get  # gives back the data: it was taken


class Quiet:
    work = [].count


class Loop:
    last_us = 0
    supervisor = None


def main():
    built, ticks = files()
    loop = Loop()
    session = Session(built, ticks)
    frames = Frames(Bus, built, Quiet)
    meter = TickMeter()
    sent, most, heap = [], 0, 0
    while session.next():
        session.step()
        loop.supervisor = session.sup
        loop.last_us += 1
        identifier = frames.first_id + _TURNS[frames.turn]
        meter.start()
        frames.work(loop)
        meter.stop()
        if session.ticks > 20:  # the first ones fill lookup caches
            most = max(most, meter.fuel)
            heap += meter.heap_bytes
        sent.append("%x:%s" % (identifier, binascii.hexlify(frames.data).decode()))
        session.end()
    print(json.dumps({"frames": sent, "most": most, "heap": heap}))


main()
