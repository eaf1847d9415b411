"""What every part of the supervisor holds: the build, the faults, the tick's readings and commands, the other parts."""


class Part:
    """Base of monitors, phases, limits, cooling, lamps and resistors. Joined once, before the first step."""

    uses = ()  # names of the other parts that it reads

    def join(self, supervisor):
        """Take the references that `step` reads, so that a tick passes no arguments around. Start-up only."""
        for name in ("build", "faults", "inputs", "outputs") + self.uses:
            setattr(self, name, getattr(supervisor, name))
