"""Stand-in for MicroPython's `gc`: the firmware's own wish not to collect is kept from the stand-ins' garbage.

What the stand-ins leave behind is collected between ticks, in no virtual time. So the free heap that the firmware sees
is that of what is alive; what its live ticks leave behind is measured on the 32-bit build, without stand-ins.
"""

import gc

_LOW = 300 * 1024


def between_ticks():
    if gc.mem_free() < _LOW:
        gc.collect()


def mem_free():
    gc.collect()
    return gc.mem_free()


def mem_alloc():
    gc.collect()
    return gc.mem_alloc()


def collect():
    gc.collect()


def enable():
    pass


def disable():
    pass


def isenabled():
    return False


def threshold(*_):
    return -1
