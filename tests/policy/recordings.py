"""Records what the supervisor saw in a scenario, power cycles and links' requests included."""

import json
from unittest import mock

from loopwarden.policy.supervisor import Supervisor
from loopwarden_build.integer_build import to_device
from loopwarden_sim import runner

from .guest.replay import Recorder


def record(scenario):
    """Run a loaded scenario; return its outcome, the build as JSON, the ticks, and their number.

    Errors: RuntimeError when the run stopped before its end.
    """
    recorder = Recorder()
    if scenario.memory_new:
        recorder.new_memory()

    class Recorded(Supervisor):
        """One power-up."""

        def __init__(self, build, memory):
            recorder.power_up()
            super().__init__(build, memory)

        def step(self, inputs, outputs, dt_ms):
            recorder.add(inputs, dt_ms)
            super().step(inputs, outputs, dt_ms)

        def ask(self, row_id):
            recorder.ask(row_id)
            super().ask(row_id)

    with mock.patch.object(runner, "Supervisor", Recorded):
        outcome = runner.run(scenario)
    if outcome.failure:
        raise RuntimeError(outcome.failure)
    return outcome, json.dumps(to_device(scenario.build)).encode(), recorder.data(), recorder.ticks
