"""Lamps: ready, caution, stop, and the two high-voltage lamps that never go out on anything but a measurement (S5)."""

from loopwarden.policy.part import Part

_READY, _DRIVE, _ALL_OPEN = 1, 8, 15  # stages of phases.py
_DEAD_MS, _TEST_MS = 1000, 2000


class Lamps(Part):
    """Writes the lamp outputs."""

    uses = ("electrics", "phases", "switches")

    def step(self):
        """One tick."""
        o = self.outputs
        p = self.phases
        # S5: out only with nothing commanded, each contact read and open, the bus validly dead for 1 s without a break.
        # A contactor in its release time may still conduct: lit from precharging until all have let go.
        # The lamp test leaves it alone: it is lit from power-up until the bus has proven itself, which tests it.
        dark = self.electrics.dead_ms >= _DEAD_MS and (p.stage <= _READY or p.stage > _ALL_OPEN)
        dark = dark and not (o.positive or o.negative or o.precharge or self.switches.unsure)
        o.lamp_hv = 0 if dark else 1
        test = p.stage == _READY and p.t_ms < _TEST_MS
        o.lamp_ready = 1 if test or (p.stage == _DRIVE and p.solid) else 0
        o.lamp_caution = 1 if test else self.faults.bits & 1
        o.lamp_stop = 1 if test else self.faults.bits >> 1 & 1
