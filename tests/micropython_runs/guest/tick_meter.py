"""What one piece of device code costs; imported by scripts that run under MicroPython.

Fuel counts only under `run_wasm`, where the guest's microsecond clock is its instruction counter; heap counts under
both builds, and the meter itself takes none between `start()` and `stop()`.

Measure inside a function, the meter in a local name: then an empty section is exactly 0. At module level finding the
names costs about 140 instructions more.
"""

from time import ticks_diff, ticks_us

from micropython import mem_total


class TickMeter:
    """Measures what lies between `start()` and `stop()`.

    fuel        counted instructions, 0 for nothing; a section of 2**29 or more reads wrong: the clock wraps at 2**30
    heap_bytes  bytes asked of the heap, heap frames included, given back or not; 0 on a quiet tick
    """

    def __init__(self):
        self._fuel_at_start = 0
        self._heap_at_start = 0
        self._fuel_empty = 0
        self.fuel = 0
        self.heap_bytes = 0
        for _ in range(3):  # the first rounds fill the lookup cache, the last one counts
            self._fuel_empty = 0
            self.start()
            self.stop()
            self._fuel_empty = self.fuel
        self.fuel = 0

    def start(self):
        self._heap_at_start = mem_total()
        self._fuel_at_start = ticks_us()

    def stop(self):
        fuel_now = ticks_us()
        self.heap_bytes = mem_total() - self._heap_at_start
        self.fuel = ticks_diff(fuel_now, self._fuel_at_start) - self._fuel_empty
