"""The drive that is timed and counted: the full build, started, then the published speed trace from end to end.

UN GTR 15, WLTC class 3b, 1,800 s: 90,000 ticks of 20 ms. Nothing watches it here: plant, sensors, conversion, decision.
"""

import json
import time
from dataclasses import dataclass
from pathlib import Path

from policy.guest.replay import Recorder

from loopwarden import signals
from loopwarden.build import Build
from loopwarden.memory.ram import RamMemory
from loopwarden.policy import phases
from loopwarden.policy.supervisor import Supervisor
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_sim.world import World

BUILD_FILE = Path(__file__).parents[2] / "host_sim" / "builds" / "orchard_truck.toml"
TRACE_MS = 1_800_000
START_MS = 30_000  # key, start and the isolation monitor's settling, before the trace begins
SEED = 1


@dataclass
class Times:
    """Seconds of one drive, for the trace's ticks alone. whole: with the loop around the parts."""

    ticks: int = 0
    whole_s: float = 0.0
    plant_s: float = 0.0
    conversion_s: float = 0.0
    policy_s: float = 0.0


class Drive:
    """One truck with its world, board and driver."""

    def __init__(self) -> None:
        self.file = read_build(BUILD_FILE)
        self.values = to_device(self.file)
        self.world = World(self.file, SEED)
        self.memory = RamMemory()
        self.inputs, self.outputs = signals.Inputs(), signals.Outputs()
        self.supervisor = Supervisor(Build(self.values), self.memory)
        self.tick_ms = int(self.values["tick_ms"])
        self.recorder = Recorder()
        self.recorder.power_up()
        self.world.set("soc_percent", 80.0)

    def run(self, ms: int, *, record: bool = False) -> Times:
        """Let `ms` pass. The clock is read between the parts, so the whole is a little more than their sum."""
        world, supervisor, memory = self.world, self.supervisor, self.memory
        inputs, outputs, tick_ms = self.inputs, self.outputs, self.tick_ms
        now = time.perf_counter
        plant = conversion = policy = 0.0
        begin = now()
        for _ in range(ms // tick_ms):
            t0 = now()
            world.step(outputs, tick_ms)
            t1 = now()
            world.fill(inputs)
            t2 = now()
            if record:
                self.recorder.add(inputs, tick_ms)
                t2 = now()
            supervisor.step(inputs, outputs, tick_ms)
            t3 = now()
            memory.work(supervisor)
            plant += t1 - t0
            conversion += t2 - t1
            policy += t3 - t2
        return Times(ms // tick_ms, now() - begin, plant, conversion, policy)

    def start(self, *, record: bool = False) -> None:
        """Key on, start pressed, live, and the isolation monitor settled."""
        self.run(1_000, record=record)
        self.world.set("key", 1)
        self.run(4_000, record=record)
        self.world.set("start", 1)
        self.run(300, record=record)
        self.world.set("start", 0)
        self.run(START_MS - 5_300, record=record)
        self.expect_live()
        self.world.set("trace", 1)

    def expect_live(self) -> None:
        """A drive that is not live measures nothing."""
        if phases.NAMES[self.supervisor.phase] != "live":
            raise RuntimeError(f"the drive is {phases.NAMES[self.supervisor.phase]}: {self.supervisor.phases.refused}")

    def files(self) -> dict[str, bytes]:
        """What a replay under MicroPython needs."""
        return {"build.json": json.dumps(self.values).encode(), "ticks.bin": self.recorder.data()}


def timed() -> Times:
    """One drive, not recorded."""
    drive = Drive()
    drive.start()
    times = drive.run(TRACE_MS)
    drive.expect_live()
    return times


def recorded(ms: int, *, faults: bool) -> tuple[dict[str, bytes], int, int]:
    """A drive of `ms` with its first and last tick that count; with three faults that stand from before the first."""
    drive = Drive()
    drive.start(record=True)
    drive.run(20_000, record=True)
    if faults:
        drive.world.set("leak_bus_negative_ohm", 400_000.0)  # isolation warning
        drive.world.strike("pump_stopped")  # coolant not moving
        drive.world.strike("zone_open", drive.file.zone[0].name)  # a covered pack sensor
        drive.run(20_000, record=True)
        active = len(drive.supervisor.faults.active_ids())
        if active != 3:
            raise RuntimeError(f"{active} faults stand instead of three: {drive.supervisor.faults.active_ids()}")
    first = drive.recorder.ticks
    drive.run(ms, record=True)
    drive.expect_live()
    return drive.files(), first, drive.recorder.ticks
