"""Checksums over everything that the supervisor decides, tick by tick; see walks.py.

What is kept says nothing about right or wrong. It makes any change of decisions visible in review.
`python -m policy.decisions`, with `tests` in PYTHONPATH, writes `scenarios.txt`: a line for each shipped scenario.
"""

import struct
import sys
from operator import attrgetter
from pathlib import Path
from unittest import mock
from zlib import crc32

from loopwarden import signals as S
from loopwarden.policy.supervisor import Supervisor
from loopwarden_sim import runner
from loopwarden_sim.scenario import load_scenario

SCENARIOS = Path(__file__).parents[2] / "host_sim" / "scenarios"
KEPT = Path(__file__).with_name("scenarios.txt")
STRETCH = 200  # ticks
# What the supervisor commands and, by the names in the docstrings of its parts, what it says of itself.
_OF_OUTPUTS = attrgetter(*vars(S.Outputs()))
_SAID = """
    phases: stage phase t_ms charge refused solid wind_cap why_row emergency fresh_key hold_ms after_run
    faults: worst worst_row bits locks drive charge clock_ms marked
    switches: word edges key plugged reported unsure cut open coolant_asked
    electrics: pack_ok bus_ok dead_ms rest_mv low live closing
    motion: moving pulses quiet_ms last_mm_s seen granted idle_ms
    isolation: good settled watching
    thermal: hottest_dc coldest_dc inverter_dc motor_dc valid
    resistors: precharge_mj discharge_mj energy_mj
    limits: drive_goal charge_goal drive_since_ms charge_since_ms
    memory: mark new positive_proven negative_proven flats under_load precharge_mj discharge_mj
"""
_PARTS = [line.strip().split(": ") for line in _SAID.strip().splitlines()]
_OF_SUPERVISOR = attrgetter(*(f"{part}.{name}" for part, names in _PARTS for name in names.split()), "asked", "answer")


class Decisions:
    """`tick` after every step; `stretch` returns the checksum since the last stretch."""

    def __init__(self):
        self._sum = 0
        self._active = None

    def tick(self, sup, outputs):
        """Take in one tick."""
        known = sup.switches.known
        values = (*_OF_OUTPUTS(outputs), *_OF_SUPERVISOR(sup), -1 if known is None else known)
        self._sum = crc32(struct.pack(f"<{len(values)}q", *values), self._sum)
        active = bytes(sup.faults.active)
        if active != self._active:
            self._active = active
            self._rows(sup.faults)

    def _rows(self, f):
        told = [(row, f.places[row], f.measured[row], f.since_ms[row]) for row in f.active_ids()]
        self._sum = crc32(repr(told).encode(), self._sum)

    def stretch(self, sup):
        """Active rows, stored records and locks belong to its end."""
        self._rows(sup.faults)
        memory = sup.memory
        records = [list(memory.records[row]) for row in sorted(memory.records)]
        found = crc32(repr((records, sorted(memory.locked))).encode(), self._sum)
        self._sum = 0
        return found


def of_scenario(name):
    """Checksums of a shipped scenario as text, one for each stretch, power cuts included."""
    decisions, found, ticks = Decisions(), [], 0
    last = None

    class Watched(Supervisor):
        def step(self, inputs, outputs, dt_ms):
            nonlocal ticks, last
            super().step(inputs, outputs, dt_ms)
            decisions.tick(self, outputs)
            last = self
            ticks += 1
            if ticks % STRETCH == 0:
                found.append(decisions.stretch(self))

    with mock.patch.object(runner, "Supervisor", Watched):
        runner.run(load_scenario(SCENARIOS / f"{name}.toml"))
    return " ".join(f"{one:08x}" for one in (*found, decisions.stretch(last)))


def kept():
    """What `scenarios.txt` holds: name of the scenario -> checksums as text."""
    return dict(line.split(": ") for line in KEPT.read_text(encoding="utf-8").splitlines())


def main():
    names = sorted(path.stem for path in SCENARIOS.glob("*.toml"))
    KEPT.write_text("".join(f"{name}: {of_scenario(name)}\n" for name in names), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
