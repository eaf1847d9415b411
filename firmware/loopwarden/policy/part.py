"""What every part of the supervisor holds: the build, the faults, the tick's readings and commands, the other parts."""


class Part:
    """Base of monitors, phases, limits, cooling, lamps and resistors. Joined once, before the first step."""

    def __init__(self, build, faults):
        self.build = build
        self.faults = faults

    def join(self, supervisor):
        """Take the references that `step` reads, so that a tick passes no arguments around."""
        s = supervisor
        self.inputs, self.outputs, self.memory = s.inputs, s.outputs, s.memory
        self.switches, self.motion, self.electrics = s.switches, s.motion, s.electrics
        self.isolation, self.thermal, self.health = s.isolation, s.thermal, s.health
        self.resistors, self.checks, self.phases = s.resistors, s.checks, s.phases
