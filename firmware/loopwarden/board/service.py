"""In service, where no supervisor runs: what the bus reads, for whoever is about to install. Commands nothing."""

from time import sleep_us

from micropython import const

from loopwarden.board.bus import Bus
from loopwarden.board.channels import reader
from loopwarden.board.installed import current, load_build
from loopwarden.convert.edge import Edge

_CLOCK = const(0)  # place in pins_bus
_BUS = const(1)  # place in pins_channel
_READINGS = const(25)
_EVERY_US = const(20000)


def bus():
    """Half a second of the bus channel: (highest reading in millivolts, None where one was not valid; dead level).

    Errors: ValueError, OSError where the version that starts has no build that can be believed.
    """
    built = load_build("/" + current())[0]
    wired = Bus(built.pins_bus) if built.pins_bus[_CLOCK] >= 0 else None
    read = reader(built.pins_channel[_BUS], wired)
    sense = Edge(built).bus
    highest = -1
    for _ in range(_READINGS):
        mv = sense.read(read())
        if mv is None:
            return None, built.dead_mv  # S10
        highest = max(highest, mv)
        sleep_us(_EVERY_US)
    return highest, built.dead_mv
